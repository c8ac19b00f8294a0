"""The transparent sheet over a picture of the course: paints, and takes the mouse."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

from qtpy.QtCore import QPointF, QRectF, Qt
from qtpy.QtGui import QColor, QFont, QPainter, QPen
from qtpy.QtWidgets import QWidget

from imgtrack_napari import painting
from imgtrack_napari.conversion import letters, lies_on, to_pane
from imgtrack_napari.course.words import figure_words, missing_words, visit_words
from imgtrack_napari.figures import Shape
from imgtrack_napari.labels import Words, nearest, places
from imgtrack_napari.look import CROSSING, DRAWN, IN_HAND, SEAM

if TYPE_CHECKING:
    from collections.abc import Sequence

    from qtpy.QtGui import QMouseEvent, QPaintEvent, QWheelEvent

    from imgtrack.desk.cases.images import ShownImage
    from imgtrack_napari.course.picture import Picture
    from imgtrack_napari.figures import Figure
    from imgtrack_napari.labels import Box, Spot

EDGE = 8.0
LEADER_FROM = 14.0
"""Pixels between a point and its words from which on a line joins them."""

SAME_MM = 1.5
"""A landmark this near to an end of a length has no words of its own."""

STEPS = 4
"""Places on each piece of a line that words keep off."""

GREY_PER_PX = 1 / 400
ZOOM_STEP = 1.2
NOTCH = 120
"""What Qt tells of one notch of a wheel: eighths of a degree."""

POINTS = 10.0

TIP = (
    "Click: the linked scans show the same place of the bone. Wheel: slices. Ctrl and wheel: "
    "zoom. Drag right: grey window. Drag middle: move."
)


class LaneSheet(QWidget):
    """The sheet over one picture.

    Parameters
    ----------
    picture
        Over which it lies.
    """

    def __init__(self, picture: Picture) -> None:
        super().__init__(picture)
        self._picture = picture
        self._last = QPointF()
        self._turned = 0
        self._used: list[Box] = []
        self.labels: list[Box] = []
        self.setCursor(Qt.CursorShape.CrossCursor)
        self.setToolTip(TIP)
        name = f"{visit_words(picture.lane.visit)}, {picture.plane.value}. {TIP}"
        self.setAccessibleName(name)

    # ---------------------------------------------------------------- painting

    def paintEvent(self, _event: QPaintEvent) -> None:  # noqa: N802 - Qt's name
        """Paint cursor, measurements, words and letters."""
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        font = painter.font()
        font.setPointSizeF(POINTS)
        painter.setFont(font)
        self._used, self.labels = [], []
        image = self._picture.image
        if image is None or self._picture.trouble:
            self._empty(painter)
        else:
            self._paint(painter, image)
        self._frame(painter)
        painter.end()

    def _empty(self, painter: QPainter) -> None:
        picture = self._picture
        words = picture.trouble or missing_words(picture.model, picture.lane, picture.plane)
        room = QRectF(self.rect()).adjusted(EDGE, EDGE, -EDGE, -EDGE)
        painter.setPen(QPen(QColor(IN_HAND)))
        painter.drawText(room, Qt.AlignmentFlag.AlignCenter | Qt.TextFlag.TextWordWrap, words)

    def _paint(self, painter: QPainter, image: ShownImage) -> None:
        picture = self._picture
        here = picture.model.cursor_in(picture.lane)
        if here is not None and image.plane is not None:
            painting.cross(painter, self._at(image, here), CROSSING, size=12, width=2)
        self._letters(painter, image)
        self._corner_words(painter, here)
        if not picture.is_turned:
            figures = picture.model.figures(picture.lane, picture.plane)
            for figure in figures:
                self._figure(painter, image, figure)
            self._label(painter, image, figures)

    def _at(self, image: ShownImage, point: Sequence[float]) -> QPointF:
        return self._picture.canvas.screen_point(to_pane(image, point))

    def _figure(self, painter: QPainter, image: ShownImage, figure: Figure) -> None:
        points = [self._at(image, point) for point in figure.points]
        if figure.shape is not Shape.POINTS:
            painting.line(painter, points, DRAWN, closed=figure.shape is Shape.OUTLINE)
        for point, at in zip(figure.points, points, strict=True):
            painting.ring(painter, at, DRAWN, filled=not lies_on(image, point))

    def _label(self, painter: QPainter, image: ShownImage, figures: Sequence[Figure]) -> None:
        """Write beside each figure what it is, so that no words cover others."""
        named = [each for each in _lengths_first(figures) if not _is_end(each, figures)]
        height = float(painter.fontMetrics().height())
        wanted, spots = [], [spot for figure in figures for spot in self._spots(image, figure)]
        here = self._picture.model.cursor_in(self._picture.lane)
        if here is not None and image.plane is not None:
            cross = self._at(image, here)
            spots.append((cross.x(), cross.y()))
        for figure in named:
            last = max((self._at(image, p) for p in figure.points), key=lambda each: each.x())
            width = painting.width_of(painter, figure_words(figure)) + 6
            wanted.append(Words((last.x(), last.y()), width, height + 2))
        room = (EDGE / 2, EDGE / 2, self.width() - EDGE / 2, self.height() - EDGE / 2)
        found = places(wanted, room, taken=self._used, figures=spots)
        self.labels = [box for box in found if box is not None]
        for words, box in zip(wanted, found, strict=True):
            if box is not None:
                _lead(painter, words, box)
        for figure, box in zip(named, found, strict=True):
            if box is not None:
                self._write(painter, box, figure_words(figure))
        hidden = found.count(None)
        if hidden:
            self._line(painter, 2, f"no room for the words of {hidden}: zoom or Space")

    def _spots(self, image: ShownImage, figure: Figure) -> list[Spot]:
        """Return the points of a figure and, on its lines, places between them."""
        points = [self._at(image, point) for point in figure.points]
        steps = [(step + 1) / STEPS for step in range(STEPS)] if len(points) > 1 else []
        is_line = figure.shape is not Shape.POINTS
        between = [a + (b - a) * t for a, b in pairwise(points) for t in steps if is_line]
        return [(point.x(), point.y()) for point in (*points, *between)]

    def _write(self, painter: QPainter, box: Box, text: str) -> None:
        left, top, right, bottom = box
        ground = QColor(SEAM)
        ground.setAlpha(painting.GROUND_ALPHA)
        painter.fillRect(QRectF(left, top, right - left, bottom - top), ground)
        baseline = top + 1 + painter.fontMetrics().ascent()
        painting.text(painter, QPointF(left + 3, baseline), text, DRAWN)

    def _corner_words(self, painter: QPainter, here: Sequence[float] | None) -> None:
        picture = self._picture
        self._line(painter, 0, picture.slice_words)
        beside = picture.lane.beside(picture.plane, here) if here is not None else 0.0
        if beside:
            self._line(painter, 1, f"the place lies {beside:.0f} mm outside these slices")

    def _line(self, painter: QPainter, number: int, words: str) -> None:
        """Write a line of words in the lower left corner, counted from below."""
        height = float(painter.fontMetrics().height())
        y = self.height() - EDGE - number * height
        self._text(painter, QPointF(EDGE, y), words, IN_HAND)

    def _letters(self, painter: QPainter, image: ShownImage) -> None:
        """Write which way the edges face, in a type whose capital I is no bare stroke."""
        words = painter.font()
        letter = QFont(words)
        letter.setStyleHint(QFont.StyleHint.TypeWriter)
        letter.setFamilies(["DejaVu Sans Mono", "Menlo", "Consolas", "monospace"])
        letter.setBold(True)
        painter.setFont(letter)
        wide, high = self.width(), self.height()
        for side, word in letters(image.plane).items():
            across = painting.width_of(painter, word)
            x = {"left": EDGE, "right": wide - EDGE - across}.get(side, (wide - across) / 2)
            y = {"top": 20.0, "bottom": high - EDGE}.get(side, high / 2)
            x = 0.75 * wide if side == "bottom" else x  # the words are at the lower left
            self._text(painter, QPointF(x, y), word, IN_HAND)
        painter.setFont(words)

    def _text(self, painter: QPainter, at: QPointF, words: str, colour: str) -> None:
        """Write words, and remember that nothing may cover them."""
        metrics = painter.fontMetrics()
        across = painting.width_of(painter, words)
        top, bottom = at.y() - metrics.ascent(), at.y() + metrics.descent()
        self._used.append((at.x() - 3, top, at.x() + across + 3, bottom))
        painting.text(painter, at, words, colour)

    def _frame(self, painter: QPainter) -> None:
        if self._picture.is_marked:
            painter.setPen(QPen(QColor(DRAWN), 2))
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.drawRect(QRectF(self.rect()).adjusted(1, 1, -1, -1))

    # ---------------------------------------------------------------- mouse

    def mousePressEvent(self, event: QMouseEvent) -> None:  # noqa: N802 - Qt's name
        """Mark the picture; with the left button, set the cursor."""
        self._last = event.position()
        self._picture.take_mark()
        if event.button() == Qt.MouseButton.LeftButton:
            self._picture.look_at(event.position())

    def mouseMoveEvent(self, event: QMouseEvent) -> None:  # noqa: N802 - Qt's name
        """Go on with what the pressed button does."""
        step = event.position() - self._last
        self._last = event.position()
        buttons = event.buttons()
        if buttons & Qt.MouseButton.RightButton:
            brighter, wider = -step.y() * GREY_PER_PX, 1 + step.x() * 2 * GREY_PER_PX
            self._picture.greyed.emit(brighter, wider)
        elif buttons & Qt.MouseButton.MiddleButton:
            self._picture.panned.emit(step)
        elif buttons & Qt.MouseButton.LeftButton:
            self._picture.look_at(event.position())

    def wheelEvent(self, event: QWheelEvent) -> None:  # noqa: N802 - Qt's name
        """Go through the slices; with Ctrl, zoom."""
        turned = event.angleDelta().y()
        self._picture.take_mark()
        if event.modifiers() & Qt.KeyboardModifier.ControlModifier:
            self._picture.zoomed.emit(ZOOM_STEP ** (turned / NOTCH), event.position())
        else:
            self._turn(turned)
        event.accept()

    def _turn(self, turned: int) -> None:
        """Go by whole notches; what is left of one, as touchpads send it, waits for the next."""
        left = self._turned if self._turned * turned > 0 else 0
        notches = int((left + turned) / NOTCH)
        self._turned = left + turned - notches * NOTCH
        if notches:
            self._picture.go(-notches)


def _lead(painter: QPainter, words: Words, box: Box) -> None:
    """Join words with the point they belong to, where they stand apart from it."""
    end = nearest(box, words.at)
    if (end[0] - words.at[0]) ** 2 + (end[1] - words.at[1]) ** 2 > LEADER_FROM**2:
        painting.line(painter, [QPointF(*words.at), QPointF(*end)], DRAWN, width=0.8)


def _lengths_first(figures: Sequence[Figure]) -> list[Figure]:
    return sorted(figures, key=lambda each: (each.shape is not Shape.LINE, bool(each.part)))


def _is_end(figure: Figure, figures: Sequence[Figure]) -> bool:
    """Whether a landmark only repeats an end of a length."""
    if figure.shape is not Shape.POINTS or len(figure.points) != 1:
        return False
    ends = [p for other in figures if other.shape is Shape.LINE for p in other.points]
    (here,) = figure.points
    return any(
        sum((a - b) ** 2 for a, b in zip(here, end, strict=True)) <= SAME_MM**2 for end in ends
    )
