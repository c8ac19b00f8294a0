"""The course window without a window: its model, its words, laying, blinking and grey windows.

Truth is the motion we made between the scans of a phantom, which knows nothing of `imgtrack`.
"""

from __future__ import annotations

import sys
import threading
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("napari", reason="needs the reading extra")
sys.path.insert(0, str(Path(__file__).parent))

from course_room import (
    FAILED,
    MEASURED,
    KnownOnce,
    known,
    opened_course,
    shoulder,
    top_of_head,
    without_images,
)
from register_scans import STILL

from imgtrack.domain.errors import Refused
from imgtrack.domain.imaging import Stage
from imgtrack.domain.protocol import Plane, Weighting
from imgtrack_napari.conversion import to_pane
from imgtrack_napari.course import words
from imgtrack_napari.course.blink import Blink
from imgtrack_napari.course.grey import CourseGreys
from imgtrack_napari.course.laying import Laying, moves_of
from imgtrack_napari.course.model import CourseModel

CORONAL, SAGITTAL = Plane.CORONAL_OBLIQUE, Plane.SAGITTAL_OBLIQUE


@pytest.fixture(scope="module")
def course(tmp_path_factory):
    study, course = opened_course(tmp_path_factory.mktemp("course") / "place")
    study.close()
    return course


@pytest.fixture
def model(course):
    return CourseModel(course)


@pytest.fixture
def laid(model):
    lay_all(model, known)
    return model


def lay_all(model, register):
    """Lay the scans in the thread, as the window does, and take what was found."""
    laying = Laying(model, register=register)
    laying.start()
    take(laying, lambda: laying.is_done)
    return laying


def take(laying, done, seconds=20.0):
    """Take what laying finds until something is so."""
    end = time.monotonic() + seconds
    while not done():
        laying.take()
        assert time.monotonic() < end, "waited too long"
        time.sleep(0.002)


def click_at(model, lane, point, plane=CORONAL):
    """Click a place of the patient on the slice of a lane that is nearest to it."""
    lane.go_near(lane.stack(plane), list(point))
    return model.click(lane, plane, to_pane(lane.image(plane), list(point)))


def place_of(lane, plane=CORONAL):
    return lane.place_in(lane.stack(plane))


# ---------------------------------------------------------------- slices and cursor


def test_every_scan_begins_at_the_slice_its_length_was_drawn_on(model):
    assert [place_of(lane) for lane in model.lanes] == [MEASURED] * 3
    said = [[figure.words for figure in model.figures(lane, CORONAL)] for lane in model.lanes]
    assert said == [["5.0 mm"], ["13.0 mm"], ["5.0 mm"]]
    model.scroll(model.lanes[0], CORONAL, 1)
    assert model.figures(model.lanes[0], CORONAL) == ()
    model.show_measured()
    assert len(model.figures(model.lanes[0], CORONAL)) == 1
    model.shows_drawing = False
    assert model.figures(model.lanes[0], CORONAL) == ()


def test_a_click_is_followed_by_the_same_place_of_the_bone(laid):
    first, second, _ = laid.lanes
    assert click_at(laid, first, top_of_head())
    # What the cursor fell on is in the plane of the slice; carried by the motion we made.
    expected = shoulder().truth.inverse.apply([laid.cursor])[0]
    assert laid.cursor_in(second) == pytest.approx(expected, abs=1e-9)
    for plane in (CORONAL, SAGITTAL):
        pitch = second.stack(plane).shown.spacing_mm
        assert abs(float(second.image(plane).plane.distance([expected])[0])) <= pitch / 2
        assert second.beside(plane, expected) == 0


def test_a_click_in_a_follow_up_comes_back_to_the_first_scan(laid):
    first, second, _ = laid.lanes
    there = shoulder().truth.inverse.apply([top_of_head()])[0]
    assert click_at(laid, second, there)
    plane = second.image(CORONAL).plane
    on_slice = there - float(plane.distance([there])[0]) * plane.normal
    assert laid.cursor_in(first) == pytest.approx(shoulder().truth.apply([on_slice])[0])
    assert laid.cursor_in(second) == pytest.approx(on_slice)


