"""The course window: the scans of a repair side by side, and what changed along time."""

from __future__ import annotations

from typing import TYPE_CHECKING

from qtpy.QtCore import QPointF, Qt, QTimer
from qtpy.QtGui import QKeySequence, QShortcut
from qtpy.QtWidgets import (
    QHBoxLayout,
    QLabel,
    QMainWindow,
    QProgressBar,
    QSplitter,
    QVBoxLayout,
    QWidget,
)

from imgtrack.desk.course.trends import trends_of
from imgtrack.domain.cautions import CAUTION
from imgtrack.measure.registration.align import register_humerus
from imgtrack_napari.course.acts import CourseActs
from imgtrack_napari.course.bar import Bar
from imgtrack_napari.course.blink import Blink
from imgtrack_napari.course.grey import CourseGreys
from imgtrack_napari.course.keys import BY_ACT, page
from imgtrack_napari.course.laying import Laying
from imgtrack_napari.course.pane import Lanes, LaneView
from imgtrack_napari.course.plots import USUAL_PX, plots
from imgtrack_napari.course.words import course_words, laying_words
from imgtrack_napari.help import HelpPage
from imgtrack_napari.look import DARK, LIGHT, style_sheet

if TYPE_CHECKING:
    from collections.abc import Callable

    from matplotlib.backends.backend_qtagg import FigureCanvasQTAgg
    from qtpy.QtGui import QCloseEvent

    from imgtrack_napari.course.laying import Register
    from imgtrack_napari.course.model import CourseModel
    from imgtrack_napari.course.picture import Picture

BLINK_MS = 600
ASK_MS = 100
"""How often the window asks what laying has found."""

PLOTS_SHARE = 0.2
"""Of the height of the window."""

BIG = 10_000
"""More than any screen is high: the scans take what the plots leave."""

TWO_PLANES_FROM = 1.7
"""How many times higher than wide the place of a scan must be for two planes at the start."""


