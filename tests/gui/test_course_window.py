"""Journeys through the course window with a real mouse and real keys, on what is seen.

Truth is the motion we made between the scans of a phantom, which knows nothing of `imgtrack`.
"""

from __future__ import annotations

import os
import sys
import threading
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("napari", reason="needs the reading extra")
sys.path.insert(0, str(Path(__file__).parent))

from course_hands import (
    LEFT,
    MIDDLE,
    RIGHT,
    brightness,
    click,
    drag,
    has_colour,
    pictures,
    place_on,
    press,
    turn_wheel,
)
from course_room import (
    FAILED,
    MEASURED,
    KnownOnce,
    known,
    opened_course,
    shoulder,
    top_of_head,
    until,
    without_images,
)
from qtpy.QtCore import QPoint, QPointF, Qt
from qtpy.QtTest import QTest
from qtpy.QtWidgets import QApplication, QLabel, QPushButton, QToolButton

from imgtrack.domain.cautions import CAUTION
from imgtrack.domain.protocol import Plane, Weighting
from imgtrack_napari.course.keys import KEYS, Act
from imgtrack_napari.course.model import CourseModel
from imgtrack_napari.look import CROSSING, DRAWN

CORONAL, SAGITTAL = Plane.CORONAL_OBLIQUE, Plane.SAGITTAL_OBLIQUE

pytestmark = [
    pytest.mark.gui,
    pytest.mark.filterwarnings("ignore::DeprecationWarning"),
    pytest.mark.skipif(not os.environ.get("DISPLAY"), reason="needs a display"),
]


@pytest.fixture(scope="module")
def course(tmp_path_factory):
    study, course = opened_course(tmp_path_factory.mktemp("course") / "place")
    study.close()
    return course


@pytest.fixture(scope="module")
def opened():
    """Open windows on courses, wait until all is laid, and close them in the end."""
    from napari.qt import get_qapp

    from imgtrack_napari.course.window import CourseWindow

    app, windows = get_qapp(), []

    def open_window(course, register=known, meanwhile=None):
        window = CourseWindow(CourseModel(course), register=register)
        windows.append(window)
        window.resize(1500, 950)
        window.show()
        app.processEvents()
        window.begin()
        if meanwhile is not None:
            meanwhile(window)
        until(app, lambda: window.laying.is_done and not window.asking.isActive())
        window.activateWindow()
        until(app, window.isActiveWindow)
        return window

    yield open_window
    for window in windows:
        window.close()
        window.deleteLater()
    app.processEvents()


@pytest.fixture(scope="module")
def only_window(opened, course):
    return opened(course)


@pytest.fixture
def window(only_window):
    """Put the one window back to how it opened: to open one takes seconds."""
    window, model = only_window, only_window.model
    if model.blinking is not None:
        window.acts.blink(model.blinking)
    model.is_alone, model.shows_drawing = False, True
    window.zooms_alike = window.greys.are_alike = True
    for lane in model.lanes:
        for stack in lane.visit.stacks:
            window.greys.again(lane, stack)
    for plane in model.planes:
        model.show_weighting(plane, Weighting.PD_FAT_SUPPRESSED)
    model.show_rows((CORONAL,))
    model.mark(model.first, CORONAL)
    model.show_measured()
    window.refresh()
    QApplication.processEvents()
    press(window, Qt.Key.Key_Z)
    return window


# ---------------------------------------------------------------- journeys


def test_a_click_is_seen_at_the_same_place_of_the_bone_in_the_other_scans(window):
    model = window.model
    first, second, third = pictures(window)
    QTest.mouseClick(first.sheet, LEFT, pos=place_on(first, top_of_head()))
    # The same place, by the motion we made; the cross there has an open middle, so look at an arm.
    expected = shoulder().truth.inverse.apply([model.cursor])[0]
    for picture in (second, third):
        assert model.cursor_in(picture.lane) == pytest.approx(expected)
        arm = place_on(picture, expected) + QPoint(8, 0)
        assert has_colour(picture, arm, CROSSING, around=3)
        pitch = picture.lane.stack(CORONAL).shown.spacing_mm
        assert abs(float(picture.image.plane.distance([expected])[0])) <= pitch / 2

    place = first.lane.place_in(first.lane.stack(CORONAL))
    turn_wheel(first, place_on(first, top_of_head()), -1)
    assert first.lane.place_in(first.lane.stack(CORONAL)) == place + 1
    turn_wheel(first, place_on(first, top_of_head()), -0.5)  # a touchpad sends parts of a notch
    assert first.lane.place_in(first.lane.stack(CORONAL)) == place + 1
    turn_wheel(first, place_on(first, top_of_head()), -0.5)
    assert first.lane.place_in(first.lane.stack(CORONAL)) == place + 2
    press(window, Qt.Key.Key_Up)
    press(window, Qt.Key.Key_Up)
    press(window, Qt.Key.Key_PageUp)
    assert first.lane.place_in(first.lane.stack(CORONAL)) == place - 1
    carried = shoulder().truth.inverse.apply([model.cursor])[0]
    assert abs(float(second.image.plane.distance([carried])[0])) <= pitch / 2


