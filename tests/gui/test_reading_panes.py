"""The three panes: following, scrolling, grey window, zoom, and what they must not tell."""

from __future__ import annotations

import os

import numpy as np
import pytest

pytest.importorskip("napari", reason="needs the reading extra")

from gui.window_desk import PHRASE, Plane, ReaderAtWork, middle_of_gap, phantom_study, window_on
from qtpy.QtCore import QPoint, QPointF, Qt
from qtpy.QtGui import QWheelEvent
from qtpy.QtTest import QTest
from qtpy.QtWidgets import QAbstractButton, QApplication, QLabel, QLineEdit, QWidget

pytestmark = [
    pytest.mark.gui,
    pytest.mark.filterwarnings("ignore::DeprecationWarning"),
    pytest.mark.skipif(not os.environ.get("DISPLAY"), reason="needs a display"),
]

COR, SAG = Plane.CORONAL_OBLIQUE, Plane.SAGITTAL_OBLIQUE
PLANTED = ("S001", "S002", "2.25.1", "2.25.2", "2031", "DOUBLEROW", "m06", "6 months", "Test study")


@pytest.fixture(scope="module")
def window(tmp_path_factory):
    study = phantom_study(tmp_path_factory.mktemp("panes") / "desk")
    made = window_on(study)
    yield made
    made.close()
    study.close()


@pytest.fixture
def reader(window):
    window.activateWindow()
    return ReaderAtWork(window)


def test_a_click_moves_the_other_pane_to_the_slice_of_the_point(reader, window):
    longest, middle = middle_of_gap()
    reader.to_pane(COR)
    reader.slice(COR, longest.index)
    reader.click(COR, middle)
    plane = window.session.viewing.geometry(SAG)
    assert abs(float(plane.distance([middle])[0])) <= 2.2  # half of 4.3 mm from slice to slice
    x, y, z = window.session.viewing.cursor
    zoom = window.panes[COR].canvas.zoom
    assert np.linalg.norm(np.subtract((x, y, z), middle)) <= 1 / zoom


def test_pixels_on_screen_are_those_of_the_slice_the_words_name(window):
    pane = window.panes[COR]
    series = window.session.viewing.panes[COR].series
    place = window.session.viewing.panes[COR].place
    expected = window.session.images.pixels(series.alias).values[place]
    assert np.array_equal(pane.canvas.shown, expected)
    assert f"slice {place + 1} of" in window.session.viewing.panes[COR].slice_words


def wheel(pane, turns, modifiers=Qt.KeyboardModifier.NoModifier):
    at = QPointF(pane.width() / 2, pane.height() / 2)
    event = QWheelEvent(
        at,
        QPointF(pane.sheet.mapToGlobal(at.toPoint())),
        QPoint(),
        QPoint(0, 120 * turns),
        Qt.MouseButton.NoButton,
        modifiers,
        Qt.ScrollPhase.NoScrollPhase,
        False,
    )
    QApplication.sendEvent(pane.sheet, event)
    QApplication.processEvents()


def test_the_wheel_goes_through_slices_and_with_ctrl_zooms(window):
    pane, shown = window.panes[SAG], window.session.viewing.panes[SAG]
    before = shown.place
    wheel(pane, -2)
    assert shown.place == before + 2
    zoom = pane.canvas.zoom
    middle = pane.canvas.pane_point(QPointF(pane.width() / 2, pane.height() / 2))
    wheel(pane, 1, Qt.KeyboardModifier.ControlModifier)
    assert pane.canvas.zoom == pytest.approx(1.2 * zoom)
    after = pane.canvas.pane_point(QPointF(pane.width() / 2, pane.height() / 2))
    assert after == pytest.approx(middle)
    pane.fit()
    assert pane.canvas.zoom == pytest.approx(zoom)


def test_zoom_is_linked_on_demand(reader, window):
    reader.to_pane(COR)
    zooms = [window.panes[plane].canvas.zoom for plane in (COR, SAG)]
    reader.key("L", "Ctrl++")
    assert [window.panes[plane].canvas.zoom for plane in (COR, SAG)] == pytest.approx(
        [1.2 * each for each in zooms]
    )
    reader.key("L", "Ctrl+-")
    assert window.panes[SAG].canvas.zoom == pytest.approx(1.2 * zooms[1])
    reader.key("Z")


def test_dragging_with_the_right_button_changes_the_grey_window_of_the_weighting(reader, window):
    sheet, pane = window.panes[COR].sheet, window.panes[COR]
    before = pane._grey
    right, none = Qt.MouseButton.RightButton, Qt.KeyboardModifier.NoModifier
    QTest.mousePress(sheet, right, none, QPoint(200, 300))
    QTest.mouseMove(sheet, QPoint(200, 260))
    QTest.mouseRelease(sheet, right, none, QPoint(200, 260))
    assert pane._grey.low < before.low  # up is brighter
    series = window.session.viewing.panes[COR].series
    assert window.greys.recall(series, pane._suggested) == pane._grey
    reader.to_pane(COR)
    reader.key("B")
    assert pane._grey == pane._suggested


def test_a_pane_is_enlarged_by_a_key(reader, window):
    reader.to_pane(SAG)
    reader.key("Space")
    assert window.panes[SAG].width() > window.panes[COR].width()
    reader.to_pane(COR)
    reader.key("Space")
    assert window.panes[COR].width() > window.panes[SAG].width()


def words_of(window):
    """Yield every text a person, a screen reader or a screenshot could take from the window."""
    for each in [window, *window.findChildren(QWidget)]:
        yield from (each.windowTitle(), each.toolTip(), each.accessibleName(), each.statusTip())
        yield from (each.objectName(), each.accessibleDescription(), each.whatsThis())
        if isinstance(each, QLabel | QAbstractButton | QLineEdit):
            yield each.text()
    for pane in window.panes.values():
        yield from pane.canvas.layer_names
    for pane in window.session.viewing.panes.values():
        yield from (pane.words, pane.slice_words)
    yield window.session.message


def test_nothing_shown_anywhere_tells_who_or_when(window):
    shown = list(words_of(window))
    assert window.session.case.code in " ".join(shown)  # the test of the test: texts are found
    assert "images" in shown
    assert not [words for words in shown if any(token in words for token in PLANTED)]
    assert PHRASE not in " ".join(shown)


def test_the_image_is_drawn_with_lines_over_it(reader, window):
    """The screen itself: tissue is there, and the drawn line shows in its colour over it."""
    longest, _ = middle_of_gap()
    reader.key("1", "1", "1", "2")
    reader.to_pane(COR)
    reader.slice(COR, longest.index)
    window.dock.go_to("straight retraction")
    reader.key("D")
    for point in longest.retraction_points:
        reader.click(COR, point)
    QTest.qWait(200)
    pane = window.panes[COR]
    corner = pane.mapToGlobal(QPoint(0, 0))
    shot = QApplication.primaryScreen().grabWindow(
        0, corner.x(), corner.y(), pane.width(), pane.height()
    )
    image = shot.toImage()
    ends = [reader.place(COR, point) for point in longest.retraction_points]
    middle = (ends[0] + ends[1]) / 2
    near = [
        image.pixelColor(middle.x() + x, middle.y() + y) for x in range(-4, 5) for y in range(-4, 5)
    ]
    yellow = [each for each in near if each.red() > 200 and each.blue() < 140]
    assert yellow
    greys = {image.pixelColor(x, image.height() // 2).red() for x in range(0, image.width(), 7)}
    assert len(greys) > 10
