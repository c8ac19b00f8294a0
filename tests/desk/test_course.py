"""The course of a repair: who may see it, what is in it, and what is said of it."""

from __future__ import annotations

from dataclasses import replace

import pytest
from course_desk import CODE, DAYS, MOVED_ALONG_MM, SCANS, course_study
from reading_desk import Clock, InventedShelf, desk_of, log_of

from imgtrack.desk.cases.allot import allot
from imgtrack.desk.course.implants import NOT_DETECTABLE, implant_moves
from imgtrack.desk.course.trends import trends_of
from imgtrack.desk.course.visits import Stack, open_course
from imgtrack.domain.errors import InvalidInput, Refused
from imgtrack.domain.first_retear import FirstRetear
from imgtrack.domain.scales import Healing
from imgtrack.measure.motion import RigidTransform
from imgtrack.measure.registration.align import Registration

STILL = RigidTransform.about((0, 0, 0), axis=(0, 0, 1), degrees=0)
LAID = Registration(STILL, 0.2, 0.3, 2, (0.0, 0.0, 0.0), 0.1)


@pytest.fixture
def study(tmp_path):
    with course_study(tmp_path / "place", Clock()) as opened:
        yield opened


@pytest.fixture
def course(study):
    return open_course(desk_of(study, "S1"), CODE, shelf=InventedShelf())


@pytest.mark.parametrize("who", ["S1", "L1", "C1"])
def test_surgeon_analyst_and_coordinator_open_it_and_the_log_tells(study, who):
    found = open_course(desk_of(study, who), CODE, shelf=InventedShelf())
    assert [visit.day for visit in found.visits] == list(DAYS)
    assert (who, "course opened", f"repair:{CODE}") in log_of(study)


@pytest.mark.parametrize("who", ["R1", "A1"])
def test_readers_and_adjudicators_are_refused_and_the_log_tells(study, who):
    with pytest.raises(Refused, match="may not open the course"):
        open_course(desk_of(study, who), CODE, shelf=InventedShelf())
    assert (who, "refused", f"person:{who}") in log_of(study)


def test_it_stays_closed_while_first_readings_are_open(tmp_path):
    with course_study(tmp_path / "place", Clock(), grades=False) as study:
        allot(study)
        with pytest.raises(Refused, match="closed while first readings are open"):
            open_course(desk_of(study, "S1"), CODE, shelf=InventedShelf())


def test_a_protocol_may_allow_a_look_before_the_end(tmp_path):
    with course_study(tmp_path / "place", Clock(), grades=False, interim_look="true") as study:
        allot(study)
        found = open_course(desk_of(study, "S1"), CODE, shelf=InventedShelf())
    assert [visit.outcome for visit in found.visits] == [None, None, None]
    assert found.first_retear == FirstRetear(0, None)


def test_a_repair_that_is_not_there_is_named(study):
    with pytest.raises(InvalidInput, match="S999-R"):
        open_course(desk_of(study, "S1"), "S999-R", shelf=InventedShelf())


def test_the_first_retear_lies_between_the_last_healed_and_the_first_torn_scan(course):
    # By hand: healed on day 90, torn on day 181, and read as healed again on day 365.
    assert course.first_retear == FirstRetear(90, 181, (365,))
    assert course.first_retear.words == (
        "First retear after day 90, by day 181. Read as healed again on day 365: "
        "look at those scans again."
    )


def test_grades_and_both_rules_are_told(course):
    # By hand: III is healed by the primary rule (IV-V torn) and torn by the other (III-V).
    assert [visit.grade for visit in course.visits] == ["II", "IV", "III"]
    healed, torn = Healing.HEALED, Healing.RETEAR
    assert [visit.outcome for visit in course.visits] == [healed, torn, healed]
    assert [visit.outcome_sensitivity for visit in course.visits] == [healed, torn, torn]
    assert course.first_retear_sensitivity == FirstRetear(90, 181)


def test_images_that_cannot_be_read_are_told_and_the_rest_is_shown(study):
    shelf = InventedShelf(missing={SCANS[1][0]})
    found = open_course(desk_of(study, "S1"), CODE, shelf=shelf)
    assert [bool(visit.stacks) for visit in found.visits] == [True, False, True]
    assert "cannot be read" in found.visits[1].trouble
    assert "/archive" not in found.visits[1].trouble
    assert found.visits[1].outcome is Healing.RETEAR