def test_planes_weightings_and_series_by_keys(window):
    model = window.model
    first, second, _ = model.lanes
    press(window, Qt.Key.Key_4)
    assert model.rows == (CORONAL, SAGITTAL)
    assert [len(view.shown) for view in window.views] == [2, 2, 2]
    assert pictures(window, 1)[0].sheet.isVisible()
    press(window, Qt.Key.Key_Tab)
    assert model.plane is SAGITTAL
    press(window, Qt.Key.Key_2)
    assert model.rows == (SAGITTAL,)
    assert not window.views[0].pictures[CORONAL].isVisible()

    press(window, Qt.Key.Key_W)
    assert first.stack(SAGITTAL).shown.weighting is Weighting.T1
    assert pictures(window)[0].chooser.text() == "T1"
    assert second.stack(SAGITTAL) is None
    assert pictures(window)[1].chooser.text() == "no series"
    press(window, Qt.Key.Key_Right)
    press(window, Qt.Key.Key_S)
    assert pictures(window)[1].chooser.text() == "PD fat suppressed"
    press(window, Qt.Key.Key_S)
    assert window.told.text() == "This scan has no other series of this plane."
    press(window, Qt.Key.Key_1)
    press(window, Qt.Key.Key_W)
    assert window.told.text() == "The scans have no other weighting in this plane."


def test_a_series_is_chosen_from_the_menu_of_its_picture(window):
    (first, *_), app = pictures(window), QApplication.instance()
    menu = first.chooser.menu()
    assert [act.text() for act in menu.actions()] == [
        "PD fat suppressed",
        "sagittal oblique PD fat suppressed",
        "sagittal oblique T1",
    ]
    menu.popup(first.chooser.mapToGlobal(QPoint(0, 20)))
    until(app, menu.isVisible)
    QTest.mouseClick(menu, LEFT, pos=menu.actionGeometry(menu.actions()[2]).center())
    until(app, lambda: first.chooser.text() == "sagittal oblique T1")
    assert first.lane.stack(CORONAL).shown.weighting is Weighting.T1


def test_the_grey_window_by_mouse_and_keys_in_all_scans_or_one(window):
    first, second, _ = pictures(window)
    begin, other = brightness(window, first), brightness(window, second)
    for _ in range(5):
        press(window, Qt.Key.Key_Plus)
    assert brightness(window, first) > begin + 4
    assert brightness(window, second) > other + 4
    press(window, Qt.Key.Key_B)
    assert brightness(window, first) == pytest.approx(begin, abs=1.5)

    click(window.bar.buttons[Act.GREY_ALIKE])
    middle = second.sheet.rect().center()
    drag(second, RIGHT, middle, middle - QPoint(0, 80))
    assert brightness(window, second) > other + 4
    assert brightness(window, first) == pytest.approx(begin, abs=1.5)
    press(window, Qt.Key.Key_B)
    assert brightness(window, second) == pytest.approx(other, abs=1.5)

    press(window, Qt.Key.Key_G)
    wide = window.greys.window(first.lane, first.lane.stack(CORONAL))
    press(window, Qt.Key.Key_BracketRight)
    narrow = window.greys.window(first.lane, first.lane.stack(CORONAL))
    assert narrow.high - narrow.low < wide.high - wide.low
    press(window, Qt.Key.Key_BracketLeft)
    press(window, Qt.Key.Key_Minus)
    darker = window.greys.window(second.lane, second.lane.stack(CORONAL))
    assert darker.low > window.greys.suggested(second.lane, second.lane.stack(CORONAL)).low


def test_blinking_shows_the_laid_scan_in_the_first_ones_place(window):
    model, app = window.model, QApplication.instance()
    first, second, _ = pictures(window)
    press(window, Qt.Key.Key_C)
    assert "mark the one that is to blink" in window.told.text()
    press(window, Qt.Key.Key_Right)
    press(window, Qt.Key.Key_C)
    assert model.blinking is second.lane
    until(app, lambda: first.is_turned)
    assert first.slice_words == "6 months, laid on this slice"
    # What is shown is the second scan where the first one's slice lies, by the motion we made.
    seen = first.other.shown
    places = shoulder().truth.inverse.apply(
        first.image.plane.to_patient(np.indices(first.image.plane.shape).reshape(2, -1).T)
    )
    expected = second.lane.volume(second.lane.stack(CORONAL)).at(places)
    inside = np.isfinite(expected)
    assert seen.ravel()[inside] == pytest.approx(expected[inside], rel=1e-4)
    until(app, lambda: not first.is_turned)

    press(window, Qt.Key.Key_T)
    assert first.is_turned
    assert not window.clock.isActive()
    QTest.mouseClick(second.sheet, LEFT, pos=second.sheet.rect().center())
    press(window, Qt.Key.Key_Down)
    assert model.blinking is second.lane
    click(window.views[1].button)
    assert model.blinking is None
    assert not first.is_turned
    press(window, Qt.Key.Key_T)
    assert window.told.text() == "Nothing blinks: C begins."


