"""The course window: its model without a window, then a real window with mouse and keys.

Truth is the motion we made between the scans of a phantom, which knows nothing of `imgtrack`.
"""

from __future__ import annotations

import os
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("napari", reason="needs the reading extra")
sys.path.insert(0, str(Path(__file__).parent))

from course_room import MEASURED, known, opened_course, shoulder, top_of_head
from register_scans import STILL

from imgtrack.domain.errors import Fault, Refused
from imgtrack.domain.protocol import Plane
from imgtrack_napari.conversion import to_pane
from imgtrack_napari.course.model import WAITING, CourseModel
from imgtrack_napari.course.words import course_words, visit_words

CORONAL, SAGITTAL = Plane.CORONAL_OBLIQUE, Plane.SAGITTAL_OBLIQUE
has_display = pytest.mark.skipif(not os.environ.get("DISPLAY"), reason="needs a display")


@pytest.fixture(scope="module")
def course(tmp_path_factory):
    study, course = opened_course(tmp_path_factory.mktemp("course") / "place")
    study.close()
    return course


@pytest.fixture
def model(course):
    return CourseModel(course, register=known)


@pytest.fixture
def laid(model):
    for lane in model.to_lay:
        model.laid(lane, model.lay(lane))
    return model


def click_at(model, lane, point):
    """Click a place of the patient on the slice of a lane that is nearest to it."""
    stack = lane.stack(model.plane)
    away = [abs(float(plane.distance([point])[0])) for plane in stack.shelved.planes]
    lane.places[model.plane] = int(np.argmin(away))
    return model.click(lane, to_pane(lane.image(model.plane), list(point)))


# ---------------------------------------------------------------- the model


def test_every_scan_begins_at_the_slice_its_length_was_drawn_on(model):
    assert [lane.place(CORONAL) for lane in model.lanes] == [MEASURED] * 3
    words = [[figure.words for figure in model.figures(lane)] for lane in model.lanes]
    assert words == [["5.0 mm"], ["13.0 mm"], ["5.0 mm"]]
    model.lanes[0].places[CORONAL] += 1
    assert model.figures(model.lanes[0]) == ()


def test_a_click_is_followed_by_the_same_place_of_the_bone(laid):
    first, second, _ = laid.lanes
    assert click_at(laid, first, top_of_head())
    # What the cursor fell on is in the plane of the slice; carried by the motion we made.
    expected = shoulder().truth.inverse.apply([laid.cursor])[0]
    assert laid.cursor_in(second) == pytest.approx(expected, abs=1e-9)
    pitch = second.stack(CORONAL).shown.spacing_mm
    assert abs(float(second.image(CORONAL).plane.distance([expected])[0])) <= pitch / 2
    laid.show_plane(SAGITTAL)
    assert abs(float(second.image(SAGITTAL).plane.distance([expected])[0])) <= pitch / 2


def test_a_click_in_a_follow_up_comes_back_to_the_first_scan(laid):
    first, second, _ = laid.lanes
    there = shoulder().truth.inverse.apply([top_of_head()])[0]
    assert click_at(laid, second, there)
    plane = second.image(CORONAL).plane
    on_slice = there - float(plane.distance([there])[0]) * plane.normal
    assert laid.cursor_in(first) == pytest.approx(shoulder().truth.apply([on_slice])[0])
    assert laid.cursor_in(second) == pytest.approx(on_slice)


def test_scrolling_takes_the_laid_scans_along(laid):
    first, second, _ = laid.lanes
    click_at(laid, first, top_of_head())
    before = second.place(CORONAL)
    for _ in range(3):
        assert laid.scroll(first, 1)
    assert abs(second.place(CORONAL) - before) in {2, 3, 4}
    assert not laid.scroll(first, 99)


def test_what_is_not_laid_is_not_linked(model):
    first, second, _ = model.lanes
    assert model.status(second) == WAITING
    place = second.place(CORONAL)
    assert click_at(model, first, top_of_head())
    assert model.cursor_in(second) is None
    assert second.place(CORONAL) == place
    assert not click_at(model, second, top_of_head())
    assert not model.may_blink(second)


def test_a_failed_registration_is_told_and_links_nothing(model):
    lane = model.lanes[1]
    model.laid(lane, Refused(Fault("laying the scans on each other failed")))
    assert model.status(lane) == "shown as it is: laying the scans on each other failed"
    assert model.laid_pixels(lane) is None
    assert model.moves(lane) == ()


def test_the_follow_up_laid_on_the_first_scan_is_like_it(laid):
    # Against the same pixels without the motion; the tendon tore, so that it cannot be equal.
    first, second, _ = laid.lanes
    mine = first.pixels(first.stack(CORONAL)).values
    seen = laid.laid_pixels(second).values
    second.registration = replace(second.registration, to_first=STILL)
    unmoved = laid.laid_pixels(second).values
    centre = first.image(CORONAL).plane.to_pixels([shoulder().centre])[0].astype(int)
    around = (MEASURED, *(slice(place - 30, place + 30) for place in centre))
    laid_like, unlike = (
        np.corrcoef(mine[around].ravel(), other[around].ravel())[0, 1] for other in (seen, unmoved)
    )
    assert laid_like > unlike + 0.2
    assert seen.shape == mine.shape


