"""Changes, differences, confusion tables and flow computed again from the exported CSV alone.

Mean change with limits: scipy ``ttest_1samp``; confusion: scikit-learn ``confusion_matrix``; mean
difference and limits of agreement: Bland and Altman (Lancet 1986;1:307-10), mean and 1.96 times
the standard deviation; limits for patients with two repairs: Rao and Scott (Biometrics
1992;48:577-85) by formula from the rows, with the t quantile.
"""

from __future__ import annotations

import io
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from scipy.stats import t as student
from scipy.stats import ttest_1samp
from sklearn.metrics import confusion_matrix

SCALE = ["I", "II", "III", "IV", "V"]
FOLLOW_UP = ["m03", "m06", "m12", "m24"]


@pytest.fixture(scope="module")
def exported(results):
    """Return every table as it comes back from its CSV."""
    tables = {**results.data.tables(), **results.tables}
    return {
        name: pd.read_csv(io.StringIO(table.to_csv(index=False))) for name, table in tables.items()
    }


def first_answers(exported, question, column):
    findings = exported["findings"].merge(exported["readings"], on="reading")
    mine = findings[(findings["round"] == "first") & (findings["question"] == question)]
    return mine.pivot_table(index="scan", columns="reader", values=column, aggfunc="first")


def rows_of(exported, **wanted):
    table = exported["agreement"]
    for name, value in wanted.items():
        table = table[table[name] == value]
    return table.set_index("coefficient")["estimate"]


def test_changes_with_t_limits(exported):
    told = exported["verdict_findings"].merge(exported["verdicts"], on="scan")
    for question, rows in exported["changes"].groupby("question"):
        mine = told[(told["question"] == question) & told["number"].notna()]
        wide = mine.pivot_table(
            index="repair", columns="timepoint", values="number", aggfunc="first"
        )
        for row in rows.to_dict("records"):
            change = (wide[row["to_timepoint"]] - wide[row["from_timepoint"]]).dropna()
            assert row["repairs"] == len(change)
            assert row["mean_change"] == pytest.approx(change.mean())
            if len(change) > 1:
                limits = ttest_1samp(change, 0).confidence_interval(0.95)
                assert [row["low"], row["high"]] == pytest.approx([limits.low, limits.high])
            assert row["beyond_detectable"] == (change.abs() > row["detectable"]).sum()


def test_the_smallest_detectable_change_is_that_of_the_readers(exported):
    for question, rows in exported["changes"].groupby("question"):
        found = rows_of(exported, question=question, part="all timepoints", readers="all")
        assert rows["detectable"].unique() == pytest.approx(found["smallest detectable change"])


def test_differences_of_two_readers(exported):
    both = first_answers(exported, "tendon thickness", "number").dropna()
    difference = both["R1"] - both["R2"]
    found = rows_of(exported, question="tendon thickness", part="all timepoints", readers="R1 - R2")
    spread = 1.959963984540054 * difference.std(ddof=1)
    assert found["mean difference"] == pytest.approx(difference.mean())
    assert found["lower limit of agreement"] == pytest.approx(difference.mean() - spread)
    assert found["upper limit of agreement"] == pytest.approx(difference.mean() + spread)
    pairs = exported["pairs"]
    mine = pairs[pairs["question"] == "tendon thickness"].set_index("scan")
    again = (mine["first_value"] - mine["second_value"]).sort_index()
    assert again.to_numpy() == pytest.approx(difference.sort_index().to_numpy())


def test_the_confusion_of_grades(exported):
    both = first_answers(exported, "sugaya", "code").dropna()
    table = exported["confusion"]
    mine = table[(table["question"] == "sugaya") & table["first_answer"].isin(SCALE)]
    mine = mine[mine["second_answer"].isin(SCALE)]
    found = mine.pivot_table(
        index="first_answer", columns="second_answer", values="scans", aggfunc="first"
    )
    expected = confusion_matrix(both["R1"], both["R2"], labels=SCALE)
    assert found.loc[SCALE, SCALE].to_numpy().tolist() == expected.tolist()


def test_readings_that_met_no_assessable_one_are_in_the_confusion(exported):
    table = exported["confusion"]
    mine = table[table["question"] == "sugaya"]
    scans = exported["readings"][exported["readings"]["round"] == "first"]["scan"].nunique()
    assert mine["scans"].sum() == scans


def test_flow_from_states_and_verdicts(exported):
    states, verdicts = exported["states"], exported["verdicts"]
    table = exported["flow"].set_index(["group_by", "timepoint"])
    for timepoint in FOLLOW_UP:
        here = states[states["timepoint"] == timepoint]["state"]
        outcome = verdicts[verdicts["timepoint"] == timepoint]["outcome"]
        row = table.loc[("all", timepoint)]
        assert row["missed"] == (here == "missed").sum()
        assert row["ended"] == (here == "ended").sum()
        assert row["assessable"] == outcome.isin(["healed", "retear"]).sum()
        assert row["not_assessable"] == (outcome == "not assessable").sum()


def test_grades_flow_from_timepoint_to_timepoint(exported):
    verdicts = exported["verdicts"]
    wide = verdicts.pivot_table(
        index="repair", columns="timepoint", values="outcome", aggfunc="first"
    )
    table = exported["transitions"]
    for before, after in pairwise(FOLLOW_UP):
        mine = table[(table["from_timepoint"] == before) & (table["to_timepoint"] == after)]
        assert mine["repairs"].sum() == len(exported["repairs"])
        for one, other in (("healed", "retear"), ("retear", "healed"), ("retear", "retear")):
            expected = ((wide[before] == one) & (wide[after] == other)).sum()
            there = (mine["from_outcome"] == one) & (mine["to_outcome"] == other)
            assert mine[there]["repairs"].sum() == expected
            assert (mine[there]["is_reversal"] == (one == "retear" and other == "healed")).all()


def test_limits_for_patients_with_two_repairs(exported):
    """Wilson limits of the effective units, with the t quantile of the patients less one."""
    verdicts, rates = exported["verdicts"], exported["retear"]
    mine = verdicts[(verdicts["timepoint"] == "m24")]
    mine = mine[mine["outcome"].isin(["healed", "retear"])]
    by_patient = (mine["outcome"] == "retear").groupby(mine["subject"]).agg(["sum", "size"])
    n, clusters = by_patient["size"].sum(), len(by_patient)
    share = by_patient["sum"].sum() / n
    residual = by_patient["sum"] - share * by_patient["size"]
    variance = clusters / (clusters - 1) * (residual**2).sum() / n**2
    effect = variance / (share * (1 - share) / n)
    (row,) = rates[
        (rates["timepoint"] == "m24")
        & (rates["rule"] == "primary")
        & (rates["by"] == "verdict")
        & (rates["quantity"] == "rate among the assessed, patients as clusters")
    ].to_dict("records")
    units, quantile = n / effect, student.ppf(0.975, clusters - 1)
    middle = (share + quantile**2 / (2 * units)) / (1 + quantile**2 / units)
    half = quantile * np.sqrt(share * (1 - share) / units + (quantile / (2 * units)) ** 2)
    half /= 1 + quantile**2 / units
    assert row["estimate"] == pytest.approx(share)
    assert [row["low"], row["high"]] == pytest.approx([middle - half, middle + half], abs=1e-9)
