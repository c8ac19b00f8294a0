"""Readings of the demo study by simulated readers, from the truth of its scans."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from synthetic_scans.cohort.plan import plan_cohort
from synthetic_scans.cohort.readings import (
    READING_COLUMNS,
    case_of,
    differ,
    join_cases,
    reading_rows,
)
from synthetic_scans.cohort.records import Course
from synthetic_scans.cohort.run import Settings
from synthetic_scans.readers.people import (
    Answers,
    Cases,
    Reader,
    default_readers,
    perfect_reader,
    read_all,
)
from synthetic_scans.readers.population import population_agreement
from synthetic_scans.study import truth_record
from synthetic_scans.study_series import SIZES


@pytest.fixture(scope="module")
def scans():
    """Plans, sheet heads and truth of the follow-up scans of a few repairs of every course."""
    settings, seen = Settings(), set()
    found = []
    for record in plan_cohort(settings.seed, settings.repairs).records:
        if record.repair.course in seen:
            continue
        seen.add(record.repair.course)
        for scan in (scan for scan in record.scans if scan.timepoint in ("preop", "m06", "m12")):
            about = {
                "subject": record.repair.patient.subject,
                "side": record.repair.side,
                "timepoint": scan.timepoint,
                "scanned_on": scan.scanned_on.isoformat(),
            }
            truth = truth_record(scan, settings.seed, SIZES["full"])
            found.append(SimpleNamespace(record=record, plan=scan, about=about, truth=truth))
    assert seen == set(Course)
    return found


def pairs(scans):
    return [(scan.about, scan.truth) for scan in scans]


def key(row):
    return row["subject"], row["side"], row["scanned_on"]


PERFECT = (perfect_reader("P1"), perfect_reader("P2"), perfect_reader("PA", "adjudicator"))


def test_perfect_readers_answer_the_truth_and_need_no_settling(scans):
    rows = list(reading_rows(pairs(scans), PERFECT, 3))
    assert {row["round"] for row in rows} == {"first", "repeat"}
    first = [row for row in rows if row["round"] == "first"]
    assert len(first) == 2 * len(scans)
    for scan, row in zip(scans, first[::2], strict=True):
        truth = scan.truth["truth"]
        grades = {grade["scale"]: grade["value"] for grade in truth["grades"]}
        values = {entry["name"]: entry["value"] for entry in truth["measurements"]}
        torn = scan.plan.state.condition.defect is not None
        assert (row["sugaya"] in ("IV", "V")) is torn
        if grades["sugaya_2007"]:
            assert row["sugaya"] == grades["sugaya_2007"]
        if torn:
            assert float(row["width_mm"]) == pytest.approx(values["defect_width"], abs=0.051)
            assert float(row["retraction_mm"]) == pytest.approx(
                values["defect_retraction"], abs=0.051
            )
            assert row["patte"] == grades["patte"]
            assert "thickness_mm" not in row
            assert ("retear_pattern" in row) is (scan.plan.timepoint != "preop")
        else:
            assert "width_mm" not in row
            assert float(row["thickness_mm"]) == pytest.approx(
                values["tendon_thickness"], abs=0.051
            )
        assert row["tangent_sign"] == (
            "positive" if grades["tangent_sign_positive"] else "negative"
        )
        assert row["fatty_supraspinatus"] == grades["goutallier_supraspinatus"]


def test_medial_failures_have_the_second_pattern(scans):
    rows = list(reading_rows(pairs(scans), PERFECT, 3))
    patterns = {
        scan.record.repair.course: row["retear_pattern"]
        for scan in scans
        for row in rows
        if key(row) == key(scan.about) and "retear_pattern" in row
    }
    assert patterns[Course.FAILS_MEDIALLY] == 2
    assert patterns[Course.RETEARS] == 1


def test_readings_do_not_depend_on_the_order_of_scans(scans):
    def text(row):
        return str([row.get(column) for column in READING_COLUMNS])

    forwards = sorted(map(text, reading_rows(pairs(scans), default_readers(), 3)))
    backwards = sorted(map(text, reading_rows(pairs(scans)[::-1], default_readers(), 3)))
    assert forwards == backwards
    assert forwards != sorted(map(text, reading_rows(pairs(scans), default_readers(), 4)))


def test_readers_that_differ_are_settled_by_the_adjudicator(scans):
    rows = list(reading_rows(pairs(scans), default_readers(), 3))
    settled = [row for row in rows if row["round"] == "settling"]
    assert 0 < len(settled) < len(scans)
    assert {row["reader"] for row in settled} == {"A1"}
    assert set().union(*rows) <= set(READING_COLUMNS)


def test_scans_that_cannot_be_read_say_why(scans):
    blind = replace(PERFECT[0], unreadable_rate=1.0)
    rows = list(reading_rows(pairs(scans), (blind, *PERFECT[1:]), 3))
    mine = [row for row in rows if row["reader"] == "P1"]
    assert all(row["assessable"] == "no" and "sugaya" not in row for row in mine)
    metal = {key(scan.about) for scan in scans if scan.truth["metal"]}
    assert metal
    for row in mine:
        assert row["reason"] == ("metal" if key(row) in metal else "image quality")
    assert sum(row["round"] == "settling" for row in rows) == len(scans)


def test_a_gap_that_only_one_series_shows_is_graded_by_that_series(scans):
    scan = next(s for s in scans if s.plan.state.condition.defect is not None)
    record = scan.truth | {"truth": dict(scan.truth["truth"])}
    ungraded = [
        grade | {"value": None} if grade["scale"] == "sugaya_2007" else grade
        for grade in record["truth"]["grades"]
    ]
    record["truth"]["grades"] = ungraded
    for shown, grade in ((2, 4), (3, 5)):
        record["truth"]["stacks"] = [{"plane": "coronal_oblique", "shown": [{}] * shown}]
        case = case_of(record)
        assert case.sugaya[0] == grade
        assert case.gap_slices.tolist() == [[shown, 0]]


def answer(**changes) -> Answers:
    """A plain reading of a healed tendon with some answers changed."""
    truth = Cases(
        sugaya=np.array([changes.pop("sugaya", 2)]),
        pattern=np.array([1]),
        patte=np.array([1]),
        fatty=np.array([[1, 1, 0, 0]]),
        tangent=np.array([False]),
        occupation_ratio=np.array([0.7]),
        lengths=np.array([[changes.pop("width", 10.0), 10.0, 10.5, changes.pop("thick", 5.0)]]),
        gap_slices=np.array([[3, 3]]),
        metal=np.array([0.0]),
        day=np.array([0.0]),
    )
    reader = Reader(code="R", unreadable_rate=float(not changes.pop("assessable", True)))
    return read_all(reader, truth, np.random.default_rng(0))


@pytest.mark.parametrize(
    ("one", "other", "settled"),
    [
        (answer(), answer(), False),
        (answer(sugaya=1), answer(sugaya=2), False),
        (answer(sugaya=3), answer(sugaya=4), True),  # the dichotomy
        (answer(sugaya=1), answer(sugaya=3), True),  # two types apart
        (answer(sugaya=5, width=10.0), answer(sugaya=5, width=15.0), False),
        (answer(sugaya=5, width=10.0), answer(sugaya=5, width=15.1), True),
        (answer(assessable=False), answer(), True),
        (answer(assessable=False), answer(assessable=False), False),
    ],
)
def test_what_counts_as_a_difference(one, other, settled):
    assert differ(one, other) is settled
    assert differ(other, one) is settled


def test_a_team_without_adjudicator_is_refused(scans):
    with pytest.raises(ValueError, match="expected two readers and an adjudicator, found 2 and 0"):
        list(reading_rows(pairs(scans), PERFECT[:2], 3))


def test_the_scans_of_a_study_are_a_population_for_long_run_agreement(scans):
    """Scans drawn again and again from those of the study: what its intervals should cover."""
    pool = join_cases([case_of(scan.truth) for scan in scans])
    assert len(pool) == len(scans)
    first, second, _ = default_readers()
    found = population_agreement(
        first,
        second,
        lambda n, rng: pool.take(rng.integers(len(pool), size=n)),
        seed=1,
        n=20_000,
    )
    assert 0.6 < found.retear_kappa.value < 1.0
    assert found.retear_kappa.se < 0.02
