"""The Y view proposed in a real window, with key events only, on a phantom of known truth.

The phantom (synthetic_scans) shares no code with the tool. The Y view is the most lateral oblique
sagittal slice on which the spine joins the body of the scapula (Lee, Clin Orthop Surg 2018;10(1)).
"""

from __future__ import annotations

import os
from dataclasses import replace
from datetime import date
from functools import cache

import numpy as np
import pytest

pytest.importorskip("napari", reason="needs the reading extra")

from gui.window_desk import Plane, ReaderAtWork, finish, planes_of
from qtpy.QtCore import Qt
from qtpy.QtTest import QTest
from qtpy.QtWidgets import QApplication
from reading_desk import Clock, desk_of, opened, prepare, series_of, with_phrase

from imgtrack.desk.cases.allot import allot
from imgtrack.desk.cases.booth import open_booth
from imgtrack.desk.cases.images import Shelved, ShownPixels
from imgtrack.domain.imaging import Modality, Scan
from imgtrack.domain.protocol import Weighting
from imgtrack.domain.subjects import Repair, Side
from imgtrack_napari.session import Session
from synthetic_scans.phantom.shoulder import Phantom
from synthetic_scans.planes import frames
from synthetic_scans.scanner import Acquisition, acquire
from synthetic_scans.scanner import Weighting as Contrast
from synthetic_scans.spec import Condition, MuscleState, ShoulderSpec
from synthetic_scans.truth.sections import SliceStack
from synthetic_scans.truth.shoulder import truth

pytestmark = [
    pytest.mark.gui,
    pytest.mark.filterwarnings("ignore::DeprecationWarning"),
    pytest.mark.skipif(not os.environ.get("DISPLAY"), reason="needs a display"),
]

SAG, CASES = Plane.SAGITTAL_OBLIQUE, 3
SAGITTAL_SLICES, FAR = 24, 15
"""Slices of the sagittal series, and one lateral of the Y view, over the head."""


@cache
def scanned():
    """Scan a shoulder with a wasted supraspinatus; return its series and the Y view's slice."""
    spec = ShoulderSpec(
        side="right", condition=Condition(supraspinatus=MuscleState(bulk=0.5, fat_fraction=0.2))
    )
    phantom, planes, rng = Phantom(spec), frames(spec), np.random.default_rng(6)
    coronal = Acquisition("coronal_oblique", n_slices=5, matrix=(128, 128), snr=20.0, samples=2)
    sagittal = Acquisition(
        "sagittal_oblique",
        Contrast.T1,
        n_slices=SAGITTAL_SLICES,
        thickness_mm=3.2,
        matrix=(256, 256),
        snr=20.0,
        samples=4,
    )
    # Six mm to medial, so that more than two slices lie medial of the Y view.
    moved = planes["sagittal_oblique"]
    moved = replace(moved, centre=moved.centre - 6.0 * moved.normal)
    stacks = (
        acquire(phantom, coronal, planes["coronal_oblique"], rng),
        acquire(phantom, sagittal, moved, rng),
    )
    stack = stacks[1]
    known = truth(spec, [SliceStack("sagittal_oblique", stack.row, stack.column, stack.positions)])
    return stacks, known.stacks[0].y_index


class Shelf:
    """The same phantom for every scan."""

    def series(self, _scan, records):
        return [
            Shelved(record, planes_of(stack), lambda stack=stack: ShownPixels(stack.pixels))
            for record, stack in zip(records, scanned()[0], strict=True)
        ]


def records_of(scan):
    weightings = (Weighting.PD_FAT_SUPPRESSED, Weighting.T1)
    for record, stack, weighting in zip(series_of(scan), scanned()[0], weightings, strict=True):
        count, rows, columns = stack.pixels.shape
        yield replace(
            record,
            weighting=weighting,
            rows=rows,
            columns=columns,
            slices=count,
            row_spacing_mm=stack.pixel_spacing[0],
            column_spacing_mm=stack.pixel_spacing[1],
            images=tuple(f"{record.uid}.{place}" for place in range(1, count + 1)),
        )


