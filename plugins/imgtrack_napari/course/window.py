"""The course window: the scans of a repair side by side, and what changed along time."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from qtpy.QtCore import QTimer
from qtpy.QtGui import QKeySequence, QShortcut
from qtpy.QtWidgets import QHBoxLayout, QLabel, QMainWindow, QPushButton, QVBoxLayout, QWidget

from imgtrack.desk.course.trends import trends_of
from imgtrack.domain.cautions import CAUTION
from imgtrack_napari.course.laying import Laying
from imgtrack_napari.course.pane import LaneView
from imgtrack_napari.course.plots import plots
from imgtrack_napari.course.words import course_words
from imgtrack_napari.look import DARK, style_sheet

if TYPE_CHECKING:
    from collections.abc import Callable

    from qtpy.QtGui import QCloseEvent

    from imgtrack.domain.errors import ImgtrackError
    from imgtrack.domain.protocol import Plane
    from imgtrack.measure.registration.align import Registration
    from imgtrack_napari.course.model import CourseModel, Lane

BLINK_MS = 600
PLANE_KEYS = ("1", "2", "3")


class CourseWindow(QMainWindow):
    """The course of one repair.

    Parameters
    ----------
    model
        What is shown.
    """

    def __init__(self, model: CourseModel) -> None:
        super().__init__()
        self.model = model
        self.setWindowTitle(f"imgtrack: course of {model.course.repair.code}")
        self.setStyleSheet(style_sheet(DARK))
        self.views = tuple(LaneView(model, lane) for lane in model.lanes)
        self.plane_buttons: dict[Plane, QPushButton] = {}
        self.clock = QTimer(self)
        self.clock.setInterval(BLINK_MS)
        self.clock.timeout.connect(self._turn)
        self._lay_out()
        for view in self.views:
            view.changed.connect(self.refresh)
            view.blink.connect(self.blink)
            view.zoomed.connect(self.zoom_by)
        self.laying = Laying(model)
        self.laying.done.connect(self._laid)
        self.refresh()

    def start_laying(self) -> None:
        """Begin to lay the scans on the first one."""
        self.laying.start()

    # ---------------------------------------------------------------- layout

    def _lay_out(self) -> None:
        middle = QWidget()
        middle.setObjectName("window")
        box = QVBoxLayout(middle)
        heading, rule = course_words(self.model.course)
        for words, name, value in ((heading, "weight", "strong"), (rule, "weight", "quiet")):
            label = QLabel(words)
            label.setWordWrap(True)
            label.setProperty(name, value)
            box.addWidget(label)
        box.addLayout(self._buttons())
        box.addLayout(self._lanes(), 1)
        box.addWidget(plots(trends_of(self.model.course), self.model.course.first_retear))
        caution = QLabel(CAUTION)
        caution.setObjectName("caution")
        caution.setWordWrap(True)
        box.addWidget(caution)
        self.setCentralWidget(middle)

    def _buttons(self) -> QHBoxLayout:
        row = QHBoxLayout()
        for plane, key in zip(self.model.planes, PLANE_KEYS, strict=False):
            button = self._button(f"{plane.value} ({key})", key, partial(self.show_plane, plane))
            button.setCheckable(True)
            self.plane_buttons[plane] = button
            row.addWidget(button)
        self.drawing = self._button("Measurements (H)", "H", self._toggle_drawing)
        self.drawing.setCheckable(True)
        row.addWidget(self.drawing)
        row.addWidget(self._button("Whole images (F)", "F", self.fit))
        row.addStretch(1)
        return row

    def _button(self, words: str, key: str, act: Callable[[], None]) -> QPushButton:
        button = QPushButton(words)
        button.setToolTip(f"Key {key}")
        button.clicked.connect(lambda _checked=False: act())
        QShortcut(QKeySequence(key), self).activated.connect(act)
        return button

    def _lanes(self) -> QHBoxLayout:
        row = QHBoxLayout()
        for view in self.views:
            row.addWidget(view, 1)
        if not self.views:
            row.addWidget(QLabel("No MR scan of this repair is in the study."))
        return row

    # ---------------------------------------------------------------- acts

    def refresh(self) -> None:
        """Show what the model says."""
        for plane, button in self.plane_buttons.items():
            button.setChecked(plane is self.model.plane)
        self.drawing.setChecked(self.model.shows_drawing)
        for view in self.views:
            view.refresh()

    def show_plane(self, plane: Plane) -> None:
        """Show another plane everywhere."""
        self._stop_blinking()
        self.model.show_plane(plane)
        self.refresh()

    def blink(self, lane: Lane) -> None:
        """Begin to blink a scan with the first one, or end it."""
        was = self.model.blinking
        self._stop_blinking()
        first = self._first_view()
        if was is not lane and first is not None and self.model.may_blink(lane):
            first.show_other(self.model.laid_pixels(lane))
            self.model.blinking = lane
            self.clock.start()
        self.refresh()

    def zoom_by(self, factor: float) -> None:
        """Zoom every scan alike."""
        for view in self.views:
            view.zoom_by(factor)

    def fit(self) -> None:
        """Show the whole images again."""
        for view in self.views:
            view.canvas.fit()
            view.zoom_by(1.0)
            view.canvas.fit()
            view.refresh()

    def _toggle_drawing(self) -> None:
        self.model.shows_drawing = not self.model.shows_drawing
        self.refresh()

    def _turn(self) -> None:
        first = self._first_view()
        if first is not None:
            first.turn()

    def _stop_blinking(self) -> None:
        self.clock.stop()
        self.model.blinking = None
        first = self._first_view()
        if first is not None:
            first.show_other(None)

    def _first_view(self) -> LaneView | None:
        return next((view for view in self.views if view.lane is self.model.first), None)

    def _laid(self, lane: Lane, found: Registration | ImgtrackError) -> None:
        self.model.laid(lane, found)
        self.refresh()

    def closeEvent(self, event: QCloseEvent) -> None:  # noqa: N802 - Qt's name
        """Let everything go."""
        self.clock.stop()
        self.laying.stop()
        for view in self.views:
            view.close_canvases()
        super().closeEvent(event)
