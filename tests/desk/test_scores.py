"""Clinical scores: parts checked and summed, timepoints by the day, nothing moved."""

from __future__ import annotations

import pytest

from imgtrack.desk.registry.enrol import enrol
from imgtrack.desk.registry.scores import take_scores
from imgtrack.domain.errors import InvalidInput, Refused
from imgtrack.domain.subjects import Score

LONG = "subject,side,assessed_on,score,pain,activities,motion,strength,total"


@pytest.fixture
def enrolled(study, sheet):
    enrol(study, sheet("subject,side,operation_date", "S1,right,2031-03-03", "S1,left,2031-04-03"))
    return study


def scores(study) -> list[Score]:
    with study.store.look() as look:
        return look.all(Score)


def faults_of(study, path, error=InvalidInput) -> list[str]:
    with pytest.raises(error) as caught:
        take_scores(study, path)
    assert scores(study) == []
    return [str(fault) for fault in caught.value.faults]


def test_the_parts_of_a_constant_score_are_summed(enrolled, sheet):
    # Parts and maxima: Constant and Murley, Clin Orthop 1987;214:160-4.
    take_scores(enrolled, sheet(LONG, "S1,right,2031-06-02,constant,10,16,30,12.5,"))
    (score,) = scores(enrolled)
    assert (score.repair, score.timepoint, score.total) == ("S1-R", "m03", 68.5)
    assert score.parts == {"pain": 10, "activities": 16, "motion": 30, "strength": 12.5}


@pytest.mark.parametrize(
    ("cells", "column", "words"),
    [
        ("16,16,30,12,", "pain", "from 0 to 15"),
        ("10,21,30,12,", "activities", "from 0 to 20"),
        ("10,16,41,12,", "motion", "from 0 to 40"),
        ("10,16,30,26,", "strength", "from 0 to 25"),
        ("10,16,30,12,70", "total", "do not add up to the total; expected 68"),
        ("10,,30,12,", "activities", "parts are missing: activities"),
        (",,,,101", "total", "from 0 to 100"),
        (",,,,", "total", "total is missing"),
    ],
)
def test_each_impossible_score_is_named(enrolled, sheet, cells, column, words):
    (fault,) = faults_of(enrolled, sheet(LONG, f"S1,right,2031-06-02,constant,{cells}"))
    assert f"row 2, column {column}" in fault
    assert words in fault


def test_a_wide_sheet_has_a_column_for_each_score_and_empty_cells_are_no_scores(enrolled, sheet):
    path = sheet(
        "subject,side,assessed_on,constant,constant_pain,constant_activities,constant_motion,"
        "constant_strength",
        "S1,right,2031-06-02,70,,,,",
        "S1,left,2031-04-01,,15,20,40,25",
        "S1,right,2031-09-01,,,,,",
    )
    assert take_scores(enrolled, path).added == 2
    assert [(s.repair, s.timepoint, s.total) for s in scores(enrolled)] == [
        ("S1-R", "m03", 70.0),
        ("S1-L", "preop", 100.0),
    ]
    assert take_scores(enrolled, path).unchanged == 2


def test_a_score_outside_every_window_is_unscheduled_and_never_moved(enrolled, sheet):
    filed = take_scores(enrolled, sheet(LONG, "S1,right,2031-07-15,constant,,,,,80"))
    (score,) = scores(enrolled)
    assert (score.timepoint, score.key) == ("", "S1-R/constant/2031-07-15")
    assert "unscheduled" in filed.notes[0]


def test_a_named_timepoint_must_be_that_of_the_day(enrolled, sheet):
    head = "subject,side,assessed_on,timepoint,score,total"
    (fault,) = faults_of(enrolled, sheet(head, "S1,right,2031-06-02,m06,constant,70"))
    assert "day 91 after operation does not belong to it; expected m03" in fault
    assert take_scores(enrolled, sheet(head, "S1,right,2031-06-02,m03,constant,70")).added == 1
    take_scores(enrolled, sheet(head, "S1,right,2031-07-15,m03,constant,70"))
    assert [score.timepoint for score in scores(enrolled)] == ["m03", ""]


def test_a_named_timepoint_tells_a_late_visit_from_the_one_before_a_revision(study, sheet):
    rows = ("S1,right,2031-01-05,", "S1,right,2031-08-20,yes")
    enrol(study, sheet("subject,side,operation_date,revision", *rows))
    head = "subject,side,assessed_on,timepoint,score,total"
    take_scores(study, sheet(head, "S1,right,2031-08-06,preop,constant,70"))
    take_scores(study, sheet(head, "S1,right,2031-08-06,,constant,70"))
    assert [(s.repair, s.timepoint) for s in scores(study)] == [
        ("S1-R2", "preop"),
        ("S1-R", "m06"),
    ]


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("S9,right,2031-06-02,constant,,,,,70", "nobody is enrolled under this code"),
        ("S1,right,2031-06-02,oxford,,,,,40", "no score imgtrack knows; expected constant"),
        ("S1,right,,constant,,,,,70", "assessed_on is missing"),
    ],
)
def test_whose_and_which(enrolled, sheet, row, words):
    (fault,) = faults_of(enrolled, sheet(LONG, row))
    assert words in fault


def test_a_side_without_a_repair(study, sheet):
    enrol(study, sheet("subject,side,operation_date", "S1,right,2031-03-03"))
    (fault,) = faults_of(study, sheet(LONG, "S1,left,2031-06-02,constant,,,,,70"))
    assert "S1 has no repair on this side; expected right" in fault


def test_two_scores_for_one_timepoint(enrolled, sheet):
    rows = ("S1,right,2031-06-02,constant,,,,,70", "S1,right,2031-06-09,constant,,,,,71")
    (fault,) = faults_of(enrolled, sheet(LONG, *rows))
    assert "S1-R has two constant scores for m03" in fault


def test_a_changed_score_needs_a_reason(enrolled, sheet):
    take_scores(enrolled, sheet(LONG, "S1,right,2031-06-02,constant,,,,,70"))
    changed = sheet(LONG, "S1,right,2031-06-02,constant,,,,,72")
    with pytest.raises(Refused, match="total 70"):
        take_scores(enrolled, changed)
    assert take_scores(enrolled, changed, reason="form read again").changed[0].new == 72


def test_a_sheet_without_any_score(enrolled, sheet):
    (fault,) = faults_of(enrolled, sheet("subject,side,assessed_on", "S1,right,2031-06-02"))
    assert "no column holds a score" in fault
