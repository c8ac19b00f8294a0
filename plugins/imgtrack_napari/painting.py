"""Painting over an image: every line and text twice, a dark seam beneath the colour.

So it stays readable on bright and dark tissue. What is drawn, proposed and in hand differs by
stroke and by the shape of its points, and only then by colour.
"""

from __future__ import annotations

from functools import lru_cache
from math import ceil
from typing import TYPE_CHECKING

from qtpy.QtCore import QPointF, QRectF, Qt
from qtpy.QtGui import (
    QColor,
    QFont,
    QFontMetricsF,
    QImage,
    QPainter,
    QPainterPath,
    QPen,
    QPolygonF,
)

from imgtrack_napari.look import SEAM

if TYPE_CHECKING:
    from collections.abc import Sequence

SEAM_WIDTH = 2.0
"""How far the seam shows on either side of a line, in pixels of a 100 % screen."""

TEXT_SEAM = 3.0
WRITTEN = 400
"""How many words are kept as pictures."""

SOLID, DASHED, DOTTED = Qt.PenStyle.SolidLine, Qt.PenStyle.DashLine, Qt.PenStyle.DotLine
POINT = 5.0
POINTER = 14.0
"""Pixels between the pointer and words beside it."""

GROUND_ALPHA = 150
"""How dark the ground behind the words of a figure is, of 255: tissue still shows through."""


def line(
    painter: QPainter,
    points: Sequence[QPointF],
    colour: str,
    *,
    width: float = 1.6,
    style: Qt.PenStyle = SOLID,
    closed: bool = False,
) -> None:
    """Paint a line, or an outline."""
    if len(points) < 2:
        return
    shape = QPolygonF([*points, points[0]] if closed else list(points))
    painter.setBrush(Qt.BrushStyle.NoBrush)
    for pen in (QPen(QColor(SEAM), width + SEAM_WIDTH), QPen(QColor(colour), width, style)):
        painter.setPen(pen)
        painter.drawPolyline(shape)


def ring(painter: QPainter, at: QPointF, colour: str, *, filled: bool = False) -> None:
    """Paint a round point: drawn by the reader."""
    _shape(painter, colour, filled=filled, draw=lambda: painter.drawEllipse(at, POINT, POINT))


def square(painter: QPainter, at: QPointF, colour: str) -> None:
    """Paint a square point: proposed by the program."""
    box = QRectF(at.x() - POINT, at.y() - POINT, 2 * POINT, 2 * POINT)
    _shape(painter, colour, filled=False, draw=lambda: painter.drawRect(box))


def tilted(painter: QPainter, at: QPointF, colour: str) -> None:
    """Paint a square on its corner: drawn by a first reader."""
    steps = ((POINT, 0), (0, POINT), (-POINT, 0), (0, -POINT))
    line(painter, [at + QPointF(x, y) for x, y in steps], colour, closed=True)


def cross(
    painter: QPainter, at: QPointF, colour: str, *, size: float = 9.0, width: float = 1.2
) -> None:
    """Paint a cross with an open middle, so that what it marks stays seen."""
    for x, y in ((1, 0), (-1, 0), (0, 1), (0, -1)):
        begin = QPointF(at.x() + 3 * x, at.y() + 3 * y)
        line(painter, [begin, QPointF(at.x() + size * x, at.y() + size * y)], colour, width=width)


def _shape(painter: QPainter, colour: str, *, filled: bool, draw: object) -> None:
    painter.setBrush(QColor(colour) if filled else Qt.BrushStyle.NoBrush)
    for pen in (QPen(QColor(SEAM), 1.6 + SEAM_WIDTH), QPen(QColor(colour), 1.6)):
        painter.setPen(pen)
        draw()  # type: ignore[operator]


def text(painter: QPainter, at: QPointF, words: str, colour: str) -> None:
    """Paint words with their baseline beginning at a point."""
    ratio = painter.device().devicePixelRatioF()
    picture = _written(words, colour, painter.font().toString(), ratio)
    ascent = painter.fontMetrics().ascent()
    painter.drawImage(at - QPointF(TEXT_SEAM, ascent + TEXT_SEAM), picture)


@lru_cache(maxsize=WRITTEN)
def _written(words: str, colour: str, font_words: str, ratio: float) -> QImage:
    """Return words with their seam: to stroke letters takes longer than all else in a pane."""
    font = QFont()
    font.fromString(font_words)
    metrics = QFontMetricsF(font)
    width = metrics.horizontalAdvance(words) + 2 * TEXT_SEAM + metrics.maxWidth()
    height = metrics.height() + 2 * TEXT_SEAM
    picture = QImage(
        ceil(width * ratio), ceil(height * ratio), QImage.Format.Format_ARGB32_Premultiplied
    )
    picture.setDevicePixelRatio(ratio)
    picture.fill(Qt.GlobalColor.transparent)
    path = QPainterPath()
    path.addText(QPointF(TEXT_SEAM, int(metrics.ascent()) + TEXT_SEAM), font, words)
    inner = QPainter(picture)
    inner.setRenderHint(QPainter.RenderHint.Antialiasing)
    cap, join = Qt.PenCapStyle.RoundCap, Qt.PenJoinStyle.RoundJoin
    inner.strokePath(path, QPen(QColor(SEAM), TEXT_SEAM, SOLID, cap, join))
    inner.fillPath(path, QColor(colour))
    inner.end()
    return picture


class Labels:
    """Words beside figures, each moved down until it covers no other.

    Parameters
    ----------
    painter
        Paints them.
    room
        Where words must end, in pixels from the left.
    taken
        What they may not cover.
    """

    def __init__(self, painter: QPainter, room: float, taken: Sequence[QRectF] = ()) -> None:
        self.painter, self._room = painter, room
        self._taken = list(taken)

    def add(self, at: QPointF, words: str, colour: str) -> None:
        """Paint words with their baseline beginning at a point, or below it."""
        height = float(self.painter.fontMetrics().height())
        width = width_of(self.painter, words)
        box = QRectF(min(at.x(), self._room - width), at.y() - height, width, height)
        while any(box.intersects(other) for other in self._taken):
            box.translate(0, height / 2)
        self._taken.append(box)
        ground = QColor(SEAM)
        ground.setAlpha(GROUND_ALPHA)
        self.painter.fillRect(box.adjusted(-3, 1, 3, 4), ground)
        text(self.painter, box.bottomLeft(), words, colour)


def by_pointer(
    painter: QPainter, at: QPointF, words: Sequence[str], colour: str, *, room: float
) -> None:
    """Paint lines of words below the pointer, to its right or, where they end there, to its left.

    Parameters
    ----------
    painter, at, words, colour
        Paints; where the pointer is; one string for each line; in this colour.
    room
        Where words must end, in pixels from the left.
    """
    width = max((width_of(painter, each) for each in words), default=0.0)
    is_left = at.x() + POINTER + width > room
    x = max(at.x() - POINTER - width, 0.0) if is_left else at.x() + POINTER
    for number, each in enumerate(words):
        text(painter, QPointF(x, at.y() + 20 + 18 * number), each, colour)


def width_of(painter: QPainter, words: str) -> float:
    """Return how wide words are."""
    return float(painter.fontMetrics().horizontalAdvance(words))
