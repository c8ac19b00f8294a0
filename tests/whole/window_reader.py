"""A reader at the reading window who works through the form with mouse and keys alone.

Clicks are aimed at pixels of the scanner's own slice. Where a pixel is on the screen is asked of
vispy, which draws it, so that an error of the program's geometry cannot hide in the aim.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from gui.window_desk import ReaderAtWork
from qtpy.QtCore import QPoint, Qt
from qtpy.QtTest import QTest
from qtpy.QtWidgets import QApplication
from real_series import ScannerSlice, key_of

from imgtrack.desk.study import Study
from imgtrack.domain.protocol import Plane

Pixel = tuple[float, float]
"""Row and column from the centre of the first pixel."""
NOT_ACQUIRED = "4"
"""Key of that reason."""
CLOSER = "Ctrl++"
CLOSED: list[Any] = []
"""Windows that were closed; they stay to the end, since a canvas of napari that is deleted may pull
one that is drawn along with it."""


@contextmanager
def seated(source: Any) -> Iterator[RealReader]:
    """Open the window of the person at a study's desk, or on a loose folder; then close it."""
    from imgtrack_napari.launch import loose_window, reading_window

    window = reading_window(source) if isinstance(source, Study) else loose_window(source)
    window.showNormal()
    window.resize(1900, 1100)
    window.activateWindow()
    assert QTest.qWaitForWindowActive(window, 5000)
    QApplication.processEvents()
    try:
        yield RealReader(window)
    finally:
        window.close()
        CLOSED.append(window)


@dataclass(frozen=True)
class Line:
    """What was clicked: a line between two pixels of a slice of the scanner.

    Attributes
    ----------
    slice
        As the scanner wrote it.
    pixels
        Row and column of each end.
    within_mm
        How far clicks on whole screen pixels may change the length: half of one in each direction
        at each end.
    """

    slice: ScannerSlice
    pixels: tuple[Pixel, ...]
    within_mm: float

    @property
    def points(self) -> list[np.ndarray]:
        """Where its ends are by the scanner's header, patient mm."""
        return [self.slice.place(*pixel) for pixel in self.pixels]

    @property
    def mm(self) -> float:
        """Its length by the scanner's header."""
        start, end = self.points
        return float(np.linalg.norm(end - start))


@dataclass
class RealReader(ReaderAtWork):
    """Reads by what the window shows, question by question.

    Attributes
    ----------
    window
        The reading window.
    drawn
        Every line and set of landmarks that was clicked, by question.
    """

    window: Any
    drawn: dict[str, Line] = field(default_factory=dict)

    def __post_init__(self) -> None:
        super().__init__(self.window)

    @property
    def marked(self) -> str:
        """Name of the question whose card is marked."""
        return str(self.window.dock.current.name)

    def shown(self, plane: Plane) -> str:
        """Return the key of the slice in napari's layer now."""
        viewer = self.window.panes[plane].canvas._viewer
        (layer,) = viewer.layers
        return key_of(layer.data[viewer.dims.current_step[0]])

    def take_drawn(self) -> dict[str, Line]:
        """Return what was drawn on this case, and begin anew."""
        drawn, self.drawn = self.drawn, {}
        return drawn

    def leaf_through(self) -> dict[Plane, list[str]]:
        """Go through every series of every pane by keys; return the keys of what was seen."""
        seen: dict[Plane, list[str]] = {}
        for plane, pane in self.session.viewing.panes.items():
            for _ in pane.choices:
                self.to_pane(plane)
                for number in range(len(pane.series.images)):
                    self.slice(plane, number)
                    seen.setdefault(plane, []).append(self.shown(plane))
                self.key("S")
        return seen

    def screen_place(self, plane: Plane, pixel: Pixel) -> QPoint:
        """Return where vispy draws the centre of a pixel of the slice shown."""
        canvas = self.window.panes[plane].canvas
        (layer,) = canvas._viewer.layers
        drawn = canvas._qt.canvas.layer_to_visual[layer].node
        row, column = pixel
        x, y, _, scale = drawn.get_transform("visual", "canvas").map((column + 0.5, row + 0.5))
        return QPoint(round(x / scale), round(y / scale))

    def click_pixel(self, plane: Plane, pixel: Pixel) -> None:
        """Click on a pixel of the slice shown."""
        sheet, at = self.window.panes[plane].sheet, self.screen_place(plane, pixel)
        assert sheet.rect().contains(at)
        QTest.mouseMove(sheet, at)
        QTest.mouseClick(sheet, Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier, at)
        QApplication.processEvents()
        self.clicks += 1

    def draw(self, plane: Plane, wanted: ScannerSlice, pixels: tuple[Pixel, ...]) -> None:
        """Draw what the marked question asks on a slice, after going closer by keys."""
        name = self.marked
        self.to_pane(plane)
        self.find(plane, wanted)
        self.key("Z")
        while self.window.panes[plane].canvas.zoom < self.enough_zoom(plane, pixels):
            self.key(CLOSER)
        self.key("D")
        for pixel in pixels:
            self.click_pixel(plane, pixel)
        within = np.sqrt(2) / self.window.panes[plane].canvas.zoom
        self.drawn[name] = Line(wanted, pixels, float(within))

    def find(self, plane: Plane, wanted: ScannerSlice) -> None:
        """Go by keys to the slice of a pane that shows what the scanner wrote."""
        pane = self.session.viewing.panes[plane]
        for _ in pane.choices:
            away = [wanted.off(image.plane.origin) for image in pane.series.images]
            self.slice(plane, int(np.argmin(away)))
            if self.shown(plane) == wanted.key:
                return
            self.key("S")
        raise AssertionError("the window does not show this slice")

    def enough_zoom(self, plane: Plane, pixels: tuple[Pixel, ...]) -> float:
        """Return screen pixels per mm that leave what is to be clicked well inside the pane."""
        pane = self.window.panes[plane]
        middle = [(pane.image.rows - 1) / 2, (pane.image.columns - 1) / 2]
        away = np.abs(np.subtract(pixels, middle)) * pane.image.spacing
        return 0.3 * min(pane.width(), pane.height()) / max(float(away.max()), 1.0)

    def fill_in(self, plan: Mapping[str, Callable[[RealReader], None]]) -> None:
        """Answer whatever card is marked until nothing is missing."""
        session = self.window.session
        for _ in range(40):
            if not session.standing.missing:
                return
            name = self.marked
            if name in session.answers or name not in {
                m.question for m in session.standing.missing
            }:
                self.key("Return")
                continue
            plan[name](self)
        raise AssertionError(f"still missing: {session.standing.missing}; {session.message}")

    def sign(self, phrase: str) -> None:
        """Type the pass phrase and sign."""
        self.key("Ctrl+Return")
        self.type(phrase)
        self.key("Return")
        assert self.session.signed is not None, self.session.message