def test_a_residual_stands_beside_every_laid_scan(laid):
    assert "residual 0.12 mm" in laid.status(laid.lanes[1])
    assert "first scan after surgery" in laid.status(laid.lanes[0])
    (move,) = laid.moves(laid.lanes[1])
    assert "residual 0.1 mm" in move.words


def test_a_course_without_scans_after_surgery_lays_nothing(course):
    before = tuple(replace(visit, day=-5) for visit in course.visits)
    model = CourseModel(replace(course, visits=before), register=known)
    assert model.first is None
    with pytest.raises(Refused, match="no scan after surgery"):
        model.lay(model.lanes[0])


def test_words_tell_outcome_with_a_sign_and_the_rule(course):
    assert [visit_words(visit) for visit in course.visits] == [
        "3 months, day 90: ✓ healed",
        "6 months, day 181: ≠ retear",
        "12 months, day 365: ✓ healed",
    ]
    heading, rule = course_words(course)
    assert "First retear after day 90, by day 181." in heading
    assert "Sugaya IV-V" in rule


# ---------------------------------------------------------------- the window


@pytest.fixture
def window(course):
    from napari.qt import get_qapp

    from imgtrack_napari.course.window import CourseWindow

    app = get_qapp()
    opened = CourseWindow(CourseModel(course, register=known))
    opened.resize(1500, 950)
    opened.show()
    opened.start_laying()
    until(app, lambda: all(lane.registration for lane in opened.model.to_lay))
    yield opened
    opened.close()
    opened.deleteLater()
    app.processEvents()


def until(app, done, seconds=20.0):
    end = time.monotonic() + seconds
    while not done():
        app.processEvents()
        assert time.monotonic() < end, "waited too long"
        time.sleep(0.01)


def app_of():
    from napari.qt import get_qapp

    return get_qapp()


@pytest.mark.gui
@pytest.mark.filterwarnings("ignore::DeprecationWarning")
@has_display
def test_a_day_at_the_course_window(window):
    """Click, wheel, plane, blink and measurements, by mouse and keys."""
    from qtpy.QtCore import QPoint, QPointF, Qt
    from qtpy.QtGui import QWheelEvent
    from qtpy.QtTest import QTest

    app, model = app_of(), window.model
    first, second, _ = window.views
    shows_line(app, first)

    at = first.canvas.screen_point(to_pane(first.image, top_of_head().tolist())).toPoint()
    QTest.mouseClick(first.sheet, Qt.MouseButton.LeftButton, pos=at)
    expected = shoulder().truth.inverse.apply([model.cursor])[0]
    assert model.cursor_in(second.lane) == pytest.approx(expected)

    place = first.lane.place(CORONAL)
    wheel = QWheelEvent(
        QPointF(at),
        QPointF(first.sheet.mapToGlobal(at)),
        QPoint(),
        QPoint(0, -120),
        Qt.MouseButton.NoButton,
        Qt.KeyboardModifier.NoModifier,
        Qt.ScrollPhase.NoScrollPhase,
        False,
    )
    app.sendEvent(first.sheet, wheel)
    assert first.lane.place(CORONAL) == place + 1

    QTest.mouseClick(second.button, Qt.MouseButton.LeftButton)
    assert model.blinking is second.lane
    until(app, lambda: first.is_turned)
    until(app, lambda: not first.is_turned)
    QTest.mouseClick(second.button, Qt.MouseButton.LeftButton)
    assert model.blinking is None
    assert not window.clock.isActive()

    window.activateWindow()
    until(app, window.isActiveWindow)
    QTest.keyClick(window, Qt.Key.Key_2)
    until(app, lambda: model.plane is SAGITTAL)
    assert window.plane_buttons[SAGITTAL].isChecked()
    QTest.keyClick(window, Qt.Key.Key_H)
    until(app, lambda: not model.shows_drawing)


def shows_line(app, view):
    """The line is painted where it was drawn: in its colour, between its two points."""
    from qtpy.QtGui import QColor

    from imgtrack_napari.look import DRAWN

    (figure,) = view.model.figures(view.lane)
    ends = [view.canvas.screen_point(to_pane(view.image, point)) for point in figure.points]
    middle = (ends[0] + ends[1]) / 2
    until(app, view.sheet.isVisible)
    picture = view.sheet.grab().toImage()
    scale = picture.width() / view.sheet.width()
    colour = QColor(picture.pixel(int(middle.x() * scale), int(middle.y() * scale)))
    wanted = QColor(DRAWN)
    off = [
        abs(getattr(colour, part)() - getattr(wanted, part)()) for part in ("red", "green", "blue")
    ]
    assert max(off) < 60


@pytest.mark.gui
@pytest.mark.filterwarnings("ignore::DeprecationWarning")
@has_display
def test_the_window_names_no_patient_and_shows_the_caution(window):
    from qtpy.QtWidgets import QLabel

    from imgtrack.domain.cautions import CAUTION

    words = [label.text() for label in window.findChildren(QLabel)]
    assert CAUTION in words
    assert window.windowTitle() == "imgtrack: course of S001-R"
