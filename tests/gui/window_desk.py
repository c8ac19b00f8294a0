"""A reading window on a study whose scans are phantoms with known truth."""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace
from datetime import date
from functools import cache
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent))  # for phantom_planes
sys.path.insert(0, str(Path(__file__).parent.parent / "desk"))  # for reading_desk

from phantom_planes import planes_of
from reading_desk import PHRASE, Clock, desk_of, opened, prepare, series_of, with_phrase

from imgtrack.desk.cases.allot import allot
from imgtrack.desk.cases.images import Shelved, ShownPixels
from imgtrack.domain.imaging import Modality, Scan
from imgtrack.domain.protocol import Plane, Weighting
from imgtrack.domain.subjects import Repair, Side
from synthetic_scans.phantom.shoulder import Phantom
from synthetic_scans.planes import frames
from synthetic_scans.scanner import Acquisition, acquire
from synthetic_scans.spec import Condition, FullThicknessDefect, ShoulderSpec
from synthetic_scans.truth.sections import SliceStack
from synthetic_scans.truth.shoulder import Truth, truth

SLICES = {"coronal_oblique": (16, 4.0), "sagittal_oblique": (24, 4.0)}
WEIGHTING = Weighting.PD_FAT_SUPPRESSED
MATRIX = 224


@dataclass(frozen=True)
class Scanned:
    """Two series of one shoulder, and what is true of it."""

    stacks: tuple
    truth: Truth

    def slices(self, plane: str) -> list:
        """Return what is true slice by slice of a series."""
        return [one for each in self.truth.stacks if each.plane == plane for one in each.shown]


@cache
def scanned() -> Scanned:
    """Scan a torn right shoulder at a signal-to-noise ratio of 20."""
    defect = FullThicknessDefect(width_mm=16.0, retraction_mm=24.0, centre_mm=1.0)
    spec = ShoulderSpec(side="right", condition=Condition(defect=defect))
    phantom, planes = Phantom(spec), frames(spec)
    stacks = tuple(
        acquire(
            phantom,
            Acquisition(
                plane=name,
                n_slices=count,
                thickness_mm=thickness,
                matrix=(MATRIX, MATRIX),
                samples=2,
                snr=20.0,
            ),
            planes[name],
            np.random.default_rng(number),
        )
        for number, (name, (count, thickness)) in enumerate(SLICES.items())
    )
    geometry = [
        SliceStack(plane=name, row=stack.row, column=stack.column, positions=stack.positions)
        for name, stack in zip(SLICES, stacks, strict=True)
    ]
    return Scanned(stacks, truth(spec, geometry))


class PhantomShelf:
    """The same phantom for every scan."""

    def series(self, _scan, records):
        stacks = scanned().stacks
        return [
            Shelved(record, planes_of(stack), lambda stack=stack: ShownPixels(stack.pixels))
            for record, stack in zip(records, stacks, strict=True)
        ]


def records_of(scan: Scan):
    """Return the records of the two series, as an intake would have made them."""
    for record, stack in zip(series_of(scan), scanned().stacks, strict=True):
        count, rows, columns = stack.pixels.shape
        yield replace(
            record,
            weighting=WEIGHTING,
            rows=rows,
            columns=columns,
            slices=count,
            thickness_mm=stack.thickness,
            row_spacing_mm=stack.pixel_spacing[0],
            column_spacing_mm=stack.pixel_spacing[1],
            images=tuple(f"{record.uid}.{place}" for place in range(1, count + 1)),
        )


def phantom_study(folder: Path, *, repairs: int = 3, ask: tuple[str, ...] = (), **changes: str):
    """Start a study of some repairs with a scan each, allotted; who reads can sign.

    ``ask`` names what is measured where that is not what the starter's protocol has; ``changes``
    are other words of it.
    """
    made = prepare(folder)
    if ask:
        path = made / "study.toml"
        listed = ", ".join(f'"{name}"' for name in ask)
        text = path.read_text("utf-8").replace("# ask = [", f"ask = [{listed}]\n# ask = [", 1)
        path.write_text(text, "utf-8")
    study = opened(made, Clock(), **changes)
    records: list[object] = []
    for number in range(1, repairs + 1):
        code = f"S{number:03}-R"
        repair = Repair(code, f"S{number:03}", Side.RIGHT, date(2031, 1, 10), arm="DOUBLEROW")
        scan = Scan(f"2.25.{number}1", code, "m06", date(2031, 7, 10), Modality.MR)
        records += [repair, scan, *records_of(scan)]
    with study.store.change(who="C1", now=study.now) as change:
        change.add(records)
    allot(study)
    for who in ("R1", "R2", "A1", "A2"):
        with_phrase(study, who)
    return study


