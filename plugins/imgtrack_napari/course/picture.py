"""One picture of the course window: one visit in the row of one plane."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from qtpy.QtCore import QPointF, Qt, Signal
from qtpy.QtWidgets import QMenu, QSizePolicy, QStackedWidget, QToolButton, QVBoxLayout, QWidget

from imgtrack.domain.errors import ImgtrackError
from imgtrack_napari.canvas import Canvas
from imgtrack_napari.conversion import to_pane
from imgtrack_napari.course.keys import BY_ACT, Act
from imgtrack_napari.course.sheet import LaneSheet
from imgtrack_napari.course.words import series_words

if TYPE_CHECKING:
    from collections.abc import Callable

    from qtpy.QtGui import QMoveEvent, QResizeEvent

    from imgtrack.desk.cases.images import ShownImage, ShownPixels
    from imgtrack.desk.course.visits import Stack
    from imgtrack.domain.protocol import Plane
    from imgtrack_napari.course.grey import CourseGreys
    from imgtrack_napari.course.lane import Lane
    from imgtrack_napari.course.model import CourseModel
    from imgtrack_napari.grey import Window

LEAST_PX = 90
"""Height below which a picture does not shrink."""


class Picture(QWidget):
    """One picture, with the button that tells and changes its series.

    Parameters
    ----------
    model, lane, plane
        What is shown: the lane in the row of that plane.
    greys
        Grey windows.
    """

    changed = Signal()
    """The model shows something else now."""

    zoomed = Signal(float, QPointF)
    """By which factor, around which place of the picture."""

    panned = Signal(QPointF)
    """By how many pixels."""

    greyed = Signal(float, float)
    """Brighter by a share, wider by a factor."""

    def __init__(self, model: CourseModel, lane: Lane, plane: Plane, greys: CourseGreys) -> None:
        super().__init__()
        self.model, self.lane, self.plane = model, lane, plane
        self.trouble = ""
        self._greys = greys
        self._shown = ""
        self._grey: Window | None = None
        self.canvas = Canvas()
        self.other: Canvas | None = None
        self._pictures = Pictures(self.settle)
        self._pictures.addWidget(self.canvas.widget)
        self._pictures.setMinimumHeight(LEAST_PX)
        self.sheet = LaneSheet(self)
        self.chooser = self._chooser()
        box = QVBoxLayout(self)
        box.setContentsMargins(0, 0, 0, 0)
        box.setSpacing(2)
        box.addWidget(self.chooser)
        box.addWidget(self._pictures, 1)

    def _chooser(self) -> QToolButton:
        made = QToolButton()
        made.setPopupMode(QToolButton.ToolButtonPopupMode.InstantPopup)
        made.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        made.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)
        made.setToolTip(BY_ACT[Act.NEXT_SERIES].tip("series shown here; choose another"))
        menu = QMenu(made)
        for stack in self.lane.visit.stacks:
            act = menu.addAction(series_words(stack, self.plane))
            act.triggered.connect(partial(self._choose, stack))
        made.setMenu(menu)
        return made

    def _choose(self, stack: Stack, _checked: bool = False) -> None:  # noqa: FBT001, FBT002 - Qt's
        self.take_mark()
        self.model.choose(self.lane, self.plane, stack)
        self.changed.emit()

    # ---------------------------------------------------------------- what is shown

    @property
    def image(self) -> ShownImage | None:
        """The image shown."""
        return self.lane.image(self.plane)

    @property
    def is_marked(self) -> bool:
        """Whether keys act on it."""
        return (self.model.lane, self.model.plane) == (self.lane, self.plane)

    @property
    def is_turned(self) -> bool:
        """Whether the blinking scan is shown in place of this one."""
        return self._pictures.currentIndex() == 1

    @property
    def slice_words(self) -> str:
        """Slice and number of slices; while the other scan is in sight, which that is."""
        blinking = self.model.blinking
        if self.is_turned and blinking is not None:
            return f"{blinking.visit.label}, laid on this slice"
        stack = self.lane.stack(self.plane)
        count = len(stack.shown.images) if stack else 0
        return f"slice {self.lane.place_in(stack) + 1} of {count}" if stack else ""

    def refresh(self) -> None:
        """Show what the model says."""
        stack = self.lane.stack(self.plane)
        words = series_words(stack, self.plane) if stack else "no series"
        self.chooser.setText(words)
        key = stack.shown.alias if stack else ""
        if key != self._shown:
            self._shown, self.trouble = key, ""
            self._show(stack)
        if stack is not None and not self.trouble:
            self.canvas.go_to(self.lane.place_in(stack))
            self._take_grey(self._greys.window(self.lane, stack))
        self.sheet.update()

    def _show(self, stack: Stack | None) -> None:
        """Show a series; one that cannot be read leaves the picture dark and says so."""
        if stack is None:
            self.canvas.clear()
            return
        try:
            self._grey = self._greys.window(self.lane, stack)
            self.canvas.show(stack.shown, self.lane.pixels(stack), self._grey)
            self.canvas.fit()
        except ImgtrackError as error:
            self.canvas.clear()
            self.trouble = "; ".join(fault.what for fault in error.faults)

    def _take_grey(self, grey: Window) -> None:
        if grey != self._grey:
            self._grey = grey
            self.canvas.set_grey(grey)

    # ---------------------------------------------------------------- blinking

    def show_other(self, pixels: ShownPixels | None, grey: Window | None) -> None:
        """Hold one slice of another scan ready to blink with; none to end it."""
        stack = self.lane.stack(self.plane)
        if pixels is None or grey is None or stack is None:
            self._pictures.setCurrentIndex(0)
            if self.other is not None:
                self.other.clear()
            return
        if self.other is None:
            self.other = Canvas()
            self._pictures.addWidget(self.other.widget)
        self.other.show(stack.shown, pixels, grey)
        self.other.follow(self.canvas)

    def turn(self, *, over: bool) -> None:
        """Show the other scan, or this one."""
        if self.other is None:
            return
        self._pictures.setCurrentIndex(1 if over else 0)
        self.settle()

    # ---------------------------------------------------------------- where things are

    def zoom_by(self, factor: float, around: QPointF | None = None) -> None:
        """Zoom around a place of the picture; around the cursor, or its middle, without one."""
        self.canvas.zoom_by(factor, around or self._cursor_place())
        self._follow()

    def _cursor_place(self) -> QPointF | None:
        """Return where the cursor is on the picture; ``None`` where it is not in sight."""
        here, image = self.model.cursor_in(self.lane), self.image
        if here is None or image is None or image.plane is None:
            return None
        at = self.canvas.screen_point(to_pane(image, here))
        return at if self.sheet.rect().contains(at.toPoint()) else None

    def pan(self, step: QPointF) -> None:
        """Move the image by pixels."""
        self.canvas.pan(step)
        self._follow()

    def fit(self) -> None:
        """Show the whole image."""
        self.canvas.fit()
        self._follow()

    def _follow(self) -> None:
        if self.other is not None:
            self.other.follow(self.canvas)
        self.sheet.update()

    def settle(self) -> None:
        """Lay the sheet over the picture, and keep a fitted picture fitted."""
        self.sheet.setGeometry(self._pictures.geometry())
        self.sheet.raise_()
        if self.canvas.is_fitted:
            self.canvas.fit()
        self._follow()

    def close_canvases(self) -> None:
        """Let the canvases go."""
        self.canvas.close()
        if self.other is not None:
            self.other.close()

    # ---------------------------------------------------------------- the mouse

    def take_mark(self) -> None:
        """Have the keys act on this picture."""
        if not self.is_marked:
            self.model.mark(self.lane, self.plane)
            self.changed.emit()

    def look_at(self, at: QPointF) -> None:
        """Set the cursor to a place of the picture."""
        if self.model.click(self.lane, self.plane, self.canvas.pane_point(at)):
            self.changed.emit()

    def go(self, steps: int) -> None:
        """Go through the slices."""
        if self.model.scroll(self.lane, self.plane, steps):
            self.changed.emit()


class Pictures(QStackedWidget):
    """The picture of a visit, and behind it the one it blinks with.

    Parameters
    ----------
    settle
        Called when their place on the window changed.
    """

    def __init__(self, settle: Callable[[], None]) -> None:
        super().__init__()
        self._settle = settle

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802 - Qt's name
        """Tell of another size."""
        super().resizeEvent(event)
        self._settle()

    def moveEvent(self, event: QMoveEvent) -> None:  # noqa: N802 - Qt's name
        """Tell of another place."""
        super().moveEvent(event)
        self._settle()