def test_a_picture_out_of_sight_does_not_keep_the_blinking_scan(window):
    first, app = pictures(window)[0], QApplication.instance()
    press(window, Qt.Key.Key_Right)
    press(window, Qt.Key.Key_C)
    until(app, lambda: first.is_turned)
    press(window, Qt.Key.Key_2)
    press(window, Qt.Key.Key_C)
    press(window, Qt.Key.Key_1)
    assert first.sheet.isVisible()
    assert not first.is_turned
    assert first.slice_words == "slice 8 of 15"


def test_measurements_are_painted_where_they_were_drawn_with_words_that_cover_nothing(window):
    app = QApplication.instance()
    for picture in pictures(window):
        (figure,) = window.model.figures(picture.lane, CORONAL)
        begin, end = (QPointF(place_on(picture, point)) for point in figure.points)
        assert has_colour(picture, ((begin + end) / 2).toPoint(), DRAWN, around=1)
        (box,) = picture.sheet.labels
        assert box[0] > 0
        assert box[2] < picture.sheet.width()
        assert not box[0] <= end.x() <= box[2] or not box[1] <= end.y() <= box[3]
    first = pictures(window)[0]
    middle = ((begin + end) / 2).toPoint()
    press(window, Qt.Key.Key_X)
    assert not has_colour(pictures(window)[2], middle, DRAWN, around=1)
    press(window, Qt.Key.Key_X)
    press(window, Qt.Key.Key_Down)
    assert window.model.figures(first.lane, CORONAL) == ()
    press(window, Qt.Key.Key_V)
    until(app, lambda: first.lane.place_in(first.lane.stack(CORONAL)) == MEASURED)
    assert len(first.sheet.labels) <= 1


def test_zoom_and_moving_alike_or_alone(window):
    first, second, _ = pictures(window)
    at = first.sheet.rect().center() + QPoint(30, 20)
    under = first.canvas.pane_point(QPointF(at))
    zoom = first.canvas.zoom, second.canvas.zoom
    turn_wheel(first, at, 1, Qt.KeyboardModifier.ControlModifier)
    # Zooming keeps what is under the pointer there.
    assert first.canvas.pane_point(QPointF(at)) == pytest.approx(under)
    assert first.canvas.zoom / zoom[0] == pytest.approx(1.2)
    assert second.canvas.zoom / zoom[1] == pytest.approx(1.2)
    drag(first, MIDDLE, at, at + QPoint(20, 0))
    assert first.canvas.pane_point(QPointF(at + QPoint(20, 0))) == pytest.approx(under)

    press(window, Qt.Key.Key_L)
    press(window, Qt.Key.Key_Plus, Qt.KeyboardModifier.ControlModifier)
    assert first.canvas.zoom / zoom[0] == pytest.approx(1.44)
    assert second.canvas.zoom / zoom[1] == pytest.approx(1.2)
    press(window, Qt.Key.Key_Z)
    assert (first.canvas.zoom, second.canvas.zoom) == pytest.approx(zoom)


def test_two_scans_alone_the_plots_the_look_and_the_help(window):
    app = QApplication.instance()
    press(window, Qt.Key.Key_Left)
    assert window.model.lane is window.model.lanes[2]
    press(window, Qt.Key.Key_Space)
    assert [view.isVisible() for view in window.views] == [True, False, True]
    press(window, Qt.Key.Key_Space)
    assert all(view.isVisible() for view in window.views)

    assert window.plots.isVisible()
    press(window, Qt.Key.Key_P)
    assert not window.plots.isVisible()
    press(window, Qt.Key.Key_P)
    ground = window.grab().toImage().pixelColor(3, 3).lightness()
    press(window, Qt.Key.Key_F8)
    assert window.grab().toImage().pixelColor(3, 3).lightness() > ground + 100
    assert window.plots.isVisible()
    press(window, Qt.Key.Key_F8)

    press(window, Qt.Key.Key_F1)
    until(app, window.help.isVisible)
    said = window.help.text.toPlainText()
    assert CAUTION in said
    for key in KEYS:
        assert key.words in said
        assert key.shown in said
    window.help.activateWindow()
    until(app, window.help.isActiveWindow)
    QTest.keyClick(window.help, Qt.Key.Key_Escape)
    until(app, lambda: not window.help.isVisible())
    window.activateWindow()
    until(app, window.isActiveWindow)