def test_a_click_beside_the_image_changes_nothing(laid):
    assert not laid.click(laid.lanes[0], CORONAL, (-50.0, -50.0))
    assert laid.cursor is None


def test_a_place_outside_the_slices_is_told_with_its_distance(laid):
    first = laid.lanes[0]
    images = first.stack(CORONAL).shown.images
    end, inward = images[0].plane, images[1].plane.origin
    outward = -np.sign(float(end.distance([inward])[0])) * end.normal
    point = end.corners.mean(axis=0) + 20 * outward
    first.go_near(first.stack(CORONAL), point)
    assert place_of(first) == 0
    assert first.beside(CORONAL, point) == pytest.approx(20)


def middle_of(lane):
    return lane.image(CORONAL).plane.corners.mean(axis=0)


def test_scrolling_takes_the_laid_scans_along(laid):
    first, second, _ = laid.lanes
    click_at(laid, first, top_of_head())
    before = place_of(second)
    for _ in range(3):
        assert laid.scroll(first, CORONAL, 1)
    assert abs(place_of(second) - before) in {2, 3, 4}
    assert not laid.scroll(first, CORONAL, 99)


def test_scrolling_without_a_cursor_moves_this_plane_alone(laid):
    first, second, _ = laid.lanes
    before, beside = place_of(second), place_of(second, SAGITTAL)
    for _ in range(3):
        laid.scroll(first, CORONAL, -1)
    assert laid.cursor is None
    assert place_of(second) != before
    assert place_of(second, SAGITTAL) == beside


def test_what_is_not_laid_is_usable_by_itself(model):
    first, second, _ = model.lanes
    place = place_of(second)
    assert click_at(model, first, top_of_head())
    assert model.cursor_in(second) is None
    assert place_of(second) == place
    # A click there is followed by its own other plane, and by no other scan.
    point = middle_of(second) + np.array([0, 0, 10])
    assert click_at(model, second, point)
    assert model.cursor_in(second) is not None
    assert second.beside(SAGITTAL, model.cursor_in(second)) == 0
    assert model.cursor_in(first) == pytest.approx(model.cursor)
    assert not Blink(model).may(second)


def test_a_scan_that_becomes_laid_goes_where_the_cursor_is(model):
    first, second, _ = model.lanes
    click_at(model, second, middle_of(second))
    click_at(model, first, top_of_head())
    lay_all(model, known)
    expected = shoulder().truth.inverse.apply([model.cursor])[0]
    assert model.cursor_in(second) == pytest.approx(expected)
    assert second.beside(CORONAL, expected) == 0


# ---------------------------------------------------------------- series and weightings


def test_fluid_bright_series_are_shown_first_and_another_weighting_where_there_is_one(model):
    first, second, third = model.lanes
    assert model.weightings[SAGITTAL] is Weighting.PD_FAT_SUPPRESSED
    assert model.next_weighting(SAGITTAL)
    assert model.weightings[SAGITTAL] is Weighting.T1
    assert first.stack(SAGITTAL).shown.weighting is Weighting.T1
    assert third.stack(SAGITTAL).shown.weighting is Weighting.T1
    assert second.stack(SAGITTAL) is None
    assert words.missing_words(model, second, SAGITTAL).startswith("no T1 series of this plane")
    assert words.missing_words(model, second, Plane.AXIAL) == "no axial series in this scan"
    assert not model.next_weighting(CORONAL)


def test_another_fluid_bright_weighting_stands_in_but_is_named(course):
    visit = course.visits[1]
    stack = visit.stacks[0]
    other = replace(stack, shown=replace(stack.shown, weighting=Weighting.STIR))
    visits = (course.visits[0], replace(visit, stacks=(other,)), course.visits[2])
    lane = CourseModel(replace(course, visits=visits)).lanes[1]
    assert words.series_words(lane.stack(CORONAL), CORONAL) == "STIR"


def test_another_series_stays_at_the_same_place_of_the_patient(model):
    first = model.lanes[0]
    model.scroll(first, SAGITTAL, 2)
    place = place_of(first, SAGITTAL)
    assert model.next_series(first, SAGITTAL, 1)
    assert first.stack(SAGITTAL).shown.weighting is Weighting.T1
    assert place_of(first, SAGITTAL) == place
    assert model.lanes[2].stack(SAGITTAL).shown.weighting is Weighting.PD_FAT_SUPPRESSED
    assert not model.next_series(first, CORONAL, 1)


