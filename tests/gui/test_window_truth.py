"""A scripted reader clicks where the truth lies; the window's millimetres are held against it.

Truth: synthetic_scans (its truth module), which shares no code with the tool. The scans are DICOM
files of the phantom, opened from a loose folder, so that files, geometry, canvas, mouse and measure
are all in the chain. Clicks are whole screen pixels in a zoomed pane, as a careful reader makes
them. What limits a length then: half a screen pixel at each end, here under 0.1 mm; and that a tear
is widest or most retracted between two slices, which no click on a slice can mend.
"""

from __future__ import annotations

import json
import os
from dataclasses import replace
from itertools import islice

import numpy as np
import pytest

pytest.importorskip("napari", reason="needs the reading extra")

from synthetic_scans.cohort.plan import plan_cohort
from synthetic_scans.cohort.run import Settings
from synthetic_scans.study import StudyOrder, make_study
from synthetic_scans.study_series import Size, StackSize

pytestmark = [
    pytest.mark.gui,
    pytest.mark.filterwarnings("ignore::DeprecationWarning"),
    pytest.mark.skipif(not os.environ.get("DISPLAY"), reason="needs a display"),
]

CASES = 3
WITHIN_MM = 0.3
COARSE = Size(
    matrix=64,
    samples=1,
    coronal=StackSize(15, 4.0, 0.4),
    sagittal=StackSize(19, 4.0, 0.4),
    axial=StackSize(3, 4.0, 4.0),
    radiograph_matrix=64,
    radiograph_step_mm=8.0,
)
"""Coarse pixels, slices as in a clinical scan: points are clicked, not seen."""


def torn_scans():
    """Yield scans of the demo cohort with a full-thickness defect and nothing wrong with them."""
    settings = Settings()
    for record in plan_cohort(settings.seed, settings.repairs).records:
        for scan in record.scans:
            if scan.state.condition.defect and scan.trouble is None and not scan.enhanced:
                yield record, scan
                break


@pytest.fixture(scope="module")
def scans(tmp_path_factory):
    """Folders of torn shoulders, each with what is true of it."""
    made = []
    for record, plan in islice(torn_scans(), CASES):
        place = tmp_path_factory.mktemp("torn")
        order = StudyOrder(
            seed=127,
            plan=replace(plan, dixon=False, radiograph=False),
            patient=record.repair.patient,
            accession_number="E2300001",
            scan_folder=place / "scan",
            truth_file=place / "truth.json",
            size=COARSE,
        )
        make_study(order)
        made.append((order.scan_folder, json.loads(order.truth_file.read_text())["truth"]))
    return made


@pytest.fixture
def open_window(qt_wait):
    """Open a window on a folder; it is closed afterwards."""
    from qtpy.QtTest import QTest

    from imgtrack_napari.launch import loose_window

    opened = []

    def window(folder):
        opened.append(loose_window(folder))
        opened[-1].activateWindow()
        assert QTest.qWaitForWindowActive(opened[-1])
        return opened[-1]

    yield window
    for each in opened:
        each.close()
        each.deleteLater()
    qt_wait(10)


@pytest.fixture
def qt_wait():
    from qtpy.QtTest import QTest

    return QTest.qWait


def pane_at(window, plane, point):
    """Wheel a pane to the slice nearest to a point, make it large, and zoom in on the point."""
    from qtpy.QtCore import Qt
    from qtpy.QtTest import QTest

    pane = window.panes[plane]
    window.session.viewing.active = plane
    QTest.keyClick(window, Qt.Key.Key_Space)
    QTest.qWait(30)
    images = window.session.viewing.panes[plane].series.images
    away = [abs(float(image.plane.distance([point])[0])) for image in images]
    place = int(np.argmin(away))
    steps = place - window.session.viewing.panes[plane].place
    for _ in range(abs(steps)):
        QTest.keyClick(window, Qt.Key.Key_Down if steps > 0 else Qt.Key.Key_Up)
    assert window.session.viewing.panes[plane].place == place
    pane.fit()
    pane.zoom_by(2.5, position(pane, point))
    return pane


def position(pane, point):
    from imgtrack_napari.conversion import to_pane

    return pane.canvas.screen_point(to_pane(pane.image, point))


def click(pane, point):
    from qtpy.QtCore import Qt
    from qtpy.QtTest import QTest

    at = position(pane, point).toPoint()
    assert pane.sheet.rect().contains(at)
    QTest.mouseClick(pane.sheet, Qt.MouseButton.LeftButton, pos=at)


def read_length(window, name, plane, points):
    """Measure with the mouse what a question asks; return the millimetres it shows."""
    window.session.go_to(window.session.question(name).step)
    window.session.hand.start(name)
    for point in points:
        click(pane_at(window, plane, point), point)
    return window.session.value(name)["mm"]


def longest(truth, plane, key):
    """Return the slice of a plane on which the truth is longest."""
    shown = next(stack["shown"] for stack in truth["stacks"] if stack["plane"] == plane)
    return max(shown, key=lambda one: one[key] or 0.0)


def measured(truth, name):
    return next(each["value"] for each in truth["measurements"] if each["name"] == name)


def test_clicks_on_the_truth_give_true_width_and_retraction(scans, open_window, record_property):
    from imgtrack.domain.protocol import Measure, Plane

    off, between = [], []
    for folder, truth in scans:
        window = open_window(folder)
        for name, plane, stack, key, whole in (
            (Measure.WIDTH, Plane.SAGITTAL_OBLIQUE, "sagittal_oblique", "gap", "defect_width"),
            (
                Measure.RETRACTION,
                Plane.CORONAL_OBLIQUE,
                "coronal_oblique",
                "retraction",
                "defect_retraction",
            ),
        ):
            true = longest(truth, stack, f"{key}_mm")
            found = read_length(window, name.value, plane, true[f"{key}_points"])
            off.append(found - true[f"{key}_mm"])
            between.append(true[f"{key}_mm"] - measured(truth, whole))
    record_property("largest_error_mm", float(np.abs(off).max()))
    record_property("between_slices_mm", float(np.abs(between).max()))
    print(
        f"largest error {np.abs(off).max():.2f} mm; between slices {np.abs(between).max():.2f} mm"
    )
    assert np.abs(off).max() <= WITHIN_MM
    assert np.std(off) > 0  # the mouse moves by whole pixels: an exact hit would be no test


def test_the_picture_is_drawn_where_the_millimetres_say(scans, open_window, qt_wait):
    """One bright pixel is looked for on the screen itself, in every pane."""
    from imgtrack_napari.conversion import to_pane

    window = open_window(scans[0][0])
    for pane in window.panes.values():
        values = pane.canvas.shown
        row, column = values.shape[0] // 3, values.shape[1] // 2
        values[:] = 0
        values[row, column] = values.dtype.type(30_000)
        pane.canvas.set_grey(type(pane._grey)(0.0, 30_000.0))
        pane.canvas._layer.interpolation2d = "nearest"
        pane.canvas._layer.refresh()
        qt_wait(50)
        shot = pane.canvas._qt.screenshot(flash=False)[..., :3].mean(axis=-1)
        bright = np.argwhere(shot > 128)
        middle = (bright.min(axis=0) + bright.max(axis=0) + 1) / 2  # rows, columns of the screen
        ratio = pane.devicePixelRatioF()
        point = pane.image.plane.to_patient([(row, column)])[0]
        at = pane.canvas.screen_point(to_pane(pane.image, point))
        assert middle[::-1] / ratio == pytest.approx([at.x(), at.y()], abs=0.75)