def session_of(study, who: str):
    """Return a session of somebody, without a window and without a case."""
    from imgtrack.desk.cases.booth import open_booth
    from imgtrack_napari.session import Session

    return Session(open_booth(desk_of(study, who), shelf=PhantomShelf()))


def window_on(study, who: str = "R1"):
    """Open the reading window of somebody at the next case, drawn and ready for keys."""
    from qtpy.QtTest import QTest
    from qtpy.QtWidgets import QApplication

    from imgtrack_napari.launch import opened_window

    window = opened_window(session_of(study, who))
    window.showNormal()
    window.resize(1900, 1100)
    window.activateWindow()
    assert QTest.qWaitForWindowActive(window, 5000)
    QApplication.processEvents()
    return window


class ReaderAtWork:
    """Reads with mouse and keyboard alone, and counts both."""

    def __init__(self, window) -> None:
        self.window, self.session = window, window.session
        self.clicks = self.keys = 0

    def key(self, *strokes: str) -> None:
        """Press keys, written as Qt writes them."""
        from qtpy.QtGui import QKeySequence
        from qtpy.QtTest import QTest
        from qtpy.QtWidgets import QApplication

        for stroke in strokes:
            combination = QKeySequence(stroke)[0]
            target = QApplication.focusWidget() or self.window
            QTest.keyClick(target, combination.key(), combination.keyboardModifiers())
            QApplication.processEvents()
            self.keys += 1

    def type(self, words: str) -> None:
        """Type words where the focus is."""
        from qtpy.QtTest import QTest
        from qtpy.QtWidgets import QApplication

        QTest.keyClicks(QApplication.focusWidget(), words)
        QApplication.processEvents()
        self.keys += len(words)

    def place(self, plane, point):
        """Return the pixel of a pane under which a point of the patient lies."""
        from imgtrack_napari.conversion import to_pane

        pane = self.window.panes[plane]
        return pane.canvas.screen_point(to_pane(pane.image, point)).toPoint()

    def click(self, plane, point) -> None:
        """Click on a point of the patient in a pane."""
        from qtpy.QtCore import Qt
        from qtpy.QtTest import QTest
        from qtpy.QtWidgets import QApplication

        sheet = self.window.panes[plane].sheet
        QTest.mouseMove(sheet, self.place(plane, point))
        QTest.mouseClick(
            sheet,
            Qt.MouseButton.LeftButton,
            Qt.KeyboardModifier.NoModifier,
            self.place(plane, point),
        )
        QApplication.processEvents()
        self.clicks += 1

    def drag(self, plane, start, end) -> None:
        """Drag from one point of the patient to another in a pane."""
        from qtpy.QtCore import Qt
        from qtpy.QtTest import QTest
        from qtpy.QtWidgets import QApplication

        sheet, left = self.window.panes[plane].sheet, Qt.MouseButton.LeftButton
        none = Qt.KeyboardModifier.NoModifier
        QTest.mousePress(sheet, left, none, self.place(plane, start))
        QTest.mouseMove(sheet, self.place(plane, end))
        QTest.mouseRelease(sheet, left, none, self.place(plane, end))
        QApplication.processEvents()
        self.clicks += 1

    def slice(self, plane, number: int) -> None:
        """Scroll the active pane to a slice, from 0, by keys."""
        place = self.session.viewing.panes[plane].place
        for _ in range(abs(number - place)):
            self.key("Down" if number > place else "Up")

    def to_pane(self, plane) -> None:
        """Go to a pane by keys."""
        while self.session.viewing.active is not plane:
            self.key("Right")


def finish(session) -> None:
    """Sign a case as not assessable, whatever was answered, and open the next."""
    gates = [each.name for each in session.form.questions if each.is_adequacy]
    if session.signed is None:
        session.put(dict.fromkeys(session.answers))
        session.put({name: {"not_assessable": "motion"} for name in gates})
        assert session.sign(PHRASE), session.message
    session.open_next()


def begin_again(session):
    """Take every answer away and open the case anew; the next one where it was signed."""
    session.hand.cancel()
    session.put(dict.fromkeys(session.answers))
    session.open_next()


def middle_of_gap():
    """Return a place in the gap on the coronal slice where the retraction is longest."""
    longest = max(scanned().slices("coronal_oblique"), key=lambda one: one.retraction_mm or 0)
    return longest, tuple(np.mean(longest.gap_points, axis=0))


__all__ = [
    "PHRASE",
    "Plane",
    "ReaderAtWork",
    "begin_again",
    "finish",
    "middle_of_gap",
    "phantom_study",
    "scanned",
    "session_of",
    "window_on",
]