def test_a_series_of_another_plane_may_be_shown_and_is_named(laid):
    first = laid.lanes[0]
    click_at(laid, first, top_of_head())
    laid.choose(first, CORONAL, first.visit.stacks[1])
    assert words.series_words(first.stack(CORONAL), CORONAL) == "sagittal oblique PD fat suppressed"
    assert first.beside(CORONAL, laid.cursor_in(first)) == 0


# ---------------------------------------------------------------- laying


def test_a_failed_registration_is_told_and_the_scan_stays_usable(model):
    laying = lay_all(model, KnownOnce())
    _, second, third = model.lanes
    assert words.lane_words(model, third) == f"not linked, shown as it is: {FAILED}"
    assert words.laying_words(laying) == "1 of 2 scans are laid on the first one"
    blink = Blink(model)
    assert blink.slice(third, CORONAL) is None
    assert not blink.may(third)
    assert blink.may(second)
    assert moves_of(model, third) == ()
    assert model.scroll(third, CORONAL, 1)


def test_progress_is_told_lane_by_lane(model):
    begun, go_on = threading.Event(), threading.Event()

    def slow(*pairs, **how):
        begun.set()
        go_on.wait(20)
        return known(*pairs, **how)

    laying = Laying(model, register=slow)
    assert words.lane_words(model, model.lanes[1]) == "waits to be laid"
    laying.start()
    assert begun.wait(20)
    assert laying.take()
    assert words.lane_words(model, model.lanes[1]) == "being laid on the first scan …"
    assert words.lane_words(model, model.lanes[2]) == "waits to be laid"
    assert words.laying_words(laying) == "Laying the scans on the first one: 0 of 2 done"
    laying.stop()
    go_on.set()
    take(laying, lambda: laying.done == 1)
    assert words.lane_words(model, model.lanes[2]) == "waits to be laid"


def test_closing_ends_a_search_in_the_middle(model):
    ended = threading.Event()

    def endless(*_pairs, watch, **_near):
        try:
            while True:
                watch()
        finally:
            ended.set()

    laying = Laying(model, register=endless)
    laying.start()
    laying.stop()
    assert ended.wait(20)


def test_a_course_without_scans_after_surgery_lays_nothing(course):
    before = tuple(replace(visit, day=-5) for visit in course.visits)
    model = CourseModel(replace(course, visits=before))
    assert model.first is None
    assert words.lane_words(model, model.lanes[0]) == "not linked: there is no scan after surgery"
    laying = Laying(model, register=known)
    assert laying.is_done
    assert words.laying_words(laying) == ""
    with pytest.raises(Refused, match="no scan after surgery"):
        Laying(model, register=known).lay(model.lanes[0])


def test_a_residual_stands_beside_every_laid_scan(laid):
    assert "residual 0.12 mm and 0.15 degrees" in words.lane_words(laid, laid.lanes[1])
    assert "first scan after surgery" in words.lane_words(laid, laid.lanes[0])
    (move,) = moves_of(laid, laid.lanes[1])
    assert move.words.startswith("implant 1: ")


# ---------------------------------------------------------------- blinking and grey windows


def test_the_follow_up_laid_on_the_first_scan_is_like_it(laid):
    # Against the same pixels without the motion; the tendon tore, so that it cannot be equal.
    first, second, _ = laid.lanes
    mine = first.pixels(first.stack(CORONAL)).values[MEASURED]
    seen = Blink(laid).slice(second, CORONAL).values[0]
    second.registration = replace(second.registration, to_first=STILL)
    unmoved = Blink(laid).slice(second, CORONAL).values[0]
    centre = first.image(CORONAL).plane.to_pixels([shoulder().centre])[0].astype(int)
    around = tuple(slice(place - 30, place + 30) for place in centre)
    laid_like, unlike = (
        np.corrcoef(mine[around].ravel(), other[around].ravel())[0, 1] for other in (seen, unmoved)
    )
    assert laid_like > unlike + 0.2
    assert seen.shape == mine.shape