@pytest.fixture(scope="module")
def window(tmp_path_factory):
    """The window of a reader with a case for each test."""
    from imgtrack_napari.launch import opened_window

    folder = prepare(tmp_path_factory.mktemp("muscle") / "desk")
    path = folder / "study.toml"
    ask = 'ask = ["occupation ratio"]\n# ask = ['
    path.write_text(path.read_text("utf-8").replace("# ask = [", ask, 1), "utf-8")
    study = opened(folder, Clock())
    records: list[object] = []
    for number in range(1, CASES + 1):
        code = f"S{number:03}-R"
        repair = Repair(code, f"S{number:03}", Side.RIGHT, date(2031, 1, 10), arm="DOUBLEROW")
        scan = Scan(f"2.25.{number}1", code, "m06", date(2031, 7, 10), Modality.MR)
        records += [repair, scan, *records_of(scan)]
    with study.store.change(who="C1", now=study.now) as change:
        change.add(records)
    allot(study)
    with_phrase(study, "R1")
    made = opened_window(Session(open_booth(desk_of(study, "R1"), shelf=Shelf())))
    made.showNormal()
    made.resize(1900, 1100)
    yield made
    made.close()
    study.close()


@pytest.fixture
def reader(window):
    """A reader at the first step of a case nobody has answered yet."""
    window.activateWindow()
    assert QTest.qWaitForWindowActive(window, 5000)
    yield ReaderAtWork(window)
    finish(window.session)


def place(reader):
    return reader.session.viewing.panes[SAG].place


def wait(reader):
    """Wait as a reader does: the window itself looks for what is found."""
    for _ in range(400):
        if not reader.session.y_views.is_busy:
            break
        QTest.qWait(50)
    assert not reader.session.y_views.is_busy
    QApplication.processEvents()


def test_the_muscle_step_shows_the_proposed_slice(reader):
    reader.to_pane(SAG)
    reader.slice(SAG, FAR)
    reader.key("Alt+3")
    assert reader.session.message.startswith("Looking for the Y view")
    wait(reader)
    shown = place(reader)
    # One slice either way: the notch opens between two of them.
    assert abs(shown - scanned()[1]) <= 1
    assert reader.window.panes[SAG].image is reader.session.viewing.panes[SAG].image
    words = f"Y view proposed: slice {shown + 1} of {SAGITTAL_SLICES}"
    assert reader.session.message.startswith(words)
    line = reader.window.dock.y_view
    assert line.said.isVisible()
    assert line.said.text().startswith(words)


def test_a_reader_who_scrolls_is_left_there_and_y_comes_back(reader):
    reader.key("Alt+3")
    wait(reader)
    shown = place(reader)
    reader.slice(SAG, shown + 2)
    reader.key("Alt+2", "Alt+3")
    wait(reader)
    assert place(reader) == shown + 2
    reader.key("Y")
    assert place(reader) == shown
    reader.slice(SAG, FAR)
    QTest.mouseClick(reader.window.dock.y_view.back, Qt.MouseButton.LeftButton)
    assert place(reader) == shown


def test_an_outline_tells_on_which_slice_it_was_drawn(reader):
    """What was drawn on is read from the image recorded with the outline; nothing else is kept."""
    reader.key("Alt+3")
    wait(reader)
    session = reader.session
    shown = session.viewing.panes[SAG].image
    session.put({"adequacy muscle": {"value": "adequate"}})
    before = set(session.answers)
    reader.window.dock.go_to("occupation ratio")
    reader.key("D")
    middle = shown.plane.corners.mean(axis=0)
    row, column = np.array(shown.plane.row), np.array(shown.plane.column)
    for across, down in ((-8, -8), (8, -8), (8, 8), (-8, 8)):
        reader.click(SAG, middle + across * row + down * column)
    reader.key("Return")
    drawn = session.answers["occupation ratio"]
    parts = [part for part in drawn.values() if "images" in part]
    images = [image["uid"] for part in parts for image in part["images"]]
    assert set(images) == {shown.alias}
    assert set(session.answers) - before == {"occupation ratio"}
    assert not session.proposed.now
