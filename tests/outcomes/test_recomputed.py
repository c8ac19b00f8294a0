"""Every printed figure computed again by other libraries from the exported CSV alone.

Wilson and exact limits: statsmodels ``proportion_confint``; kappa: scikit-learn
``cohen_kappa_score``; odds ratio and exact test: scipy; interval-censored curve: surpyval's
Turnbull; score differences: statsmodels' formula interface. Equal means to the tolerance named.
"""

from __future__ import annotations

import io

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy.stats import fisher_exact
from scipy.stats.contingency import odds_ratio
from sklearn.metrics import cohen_kappa_score
from statsmodels.stats.proportion import proportion_confint

SCALE = ["I", "II", "III", "IV", "V"]


@pytest.fixture(scope="module")
def exported(results):
    """Return every table as it comes back from its CSV."""
    tables = {**results.data.tables(), **results.tables}
    texts = {name: table.to_csv(index=False) for name, table in tables.items()}
    return {
        name: pd.read_csv(io.StringIO(text), keep_default_na=True) for name, text in texts.items()
    }


def due_and_torn(exported, timepoint, column):
    """Count from the tidy rows: due repairs, assessable ones, and retears."""
    states = exported["states"]
    here = states[states["timepoint"] == timepoint]
    due = here[~here["state"].isin(["not yet due", "ended"])]
    verdicts = exported["verdicts"]
    mine = verdicts[(verdicts["timepoint"] == timepoint) & verdicts["repair"].isin(due["repair"])]
    known = mine[mine[column].isin(["healed", "retear"])]
    return len(due), len(known), int((known[column] == "retear").sum())


@pytest.mark.parametrize("timepoint", ["m03", "m06", "m12", "m24"])
@pytest.mark.parametrize(
    ("rule", "column"), [("primary", "outcome"), ("sensitivity", "outcome_sensitivity")]
)
def test_the_retear_table(exported, timepoint, rule, column):
    due, assessed, events = due_and_torn(exported, timepoint, column)
    table = exported["retear"]
    mine = table[
        (table["timepoint"] == timepoint) & (table["rule"] == rule) & (table["by"] == "verdict")
    ].set_index("quantity")
    for quantity, method in (
        ("rate among the assessed", "wilson"),
        ("rate among the assessed, exact limits", "beta"),
    ):
        row = mine.loc[quantity]
        assert (row["events"], row["assessed"], row["missing"]) == (
            events,
            assessed,
            due - assessed,
        )
        low, high = proportion_confint(events, assessed, method=method)
        assert [row["estimate"], row["low"], row["high"]] == pytest.approx(
            [events / assessed, low, high], abs=1e-9
        )
    best = mine.loc["if no missing unit had the event"]
    worst = mine.loc["if every missing unit had the event"]
    assert best["estimate"] == pytest.approx(events / due)
    assert worst["estimate"] == pytest.approx((events + due - assessed) / due)


def two_readers(exported, question):
    findings = exported["findings"].merge(exported["readings"], on="reading")
    first = findings[(findings["round"] == "first") & (findings["question"] == question)]
    return first.set_index(["scan", "reader"])[["code", "number"]].unstack()  # noqa: PD010


@pytest.mark.parametrize("weights", ["identity", "linear", "quadratic"])
def test_kappa_of_the_grades(exported, weights):
    both = two_readers(exported, "sugaya")["code"].dropna()
    table = exported["agreement"]
    (row,) = table[
        (table["question"] == "sugaya")
        & (table["part"] == "all timepoints")
        & (table["coefficient"] == "Cohen's kappa")
        & (table["weights"] == weights)
    ].to_dict("records")
    named = None if weights == "identity" else weights
    expected = cohen_kappa_score(both["R1"], both["R2"], labels=SCALE, weights=named)
    assert row["estimate"] == pytest.approx(expected, abs=1e-12)
    assert row["n_used"] == len(both)


def test_kappa_of_the_outcome_at_each_timepoint(exported):
    readings = exported["readings"]
    first = readings[
        (readings["round"] == "first") & readings["outcome"].isin(["healed", "retear"])
    ]
    table = exported["agreement"]
    for timepoint, mine in first.groupby("timepoint"):
        both = mine.set_index(["scan", "reader"])["outcome"].unstack().dropna()  # noqa: PD010
        (row,) = table[
            (table["question"] == "outcome")
            & (table["part"] == timepoint)
            & (table["coefficient"] == "Cohen's kappa")
        ].to_dict("records")
        assert row["estimate"] == pytest.approx(cohen_kappa_score(both["R1"], both["R2"]))


