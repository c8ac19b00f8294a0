"""What is painted over the image of a pane, from back to front."""

from __future__ import annotations

from typing import TYPE_CHECKING

from qtpy.QtCore import QPointF, QRectF, Qt
from qtpy.QtGui import QColor, QFont, QPen

from imgtrack.domain.errors import InvalidInput
from imgtrack.measure.areas import area_of
from imgtrack.measure.lengths import length_of
from imgtrack_napari import painting
from imgtrack_napari.conversion import crossing_line, letters, lies_on, to_pane
from imgtrack_napari.figures import Shape, marked_gaps
from imgtrack_napari.look import BESIDE, CROSSING, DRAWN, IN_HAND, PROPOSED

if TYPE_CHECKING:
    from qtpy.QtGui import QPainter

    from imgtrack.desk.cases.images import ShownImage
    from imgtrack_napari.figures import Figure
    from imgtrack_napari.measuring import Placed
    from imgtrack_napari.pane import PaneView

EDGE = 8.0
"""Pixels between words and the edge of the pane."""

BAR = 24.0
"""Pixels at the right edge that the bar of slices and its mark take."""

TOP, LINE = 20.0, 18.0
"""Where the first line of words stands, and pixels from line to line."""

JOINT = " · "
"""Between words on one line."""

BAR_MM = (100, 50, 20, 10, 5, 2, 1)


def paint(painter: QPainter, pane: PaneView, hover: Placed | None) -> None:
    """Paint everything over the image of a pane."""
    image = pane.image
    font = painter.font()
    font.setPointSizeF(10.5)
    painter.setFont(font)
    if image is not None:
        _crossings(painter, pane, image)
        _cursor(painter, pane, image)
        if pane.shows_drawing:
            kept = [_letter_box(painter, *each) for each in _letter_places(painter, pane, image)]
            labels = painting.Labels(painter, pane.width() - BAR, kept)
            for figure in pane.figures_beside:
                _figure_beside(labels, pane, image, figure)
            for figure in pane.figures:
                _figure(labels, pane, image, figure, hover)
        _tool(painter, pane, image, hover)
        _gap_mark(painter, pane, image)
        _letters(painter, pane, image)
        _bar(painter, pane)
    _words(painter, pane)
    _frame(painter, pane)


def _at(pane: PaneView, image: ShownImage, point: tuple[float, ...]) -> QPointF:
    return pane.canvas.screen_point(to_pane(image, point))


def _crossings(painter: QPainter, pane: PaneView, image: ShownImage) -> None:
    """Paint where the images of the other panes cross this one."""
    for other in pane.linked:
        if other.image is None or (ends := crossing_line(image, other.image)) is None:
            continue
        begin, end = (pane.canvas.screen_point(each) for each in ends)
        painting.line(painter, [begin, end], CROSSING, width=1.2, style=Qt.PenStyle.DotLine)


def _cursor(painter: QPainter, pane: PaneView, image: ShownImage) -> None:
    cursor = pane.session.viewing.cursor
    if cursor is not None and image.plane is not None:
        painting.cross(painter, _at(pane, image, cursor), CROSSING)


def _figure(
    labels: painting.Labels, pane: PaneView, image: ShownImage, figure: Figure, hover: Placed | None
) -> None:
    if image.alias not in figure.images:
        return
    painter = labels.painter
    points = list(figure.points)
    held = pane.sheet.held
    if (
        held is not None
        and hover is not None
        and (held.question, held.part)
        == (
            figure.question,
            figure.part,
        )
    ):
        points[held.number] = hover.point
    colour = PROPOSED if figure.proposed else DRAWN
    shown = [_at(pane, image, point) for point in points]
    style = painting.DASHED if figure.proposed else painting.SOLID
    if figure.shape is not Shape.POINTS:
        closed = figure.shape is Shape.OUTLINE
        painting.line(painter, shown, colour, style=style, closed=closed)
    for point, place in zip(points, shown, strict=True):
        if figure.proposed:
            painting.square(painter, place, colour)
        else:
            painting.ring(painter, place, colour, filled=not lies_on(image, point))
    words = f"{figure.words} proposed" if figure.proposed else figure.words
    place = max(shown, key=lambda each: each.x())
    labels.add(QPointF(place.x() + 9, place.y() - 7), words, colour)