def test_the_plots_tell_every_value_in_words_too(window):
    told = window.plots.accessibleName()
    assert "retraction (mm): day 181: 13.0, retear" in told
    assert "thickness (mm): day 90: 5.0, day 365: 5.0" in told
    assert "First retear after day 90, by day 181." in told
    titles = [axes.get_title() for axes in window.plots.figure.axes]
    assert titles[:3] == ["retraction (mm)", "width (mm)", "thickness (mm)"]
    hatched = [patch for axes in window.plots.figure.axes for patch in axes.patches]
    # matplotlib's axvspan: from the last healed to the first torn scan, by hand 90 and 181.
    assert {(patch.get_x(), patch.get_x() + patch.get_width()) for patch in hatched} == {(90, 181)}


def test_a_scan_that_could_not_be_laid_is_told_and_stays_usable(opened, course):
    go_on, register = threading.Event(), KnownOnce()

    def waiting(*pairs, **how):
        go_on.wait(60)
        return register(*pairs, **how)

    def look_about(window):
        """Use the window while the first scan is being laid."""
        until(QApplication.instance(), lambda: "being laid" in window.views[1].status.text())
        assert window.told.text() == "Laying the scans on the first one: 0 of 2 done"
        assert window.progress.isVisible()
        picture = window.views[0].shown[0]
        place = picture.lane.place_in(picture.lane.stack(CORONAL))
        turn_wheel(picture, picture.sheet.rect().center(), -1)
        assert picture.lane.place_in(picture.lane.stack(CORONAL)) == place + 1
        go_on.set()

    window = opened(course, waiting, look_about)
    assert not window.progress.isVisible()
    third = window.views[2]
    assert window.isActiveWindow()
    assert third.status.text().splitlines() == [
        "by the sensitivity rule: ≠ retear",
        f"not linked, shown as it is: {FAILED}",
    ]
    assert not third.button.isEnabled()
    assert window.told.text() == "1 of 2 scans are laid on the first one"
    press(window, Qt.Key.Key_X)
    picture = third.shown[0]
    QTest.mouseClick(picture.sheet, LEFT, pos=picture.sheet.rect().center())
    assert window.model.cursor is None
    here = window.model.cursor_in(third.lane)
    assert has_colour(picture, place_on(picture, here) + QPoint(8, 0), CROSSING, around=3)
    press(window, Qt.Key.Key_C)
    assert window.told.text().startswith("Only a scan that is laid on the first one")


def test_a_scan_without_images_says_so_in_its_place(opened, course):
    window = opened(without_images(course, 1))
    view = window.views[1]
    words = [label.text() for label in view.findChildren(QLabel)]
    assert "the images of this scan cannot be read; the log says why" in words
    assert not view.button.isVisible()
    for key in (Qt.Key.Key_Right, Qt.Key.Key_Down, Qt.Key.Key_Plus, Qt.Key.Key_S, Qt.Key.Key_C):
        press(window, key)
    assert window.model.lane is view.lane


def test_a_course_without_any_scan_opens_and_says_so(opened, course):
    window = opened(replace(course, visits=(), scores=()))
    words = [label.text() for label in window.findChildren(QLabel)]
    assert "No MR scan of this repair is in the study." in words
    for key in KEYS:
        if key.act not in {Act.HELP, Act.LIGHT}:
            window.acts.calls[key.act]()


def test_pixels_that_cannot_be_read_are_told_in_the_picture(opened, course):
    from imgtrack.domain.errors import Fault, Unavailable

    def broken():
        raise Unavailable(Fault("the file holds no pixels"))

    visit = course.visits[1]
    stacks = tuple(replace(s, shelved=replace(s.shelved, load=broken)) for s in visit.stacks)
    visits = (course.visits[0], replace(visit, stacks=stacks), course.visits[2])
    window = opened(replace(course, visits=visits))
    assert pictures(window)[1].trouble == "the file holds no pixels"
    press(window, Qt.Key.Key_Right)
    for key in (Qt.Key.Key_Plus, Qt.Key.Key_C, Qt.Key.Key_B, Qt.Key.Key_Down):
        press(window, key)


def test_the_window_names_no_patient_shows_the_caution_and_a_key_on_every_button(window):
    words = [label.text() for label in window.findChildren(QLabel)]
    assert CAUTION in words
    assert window.windowTitle() == "imgtrack: course of S001-R"
    told = [each.toolTip() for each in window.findChildren(QPushButton)]
    told += [picture.chooser.toolTip() for picture in pictures(window)]
    assert all(words.endswith(")") and "(" in words for words in told)
    assert len(window.findChildren(QToolButton)) >= 3