def test_icc_by_mean_squares(exported):
    """ICC(A,1) by its definition (McGraw and Wong 1996, table 4) from sums of squares."""
    both = two_readers(exported, "tendon thickness")["number"].dropna().to_numpy(float)
    n, k = both.shape
    grand = both.mean()
    rows = k * ((both.mean(axis=1) - grand) ** 2).sum() / (n - 1)
    columns = n * ((both.mean(axis=0) - grand) ** 2).sum() / (k - 1)
    total = ((both - grand) ** 2).sum()
    error = (total - rows * (n - 1) - columns * (k - 1)) / ((n - 1) * (k - 1))
    expected = (rows - error) / (rows + (k - 1) * error + k * (columns - error) / n)
    table = exported["agreement"]
    (row,) = table[
        (table["question"] == "tendon thickness")
        & (table["part"] == "all timepoints")
        & (table["coefficient"] == "ICC single, agreement, patients resampled")
    ].to_dict("records")
    assert row["estimate"] == pytest.approx(expected, abs=1e-9)


def nominal_intervals(exported, targets):
    """Build the intervals from the verdict rows alone, on target days."""
    rows = []
    verdicts = exported["verdicts"]
    for _, mine in verdicts[verdicts["outcome"].isin(["healed", "retear"])].groupby("repair"):
        days = mine["timepoint"].map(targets)
        torn = days[mine["outcome"] == "retear"].min()
        intact = days[(mine["outcome"] == "healed") & ~(days > torn)]
        rows.append((intact.max() if len(intact) else 0.0, torn))
    return np.array(rows, dtype=float)


def test_the_interval_censored_curve(exported, data):
    """As surpyval's Turnbull estimate on the same intervals, at every timepoint."""
    surpyval = pytest.importorskip("surpyval")
    targets = {point.name: float(point.target_day) for point in data.protocol.timepoint}
    bounds = nominal_intervals(exported, targets)
    censored = np.isnan(bounds[:, 1])
    theirs = surpyval.Turnbull.fit(
        xl=bounds[:, 0],
        xr=np.where(censored, np.inf, bounds[:, 1]),
        turnbull_estimator="Kaplan-Meier",
    )
    table = exported["cumulative"]
    mine = table[table["rule"] == "primary"]
    assert mine["timepoint"].tolist() == ["m03", "m06", "m12", "m24"]
    assert mine["at_least"].to_numpy() == pytest.approx(mine["at_most"].to_numpy(), abs=1e-9)
    told = 1 - np.interp(mine["day"], theirs.x, theirs.R)
    assert mine["at_least"].to_numpy() == pytest.approx(told, abs=1e-4)


def test_the_steps_are_shares_of_all_repairs(exported):
    steps = exported["steps"]
    for _, mine in steps.groupby("rule"):
        assert mine["share"].sum() == pytest.approx(1)
        assert (mine["after"] < mine["by"]).all()


def test_subgroups_by_exact_tests(exported):
    table = exported["subgroups"]
    mine = table[(table["subgroup"] == "technique") & (table["timepoint"] == "m24")]
    rates = mine[mine["quantity"] == "rate"].set_index("group")
    (row,) = mine[mine["quantity"] == "odds ratio"].to_dict("records")
    counts = [
        [rates.loc[name, "events"], rates.loc[name, "assessed"] - rates.loc[name, "events"]]
        for name in (row["group"], row["against"])
    ]
    whole = np.array(counts, dtype=int)
    assert row["p_value"] == pytest.approx(fisher_exact(whole).pvalue)
    expected = odds_ratio(whole, kind="conditional")
    limits = expected.confidence_interval()
    assert [row["estimate"], row["low"], row["high"]] == pytest.approx(
        [expected.statistic, limits.low, limits.high], rel=1e-4
    )


def test_score_differences_by_formula(exported):
    scored = exported["scored"]
    table = exported["score_differences"].set_index(["timepoint", "adjusted_for"])
    for timepoint, mine in scored.groupby("timepoint"):
        if timepoint not in {"m06", "m12", "m24"}:
            continue
        groups = pd.factorize(mine["subject"])[0]
        fit = smf.ols("total ~ (outcome == 'healed') + baseline", mine).fit(
            cov_type="cluster", cov_kwds={"groups": groups}, use_t=True
        )
        row = table.loc[(timepoint, "score before surgery")]
        name = next(key for key in fit.params.index if "outcome" in key)
        low, high = fit.conf_int().loc[name]
        assert [row["difference"], row["low"], row["high"]] == pytest.approx(
            [fit.params[name], low, high], rel=1e-9
        )