def _figure_beside(
    labels: painting.Labels, pane: PaneView, image: ShownImage, figure: Figure
) -> None:
    """Paint what a first reading drew: dotted, with its letter."""
    if image.alias not in figure.images or not figure.points:
        return
    shown = [_at(pane, image, point) for point in figure.points]
    is_outline = figure.shape is Shape.OUTLINE
    if figure.shape is not Shape.POINTS:
        dotted = painting.DOTTED
        painting.line(labels.painter, shown, BESIDE, style=dotted, closed=is_outline)
    for place in () if is_outline else shown:
        painting.tilted(labels.painter, place, BESIDE)
    place = max(shown, key=lambda each: each.x())
    labels.add(QPointF(place.x() + 9, place.y() - 7), f"{figure.of}: {figure.words}", BESIDE)


def _tool(painter: QPainter, pane: PaneView, image: ShownImage, hover: Placed | None) -> None:
    """Paint the measurement in hand, with the piece to the pointer and its millimetres."""
    tool = pane.session.hand.tool
    if tool is None or tool.leg is None:
        return
    for placed in tool.points:
        if placed.image == image.alias:
            painting.ring(painter, _at(pane, image, placed.point), IN_HAND)
    here = hover if hover is not None and hover.image == image.alias else None
    leg = [each for each in tool.with_next(here) if each.image == image.alias]
    shown = [_at(pane, image, each.point) for each in leg]
    painting.line(painter, shown, IN_HAND, closed=False)
    if here is not None:
        place = _at(pane, image, here.point)
        refusal = pane.session.hand.refusal(here)
        asks = refusal or tool.asks.removeprefix("click: ")
        live = "" if refusal else _live(leg, tool.leg.fewest)
        painting.by_pointer(painter, place, (asks, live), IN_HAND, room=pane.width() - BAR)


def _live(leg: list[Placed], fewest: int) -> str:
    """Return the length or area so far."""
    points = [each.point for each in leg]
    if len(points) < 2 or len(set(points)) < 2:
        return ""
    if fewest > 2:
        return "" if len(points) < 4 or len(points[0]) < 3 else _area(points)
    return f"{length_of(points).path_mm:.1f} mm"


def _area(points: list[tuple[float, ...]]) -> str:
    try:
        return f"{area_of(points).mm2:.0f} mm²"
    except InvalidInput as error:
        return error.faults[0].what


def _gap_mark(painter: QPainter, pane: PaneView, image: ShownImage) -> None:
    """Paint a bar of slices at the right edge: the one shown, and those marked with the gap."""
    session = pane.session
    series = session.viewing.panes[pane.plane].series
    if session.form is None or series is None or len(series.images) < 2:
        return
    marked = marked_gaps(session.form, session.answers)
    proposal = session.hand.proposal
    proposed = marked_gaps(session.form, proposal.answers) if proposal else frozenset()
    height = (pane.height() - 120) / len(series.images)
    for place, each in enumerate(series.images):
        box = QRectF(pane.width() - 14, 60 + place * height, 8, max(height - 2, 1))
        if each.alias in marked:
            painter.fillRect(box, QColor(DRAWN))
        painter.setPen(QPen(QColor(PROPOSED if each.alias in proposed else CROSSING), 1))
        painter.setBrush(Qt.BrushStyle.NoBrush)
        painter.drawRect(box)
        if each.alias == image.alias:
            painting.line(
                painter,
                [box.topLeft() - QPointF(8, -height / 2), box.topLeft() - QPointF(1, -height / 2)],
                IN_HAND,
                width=3,
            )
    if image.alias in marked:
        words = "gap on this slice"
        x = pane.width() - painting.width_of(painter, words) - 30
        is_free = x > pane.width() / 2 + BAR  # beside the letter at the top, else below it
        y = _below_words(painter, pane) + (0 if is_free else LINE)
        painting.text(painter, QPointF(x, y), words, DRAWN)