def test_what_a_verdict_drew_is_named_by_the_images_that_are_shown(course):
    # The third image of the coronal series, which comes first.
    drawn = course.visits[0].drawn
    assert drawn["tendon thickness"]["images"] == [{"uid": "0.1.3", "frame": 1}]
    assert drawn["sugaya"] == {"value": "II"}


def test_answers_on_images_that_are_not_there_are_left_out(course):
    # The implants name an image of no series of the scan.
    assert "implant positions" in course.visits[0].verdict.answers
    assert "implant positions" not in course.visits[0].drawn


def test_frames_of_one_file_are_told_apart(course):
    # Multi-frame images share a UID (PS3.3 C.7.6.16): frame 3 is the third slice.
    visit = course.visits[0]
    stack = visit.stacks[0]
    count = len(stack.shelved.record.images)
    frames = tuple(f"2.25.99#{number}" for number in range(1, count + 1))
    record = replace(stack.shelved.record, images=frames)
    stack = Stack(stack.shown, replace(stack.shelved, record=record))
    answer = visit.verdict.answers["tendon thickness"] | {
        "images": [{"uid": "2.25.99", "frame": 3}]
    }
    verdict = replace(visit.verdict, answers={"tendon thickness": answer})
    drawn = replace(visit, stacks=(stack,), verdict=verdict).drawn
    assert drawn["tendon thickness"]["images"] == [{"uid": "0.1.3", "frame": 1}]


def test_trends_are_the_verdicts_and_scores_by_day(course):
    trends = {trend.title: trend for trend in trends_of(course)}
    assert [(p.day, p.value, p.is_torn) for p in trends["retraction"].points] == [(181, 13.0, True)]
    assert [(p.day, p.value) for p in trends["width"].points] == [(181, 15.0)]
    assert [(p.day, p.value) for p in trends["thickness"].points] == [(90, 5.0), (365, 5.0)]
    grade = trends["grade"]
    assert [grade.levels[int(p.value)] for p in grade.points] == ["II", "IV", "III"]
    score = trends[course.protocol.score[0].name]
    assert [(p.day, p.value) for p in score.points] == [(92, 40.0), (183, 70.0)]
    assert score.span == (course.protocol.score[0].low, course.protocol.score[0].high)


def test_an_implant_backs_out_along_its_axis(course):
    # By hand: 3 mm along the axis from tip to head; limit half of 4.4 mm.
    first, _, last = course.visits
    (move,) = implant_moves(first, last, LAID, slice_pitch_mm=4.4)
    assert move.along_mm == pytest.approx(MOVED_ALONG_MM)
    assert move.distance_mm == pytest.approx(MOVED_ALONG_MM)
    assert move.is_detectable
    assert move.words == "implant 1: moved 3.0 mm, +3.0 mm along it; residual 0.2 mm"


def test_less_than_half_the_slice_spacing_is_not_detectable(course):
    first, _, last = course.visits
    (move,) = implant_moves(first, last, LAID, slice_pitch_mm=6.6)
    assert not move.is_detectable
    assert move.words == f"implant 1: {NOT_DETECTABLE}, 3.3 mm with the residual; residual 0.2 mm"


def test_an_implant_marked_by_one_point_has_no_axis(course):
    first, _, last = course.visits
    first.verdict.answers["implant positions"]["implants"][0]["points"].pop()
    (move,) = implant_moves(first, last, LAID, slice_pitch_mm=4.4)
    assert move.along_mm is None
    assert move.distance_mm == pytest.approx(MOVED_ALONG_MM)
    assert "axis not marked" in move.words


def test_the_motion_of_the_bone_is_no_motion_of_the_implant(course):
    # The whole shoulder moved by 3 mm, and the registration says so.
    first, _, last = course.visits
    back = RigidTransform.about((0, 0, 0), axis=(0, 0, 1), degrees=0, shift=(0, 0, -MOVED_ALONG_MM))
    laid = Registration(back, 0.2, 0.3, 2, (0.0, 0.0, 0.0), 0.1)
    (move,) = implant_moves(first, last, laid, slice_pitch_mm=4.4)
    assert move.distance_mm == pytest.approx(0, abs=1e-9)
