"""One visit in the course window: its words, its image, what was drawn on it, how it lies."""

from __future__ import annotations

from typing import TYPE_CHECKING

from qtpy.QtCore import QPointF, Qt, Signal
from qtpy.QtGui import QPainter
from qtpy.QtWidgets import QLabel, QPushButton, QStackedWidget, QVBoxLayout, QWidget

from imgtrack_napari import painting
from imgtrack_napari.canvas import Canvas
from imgtrack_napari.conversion import letters, to_pane
from imgtrack_napari.course.words import visit_words
from imgtrack_napari.figures import Shape
from imgtrack_napari.grey import window_of
from imgtrack_napari.look import CROSSING, DRAWN

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from qtpy.QtGui import QMouseEvent, QMoveEvent, QPaintEvent, QResizeEvent, QWheelEvent

    from imgtrack.desk.cases.images import ShownImage, ShownPixels
    from imgtrack_napari.course.model import CourseModel, Lane
    from imgtrack_napari.figures import Figure

EDGE = 8.0
STATUS_LINES = 3
ZOOM_STEP = 1.2
TIP = "Click: the other scans show the same place of the bone. Wheel: slices. Ctrl and wheel: zoom."


class LaneView(QWidget):
    """One visit.

    Parameters
    ----------
    model, lane
        What is shown.
    """

    changed = Signal()
    blink = Signal(object)
    zoomed = Signal(float)

    def __init__(self, model: CourseModel, lane: Lane) -> None:
        super().__init__()
        self.model, self.lane = model, lane
        self.canvas, self.other = Canvas(), Canvas()
        self._pictures = Pictures(self.settle)
        self._pictures.addWidget(self.canvas.widget)
        self._pictures.addWidget(self.other.widget)
        self.sheet = LaneSheet(self)
        self.status = QLabel()
        self.status.setWordWrap(True)
        self.status.setProperty("weight", "quiet")
        self.status.setAlignment(Qt.AlignmentFlag.AlignTop)
        self.status.setMinimumHeight(STATUS_LINES * self.status.fontMetrics().lineSpacing())
        self.button = QPushButton("Blink with the first scan")
        self.button.setCheckable(True)
        self.button.setToolTip("Shows this scan and the first one in turn, in the first one's pane")
        self.button.clicked.connect(lambda: self.blink.emit(self.lane))
        self._shown = ""
        self._lay_out()

    def _lay_out(self) -> None:
        box = QVBoxLayout(self)
        box.setContentsMargins(3, 3, 3, 3)
        title = QLabel(visit_words(self.lane.visit))
        title.setWordWrap(True)
        title.setProperty("weight", "strong")
        box.addWidget(title)
        if self.lane.visit.stacks:
            box.addWidget(self._pictures, 1)
        else:
            missing = QLabel(self.lane.visit.trouble)
            missing.setWordWrap(True)
            box.addWidget(missing, 1)
        box.addWidget(self.status)
        kept = self.button.sizePolicy()
        kept.setRetainSizeWhenHidden(True)  # so that all pictures are equally high
        self.button.setSizePolicy(kept)
        box.addWidget(self.button)

    # ---------------------------------------------------------------- what is shown

    @property
    def image(self) -> ShownImage | None:
        """The image shown."""
        return self.lane.image(self.model.plane)

    @property
    def is_turned(self) -> bool:
        """Whether the blinking scan is shown in place of this one."""
        return self._pictures.currentIndex() == 1

    def refresh(self) -> None:
        """Show what the model says."""
        stack = self.lane.stack(self.model.plane)
        key = stack.shown.alias if stack else ""
        if key != self._shown:
            self._shown = key
            if stack is None:
                self.canvas.clear()
            else:
                pixels = self.lane.pixels(stack)
                self.canvas.show(stack.shown, pixels, window_of(pixels.values))
                self.canvas.fit()
        for canvas in (self.canvas, self.other):
            canvas.go_to(self.lane.place(self.model.plane))
        self._say()
        self.sheet.update()

    def _say(self) -> None:
        moves = [move.words for move in self.model.moves(self.lane)]
        self.status.setText("\n".join([self.model.status(self.lane), *moves]))
        is_first = self.lane is self.model.first
        self.button.setVisible(not is_first)
        self.button.setEnabled(self.model.may_blink(self.lane))
        self.button.setChecked(self.model.blinking is self.lane)

    def show_other(self, pixels: ShownPixels | None) -> None:
        """Hold another scan's pixels ready to blink with; none to end it."""
        stack = self.lane.stack(self.model.plane)
        if pixels is None or stack is None:
            self._pictures.setCurrentIndex(0)
            self.other.clear()
            return
        self.other.show(stack.shown, pixels, window_of(pixels.values))
        self.other.go_to(self.lane.place(self.model.plane))
        self.other.follow(self.canvas)

    def turn(self) -> None:
        """Show the other scan, or this one again."""
        self._pictures.setCurrentIndex(0 if self.is_turned else 1)
        self.other.follow(self.canvas)
        self.sheet.raise_()
        self.sheet.update()

    def zoom_by(self, factor: float) -> None:
        """Zoom both pictures."""
        self.canvas.zoom_by(factor)
        self.other.follow(self.canvas)
        self.sheet.update()

    def settle(self) -> None:
        """Lay the sheet over the picture, and keep a fitted picture fitted."""
        self.sheet.setGeometry(self._pictures.geometry())
        self.sheet.raise_()
        if self.canvas.is_fitted:
            self.canvas.fit()
            self.other.follow(self.canvas)

    def close_canvases(self) -> None:
        """Let the canvases go."""
        self.canvas.close()
        self.other.close()


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