def _letter_places(
    painter: QPainter, pane: PaneView, image: ShownImage
) -> list[tuple[str, QPointF]]:
    """Return the letters at the four edges with where they begin; nothing without geometry."""
    found = letters(image.plane)
    if not found:
        return []
    width, height = pane.width(), pane.height()
    right = width - 34 - painting.width_of(painter, found["right"])
    return [
        (found["left"], QPointF(EDGE, height / 2)),
        (found["right"], QPointF(right, height / 2)),
        (found["top"], QPointF(width / 2, _below_words(painter, pane))),
        (found["bottom"], QPointF(width / 2, height - EDGE)),
    ]


def _letter_box(painter: QPainter, words: str, place: QPointF) -> QRectF:
    height = painter.fontMetrics().height()
    return QRectF(place.x(), place.y() - height, painting.width_of(painter, words) + EDGE, height)


def _letters(painter: QPainter, pane: PaneView, image: ShownImage) -> None:
    placed = _letter_places(painter, pane, image)
    words = painter.font()
    letter = QFont(words)
    letter.setStyleHint(QFont.StyleHint.TypeWriter)  # whose capital I is no bare stroke
    letter.setFamilies(["DejaVu Sans Mono", "Menlo", "Consolas", "monospace"])
    letter.setBold(True)
    painter.setFont(letter)
    for found, place in placed:
        painting.text(painter, place, found, IN_HAND)
    painter.setFont(words)


def _bar(painter: QPainter, pane: PaneView) -> None:
    """Paint a scale in mm at the lower left."""
    zoom = pane.canvas.zoom
    length = next((mm for mm in BAR_MM if mm * zoom <= pane.width() / 3), BAR_MM[-1])
    y, x = pane.height() - 14.0, EDGE
    ends = [QPointF(x, y), QPointF(x + length * zoom, y)]
    painting.line(painter, ends, IN_HAND, width=2)
    for end in ends:
        painting.line(painter, [end + QPointF(0, -4), end + QPointF(0, 4)], IN_HAND, width=2)
    painting.text(painter, QPointF(x, y - 8), f"{length} mm", IN_HAND)


def _words(painter: QPainter, pane: PaneView) -> None:
    for number, words in enumerate(_lines(painter, pane)):
        painting.text(painter, QPointF(EDGE, TOP + LINE * number), words, IN_HAND)


def _below_words(painter: QPainter, pane: PaneView) -> float:
    """Return where the next line below the words at the top stands."""
    return TOP + LINE * len(_lines(painter, pane))


def _lines(painter: QPainter, pane: PaneView) -> list[str]:
    """Return the words at the top: what is shown, then which slice."""
    shown = pane.session.viewing.panes[pane.plane]
    more = f"{shown.choice + 1} of {len(shown.choices)} series" if len(shown.choices) > 1 else ""
    room = pane.width() - 3 * EDGE
    lines = [*_broken(painter, [*shown.words.split(JOINT)], room)]
    return lines + _broken(painter, [*shown.slice_words.split(JOINT), more], room)


def _broken(painter: QPainter, words: list[str], room: float) -> list[str]:
    """Return words joined on one line, or each on its own where they have no room."""
    said = [each for each in words if each]
    joined = JOINT.join(said)
    return [joined] if painting.width_of(painter, joined) <= room else said


def _frame(painter: QPainter, pane: PaneView) -> None:
    if pane.session.viewing.active is pane.plane:
        painter.setPen(QPen(QColor(DRAWN), 2))
        painter.setBrush(Qt.BrushStyle.NoBrush)
        painter.drawRect(QRectF(1, 1, pane.width() - 2, pane.height() - 2))