class CourseWindow(QMainWindow):
    """The course of one repair.

    Parameters
    ----------
    model
        What is shown.
    register
        Lays one scan on another.
    """

    def __init__(self, model: CourseModel, *, register: Register = register_humerus) -> None:
        super().__init__()
        self.model = model
        self.greys, self.blinker = CourseGreys(), Blink(model)
        self.look, self.zooms_alike = DARK, True
        self.views = tuple(LaneView(model, lane, self.greys, self.blinker) for lane in model.lanes)
        self.laying = Laying(model, register=register)
        self.help = HelpPage(self, page())
        self.acts = CourseActs(self)
        self.bar = Bar(model, self.greys, self.acts.calls)
        self.told, self.progress = QLabel(), QProgressBar()
        self.split = QSplitter(Qt.Orientation.Vertical)
        self.lanes, self.plots = Lanes(self.views), self._plots()
        self.clock = self._timer(BLINK_MS, self.acts.turn)
        self.asking = self._timer(ASK_MS, self._take)
        self.setWindowTitle(f"imgtrack: course of {model.course.repair.code}")
        self.setStyleSheet(style_sheet(self.look))
        self._lay_out()
        self._connect()
        self.refresh()

    def _timer(self, every_ms: int, call: Callable[[], object]) -> QTimer:
        made = QTimer(self)
        made.setInterval(every_ms)
        made.timeout.connect(call)
        return made

    def begin(self) -> None:
        """Share out the room, and begin to lay the scans on the first one.

        Call it once, when the window is shown.
        """
        self._share_room()
        if self.laying.lanes:
            self.laying.start()
            self.asking.start()
        self.refresh()

    def _share_room(self) -> None:
        """Make the plots low in a low window, and show two planes in a high one."""
        self.split.setSizes([BIG, round(min(PLOTS_SHARE * self.height(), USUAL_PX))])
        self.lanes.fit()
        shown = [view.pictures[self.model.rows[0]] for view in self.views if view.pictures]
        if shown and len(self.model.planes) > 1:
            place = shown[0].sheet
            if place.height() >= TWO_PLANES_FROM * place.width():
                self.model.show_rows(self.model.planes[:2])

    # ---------------------------------------------------------------- layout

    def _lay_out(self) -> None:
        middle = QWidget()
        middle.setObjectName("window")
        box = QVBoxLayout(middle)
        box.setContentsMargins(8, 6, 8, 6)
        box.setSpacing(4)
        heading, rule = course_words(self.model.course)
        for words, value in ((heading, "strong"), (rule, "quiet")):
            label = QLabel(words)
            label.setWordWrap(True)
            label.setProperty("weight", value)
            box.addWidget(label)
        box.addWidget(self.bar)
        box.addLayout(self._told())
        self.split.setChildrenCollapsible(False)
        self.split.addWidget(self.lanes)
        self.split.addWidget(self.plots)
        self.split.setStretchFactor(0, 1)
        self.split.setStretchFactor(1, 0)
        box.addWidget(self.split, 1)
        caution = QLabel(CAUTION)
        caution.setObjectName("caution")
        caution.setWordWrap(True)
        box.addWidget(caution)
        self.setCentralWidget(middle)

    def _told(self) -> QHBoxLayout:
        row = QHBoxLayout()
        self.progress.setTextVisible(False)
        self.progress.setMaximumHeight(8)
        self.progress.setMaximumWidth(240)
        self.progress.setRange(0, max(len(self.laying.lanes), 1))
        row.addWidget(self.told)
        row.addWidget(self.progress)
        row.addStretch(1)
        return row

    def _plots(self) -> FigureCanvasQTAgg:
        made = plots(trends_of(self.model.course), self.model.course.first_retear, self.look)
        made.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        return made

    def _connect(self) -> None:
        for view in self.views:
            view.changed.connect(self.refresh)
            view.blink.connect(self.acts.blink)
            view.zoomed.connect(self._zoom)
            view.panned.connect(self._pan)
            view.greyed.connect(self._grey)
        for act, call in self.acts.calls.items():
            for stroke in BY_ACT[act].strokes:
                QShortcut(QKeySequence(stroke), self).activated.connect(call)

    # ---------------------------------------------------------------- what is shown

    @property
    def pictures(self) -> tuple[Picture, ...]:
        """The pictures in sight."""
        lanes = self.model.shown_lanes
        return tuple(each for view in self.views if view.lane in lanes for each in view.shown)

    @property
    def marked(self) -> Picture | None:
        """The picture that keys act on."""
        return next((each for each in self.pictures if each.is_marked), None)

    @property
    def first_view(self) -> LaneView | None:
        """The view of the first scan after surgery."""
        return next((view for view in self.views if view.lane is self.model.first), None)

    def refresh(self) -> None:
        """Show what the model says."""
        lanes = self.model.shown_lanes
        for view in self.views:
            view.setVisible(view.lane in lanes)
            view.refresh()
        self.lanes.fit()
        self.acts.hold_other()
        self.bar.refresh(plots=not self.plots.isHidden(), zoom=self.zooms_alike)
        self.told.setText(laying_words(self.laying))
        self.progress.setValue(self.laying.done)
        self.progress.setVisible(not self.laying.is_done)

    def say(self, words: str) -> None:
        """Tell something in the line above the scans, until the next change."""
        self.told.setText(words)

    def restyle(self) -> None:
        """Change between the dark and the light window; the images stay dark."""
        self.look = LIGHT if self.look is DARK else DARK
        self.setStyleSheet(style_sheet(self.look))
        old, was_hidden = self.plots, self.plots.isHidden()
        self.plots = self._plots()
        self.split.replaceWidget(1, self.plots)
        self.plots.setHidden(was_hidden)
        old.deleteLater()

    # ---------------------------------------------------------------- what pictures tell

    def _zoom(self, picture: Picture, factor: float, at: QPointF) -> None:
        self.acts.zoom(factor, picture, at)

    def _pan(self, picture: Picture, step: QPointF) -> None:
        for each in self.pictures if self.zooms_alike else (picture,):
            each.pan(step)

    def _grey(self, picture: Picture, brighter: float, wider: float) -> None:
        self.acts.grey(picture, brighter=brighter, wider=wider)

    def _take(self) -> None:
        """Take what laying has found."""
        if self.laying.take():
            self.refresh()
        if self.laying.is_done:
            self.asking.stop()

    def closeEvent(self, event: QCloseEvent) -> None:  # noqa: N802 - Qt's name
        """Let everything go; that takes a moment, and nobody has to watch it."""
        self.hide()
        self.clock.stop()
        self.asking.stop()
        self.laying.stop()
        self.help.close()
        for view in self.views:
            view.close_canvases()
        super().closeEvent(event)