class LaneSheet(QWidget):
    """The transparent sheet over a picture: paints, and takes the mouse."""

    def __init__(self, view: LaneView) -> None:
        super().__init__(view)
        self._view = view
        self.setCursor(Qt.CursorShape.CrossCursor)
        self.setToolTip(TIP)
        self.setAccessibleName(f"{visit_words(view.lane.visit)}. {TIP}")
        self.setVisible(bool(view.lane.visit.stacks))

    def paintEvent(self, _event: QPaintEvent) -> None:  # noqa: N802 - Qt's name
        """Paint cursor, measurements and letters."""
        image = self._view.image
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        font = painter.font()
        font.setPointSizeF(10.0)
        painter.setFont(font)
        if image is None:
            painting.text(painter, QPointF(EDGE, 24), "no series of this plane", DRAWN)
        else:
            self._paint(painter, image)
        painter.end()

    def _paint(self, painter: QPainter, image: ShownImage) -> None:
        view = self._view
        here = view.model.cursor_in(view.lane)
        if here is not None and image.plane is not None:
            painting.cross(painter, self._at(image, here), CROSSING)
        if not view.is_turned:
            labels = painting.Labels(painter)
            for figure in view.model.figures(view.lane):
                self._figure(labels, image, figure)
        self._words(painter, image)

    def _at(self, image: ShownImage, point: Sequence[float]) -> QPointF:
        return self._view.canvas.screen_point(to_pane(image, point))

    def _figure(self, labels: painting.Labels, image: ShownImage, figure: Figure) -> None:
        painter = labels.painter
        points = [self._at(image, point) for point in figure.points]
        if figure.shape is not Shape.POINTS:
            closed = figure.shape is Shape.OUTLINE
            painting.line(painter, points, DRAWN, closed=closed)
        for point in points:
            painting.ring(painter, point, DRAWN)
        if points:
            last = max(points, key=lambda each: each.x())
            is_length = figure.shape is Shape.LINE and not figure.part
            words = f"{figure.question} {figure.words}" if is_length else figure.words
            labels.add(QPointF(last.x() + 9, last.y() - 7), words, DRAWN)

    def _words(self, painter: QPainter, image: ShownImage) -> None:
        view, wide, high = self._view, self.width(), self.height()
        stack = view.lane.stack(view.model.plane)
        count = len(stack.shown.images) if stack else 0
        slice_words = f"slice {view.lane.place(view.model.plane) + 1} of {count}"
        weighting = stack.shown.weighting if stack else None
        if view.is_turned and view.model.blinking is not None:
            slice_words = f"{view.model.blinking.visit.label}, laid on this slice"
        elif weighting is not None:
            slice_words = f"{weighting.value}, {slice_words}"
        painting.text(painter, QPointF(EDGE, high - EDGE), slice_words, DRAWN)
        for side, word in letters(image.plane).items():
            x = {"left": EDGE, "right": wide - EDGE - painting.width_of(painter, word)}
            y = {"top": 18.0, "bottom": high - 26.0}
            at = QPointF(x.get(side, wide / 2), y.get(side, high / 2))
            painting.text(painter, at, word, CROSSING)

    def mousePressEvent(self, event: QMouseEvent) -> None:  # noqa: N802 - Qt's name
        """Set the cursor."""
        if event.button() == Qt.MouseButton.LeftButton:
            at = self._view.canvas.pane_point(event.position())
            self._view.model.click(self._view.lane, at)
            self._view.changed.emit()

    def wheelEvent(self, event: QWheelEvent) -> None:  # noqa: N802 - Qt's name
        """Go through the slices, or zoom."""
        steps = -1 if event.angleDelta().y() > 0 else 1
        if event.modifiers() & Qt.KeyboardModifier.ControlModifier:
            self._view.zoomed.emit(ZOOM_STEP**-steps)
        elif self._view.model.scroll(self._view.lane, steps):
            self._view.changed.emit()
