"""Agreement and rates of plain tables, held against other libraries."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from sklearn.metrics import cohen_kappa_score
from statsmodels.stats.proportion import proportion_confint

from imgtrack.domain import scales
from imgtrack.domain.errors import InvalidInput
from imgtrack.outcomes.agreement import COLUMNS, grade_agreement, measurement_agreement
from imgtrack.outcomes.rates import as_events, event_rates, event_times
from imgtrack.outcomes.ratings import as_grades, as_numbers, ratings_table

GRADES = ("I", "II", "III", "IV", "V")


def long_table(*rows: tuple[str, str, str]) -> pd.DataFrame:
    return pd.DataFrame(rows, columns=["case", "reader", "grade"])


def wide(readings: pd.DataFrame) -> pd.DataFrame:
    return ratings_table(readings, subject="case", reader="reader", value="grade")


@pytest.fixture(scope="module")
def graded() -> pd.DataFrame:
    draw = np.random.default_rng(11)
    truth = draw.integers(0, 5, 60)
    rows = []
    for case, grade in enumerate(truth):
        for reader in ("R1", "R2"):
            seen = np.clip(grade + draw.integers(-1, 2) * (draw.random() < 0.4), 0, 4)
            rows.append((f"S{case}", reader, GRADES[seen]))
    return wide(long_table(*rows))


def test_readings_become_subjects_by_readers_and_not_assessable_is_missing():
    table = wide(long_table(("S2", "R1", " II "), ("S1", "R1", "NE"), ("S2", "R2", "V")))
    assert list(table.index) == ["S2", "S1"]
    assert table.loc["S2"].tolist() == ["II", "V"]
    assert table.loc["S1"].isna().all()


def test_all_faults_of_a_table_come_together():
    bad = long_table(("S1", "R1", "II"), ("S1", "R1", "III"), ("", "R1", "I"), ("S2", "", "I"))
    with pytest.raises(InvalidInput) as caught:
        wide(bad)
    words = [str(fault) for fault in caught.value.faults]
    assert words[0].startswith("row 4: case is blank")
    assert words[1].startswith("row 5: reader is blank")
    assert words[2].startswith("row 2, 3: a reader has several values for one subject")
    with pytest.raises(InvalidInput, match="no column 'kase'"):
        ratings_table(bad, subject="kase", reader="reader", value="grade")


def test_grades_outside_the_scale_and_measurements_that_are_none():
    table = wide(long_table(("S1", "R1", "VI"), ("S2", "R1", "2,5")))
    with pytest.raises(InvalidInput, match="no grade of the scale"):
        as_grades(table, GRADES)
    with pytest.raises(InvalidInput, match="no measurements"):
        as_numbers(table)
    assert as_numbers(table.loc[["S2"]]).iloc[0, 0] == 2.5


@pytest.mark.parametrize("weights", ["identity", "linear", "quadratic"])
def test_kappa_equals_scikit_learns(graded, weights):
    found = grade_agreement(graded, GRADES).set_index(["coefficient", "weights"])
    expected = cohen_kappa_score(
        graded["R1"],
        graded["R2"],
        labels=list(GRADES),
        weights=None if weights == "identity" else weights,
    )
    assert found.loc[("Cohen's kappa", weights), "estimate"] == pytest.approx(expected, abs=1e-12)


def test_the_dichotomy_follows_the_rule_and_shows_its_margins(graded):
    rule = scales.retear_rule("sugaya_iv_v")
    found = grade_agreement(graded, GRADES, rule=rule)
    assert list(found.columns) == list(COLUMNS)
    outcome = found[found["what"] == rule.title].set_index("coefficient")
    binary = graded.isin(["IV", "V"])
    expected = cohen_kappa_score(binary["R1"], binary["R2"])
    assert outcome.loc["Cohen's kappa", "estimate"] == pytest.approx(expected, abs=1e-12)
    agreed = (binary["R1"] == binary["R2"]).mean()
    assert outcome.loc["PABAK", "estimate"] == pytest.approx(2 * agreed - 1)


def test_grades_without_an_order_get_no_weighted_coefficients(graded):
    found = grade_agreement(graded, GRADES, ordered=False)
    assert set(found["weights"]) == {"identity", "nominal"}


def test_measurements_by_the_worked_example_of_shrout_and_fleiss():
    # Shrout and Fleiss, Psychol Bull 1979;86:420-8, table 2: six subjects, four judges;
    # ICC(2,1) = 0.29 and ICC(3,1) = 0.71 (table 4).
    values = pd.DataFrame(
        [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]],
        columns=list("ABCD"),
    )
    found = measurement_agreement(values)
    by = found.set_index("coefficient")["estimate"]
    assert by["ICC single, agreement"] == pytest.approx(0.29, abs=0.005)
    assert by["ICC single, consistency"] == pytest.approx(0.71, abs=0.005)
    first = found[found["readers"] == "A - B"].set_index("coefficient")
    assert first.loc["mean difference", "estimate"] == pytest.approx(
        (values["A"] - values["B"]).mean()
    )
    # Smallest detectable change = 1.96 sqrt(2) SEM (de Vet et al., J Clin Epidemiol 2006;59:1033).
    assert by["smallest detectable change"] == pytest.approx(
        1.959964 * 2**0.5 * by["standard error"], rel=1e-6
    )


def rates_of(events: list[float], **columns: list[str]) -> pd.DataFrame:
    subjects = pd.Series(columns.get("subjects") or [f"S{n}" for n in range(len(events))])
    groups = pd.Series(columns["groups"]) if "groups" in columns else None
    return event_rates(subjects, pd.Series(events), groups)


def test_a_rate_stands_with_its_limits_and_what_the_missing_could_change():
    found = rates_of([1.0] * 15 + [0.0] * 71 + [np.nan] * 4).set_index("quantity")
    row = found.loc["rate among the assessed"]
    assert (row["events"], row["assessed"], row["missing"]) == (15, 86, 4)
    assert (row["low"], row["high"]) == pytest.approx(proportion_confint(15, 86, method="wilson"))
    exact = found.loc["rate among the assessed, exact limits"]
    assert (exact["low"], exact["high"]) == pytest.approx(proportion_confint(15, 86, method="beta"))
    assert found.loc["if no missing unit had the event", "estimate"] == pytest.approx(15 / 90)
    assert found.loc["if every missing unit had the event", "estimate"] == pytest.approx(19 / 90)


def test_no_event_has_an_upper_limit():
    # Wilson and Clopper-Pearson for 0 of 20: 16.1 % and 16.8 % (closed forms: z^2 / (n + z^2) and
    # 1 - 0.025^(1/n)).
    found = rates_of([0.0] * 20).set_index("quantity")["high"]
    assert found["rate among the assessed"] == pytest.approx(0.1611, abs=5e-5)
    assert found["rate among the assessed, exact limits"] == pytest.approx(0.1684, abs=5e-5)


def test_nothing_assessed_says_so():
    found = rates_of([np.nan, np.nan])
    assert found["why_undefined"].iloc[0]


def test_patients_with_two_repairs_make_clusters():
    subjects = [f"S{n // 2}" for n in range(40)]
    events = [float(n % 8 in (0, 1)) for n in range(40)]
    found = rates_of(events, subjects=subjects).set_index("quantity")
    plain = found.loc["rate among the assessed"]
    adjusted = found.loc["rate among the assessed, patients as clusters"]
    assert adjusted["estimate"] == plain["estimate"] == 0.25
    assert adjusted["high"] - adjusted["low"] > plain["high"] - plain["low"]


def test_two_groups_are_compared_and_three_are_not():
    two = rates_of([1, 0, 0, 1, 1, 0], groups=list("AAABBB"))
    compared = two[two["group"] == "A - B"].set_index("quantity")["estimate"]
    assert compared["difference"] == pytest.approx(1 / 3 - 2 / 3)
    assert "all" in set(two["group"])
    three = rates_of([1, 0, 0, 1, 1, 0], groups=list("AABBCC"))
    assert not three["group"].str.contains(" - ").any()


def test_words_for_events_and_grades_by_a_rule():
    texts = pd.Series(["yes", "0", "Retear", "healed", "NE", ""])
    assert as_events(texts).tolist()[:4] == [1, 0, 1, 0]
    assert as_events(texts).isna().tolist() == [False] * 4 + [True] * 2
    assert as_events(pd.Series(["IV", "II", ""]), ("IV", "V")).tolist()[:2] == [1, 0]
    with pytest.raises(InvalidInput, match="row 2: some values are no events"):
        as_events(pd.Series(["maybe"]))


def test_the_share_by_time_from_visits_on_fixed_days_is_the_plain_share():
    # With visits on the same fixed days and nobody missing, the estimate is the empirical share.
    left = pd.Series([0.0] * 3 + [91.0] * 5 + [365.0] * 12)
    right = pd.Series([91.0] * 3 + [182.0] * 5 + [np.inf] * 12)
    found = event_times(left, right, [91, 182])
    assert found["at_least"].tolist() == pytest.approx([3 / 20, 8 / 20])
    assert found["at_most"].tolist() == pytest.approx([3 / 20, 8 / 20])
    assert (found["low"] < found["at_least"]).all()
    assert (found["high"] > found["at_most"]).all()


def test_inside_an_interval_the_share_is_known_only_as_bounds():
    found = event_times(pd.Series([0.0, 91.0]), pd.Series([91.0, np.inf]), [45])
    assert (found["at_least"].item(), found["at_most"].item()) == pytest.approx((0, 0.5))


def test_times_by_group():
    groups = pd.Series(["A", "A", "B"])
    found = event_times(
        pd.Series([0.0, 91.0, 91.0]), pd.Series([91.0, np.inf, np.inf]), [91], groups
    )
    assert found["group"].tolist() == ["A", "B"]