def test_a_laid_slice_is_computed_once(laid):
    blink = Blink(laid)
    assert blink.slice(laid.lanes[1], CORONAL) is blink.slice(laid.lanes[1], CORONAL)


def test_grey_windows_are_alike_as_shares_of_what_the_data_suggest(model):
    greys = CourseGreys()
    first, second, _ = model.lanes
    mine, theirs = first.stack(CORONAL), second.stack(CORONAL)
    greys.change(first, mine, brighter=0.1, wider=2.0)
    for lane, stack in ((first, mine), (second, theirs)):
        wanted, now = greys.suggested(lane, stack), greys.window(lane, stack)
        span = wanted.high - wanted.low
        # By hand: moved down by a tenth of the span, then half a span wider on either side.
        assert now.low == pytest.approx(wanted.low - 0.6 * span)
        assert now.high == pytest.approx(wanted.high + 0.4 * span)
    t1 = first.visit.stacks[2]
    assert greys.window(first, t1) == greys.suggested(first, t1)
    greys.again(first, mine)
    assert greys.window(second, theirs) == greys.suggested(second, theirs)


def test_grey_windows_of_each_alone_begin_with_what_all_had(model):
    greys = CourseGreys()
    first, second, _ = model.lanes
    mine, theirs = first.stack(CORONAL), second.stack(CORONAL)
    greys.change(first, mine, brighter=0.1)
    shared = greys.window(first, mine), greys.window(second, theirs)
    greys.are_alike = False
    assert (greys.window(first, mine), greys.window(second, theirs)) == shared
    greys.change(first, mine, brighter=0.1)
    assert greys.window(second, theirs) == shared[1]
    assert greys.window(first, mine).low < shared[0].low
    greys.again(first, mine)
    assert greys.window(first, mine) == shared[0]


# ---------------------------------------------------------------- words


def test_words_tell_outcome_with_a_sign_and_the_rule(course):
    assert [words.visit_words(visit) for visit in course.visits] == [
        "3 months, day 90: ✓ healed (II)",
        "6 months, day 181: ≠ retear (IV)",
        "12 months, day 365: ✓ healed (III)",
    ]
    heading, rule = words.course_words(course)
    assert "First retear after day 90, by day 181. Read as healed again on day 365" in heading
    assert rule.startswith("Rule: retear = Sugaya IV-V, healed = I-III. Sensitivity rule, retear =")
    # Type III is a retear by the other rule, so that nothing was read as healed again.
    assert "healed = I-II: First retear after day 90, by day 181. In the plots" in rule


def test_what_the_sensitivity_rule_changes_is_told_at_the_scan(course):
    told = [words.sensitivity_words(visit) for visit in course.visits]
    assert told == ["", "", "by the sensitivity rule: ≠ retear"]


def test_words_of_scans_without_an_outcome(course):
    visit = replace(course.visits[0], outcome=None)
    assert words.visit_words(visit) == "3 months, day 90: not assessable"
    assert words.visit_words(replace(visit, day=-9)) == "3 months, day -9"
    unread = replace(visit, verdict=None)
    assert words.visit_words(unread) == "3 months, day 90: no verdict on record"
    waiting = replace(unread, scan=replace(unread.scan, stage=Stage.SCAN_IN))
    assert words.visit_words(waiting) == "3 months, day 90: scan in, no verdict yet"


def test_timepoints_without_a_scan_are_told(course):
    # The protocol wants MR before surgery and at 3, 6, 12 and 24 months.
    assert words.without_scan(course) == ("before surgery", "24 months")
    fewer = replace(course, visits=course.visits[1:])
    told = words.course_words(fewer)[1]
    assert told.endswith("No MR scan at: before surgery, 3 months, 24 months.")


def test_a_scan_without_images_is_a_lane_without_pictures(course):
    model = CourseModel(without_images(course, 1))
    assert model.lanes[1] not in Laying(model, register=known).lanes
    assert words.lane_words(model, model.lanes[1]) == ""
    assert not model.scroll(model.lanes[1], CORONAL, 1)
    assert model.figures(model.lanes[1], CORONAL) == ()
