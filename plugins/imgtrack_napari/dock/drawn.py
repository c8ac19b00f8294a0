"""Lengths, angles and landmarks: drawn on the images, shown in mm, suggested, taken away."""

from __future__ import annotations

from typing import TYPE_CHECKING

from imgtrack.domain.errors import ImgtrackError
from imgtrack.domain.form import FatFraction, Landmarks, Measured, Origin, Reason
from imgtrack.measure.lengths import length_of
from imgtrack_napari.dixon import NONE_HERE, can_measure, fat_value
from imgtrack_napari.dock.body import Body
from imgtrack_napari.dock.parts import button, column, label, row, show_words
from imgtrack_napari.dock.words import ORIGINS
from imgtrack_napari.events import Event
from imgtrack_napari.keys import Act, tip
from imgtrack_napari.look import Sign

if TYPE_CHECKING:
    from collections.abc import Mapping
    from typing import Any

    from imgtrack.domain.form import Question
    from imgtrack_napari.drawing import Tool
    from imgtrack_napari.session import Session


def figure_words(question: Question, answer: Mapping[str, Any]) -> str:
    """Return a measurement in words, rounded for the eye; nothing without one."""
    asks = question.asks
    if isinstance(asks, Measured) and asks.quantity in answer:
        unit = " mm" if asks.quantity == "mm" else "°"
        return f"{answer[asks.quantity]:.1f}{unit}"
    if isinstance(asks, FatFraction) and "percent" in answer:
        return f"{answer['percent']:.1f} %"
    if isinstance(asks, Landmarks):
        found = answer.get("mm", {})
        numbers = ((each.name, found.get(each.name)) for each in asks.results)
        return " · ".join(
            f"{name} {'?' if value is None else f'{value:.1f}'}" for name, value in numbers
        )
    return ""


class Drawn(Body):
    """A measurement that points define."""

    def __init__(self, session: Session, question: Question) -> None:
        super().__init__(session, question)
        title = question.title
        self.begin = button("Draw  D", tip(Act.DRAW, f"{title}: draw"), self.draw, checkable=True)
        self.shows = button("Show  V", tip(Act.SHOW, f"{title}: show the image"), self.show_image)
        self.edges = button("Find edges  E", tip(Act.FIT_EDGES), self.fit_edges)
        self.away = button(
            "Delete",
            tip(Act.CLEAR, f"{title}: take away"),
            lambda: session.clear(self.name),
        )
        named = (("draw", self.begin), ("show", self.shows), ("edges", self.edges))
        for word, each in (*named, ("delete", self.away)):
            each.setObjectName(f"{self.name}:{word}")
        self.results = label("", "strong" if isinstance(question.asks, Landmarks) else "quiet")
        tools = row(self.begin, self.shows, self.edges, self.away, None)
        self.setLayout(column(self.results, tools))

    @property
    def _in_hand(self) -> bool:
        tool = self.session.hand.tool
        return tool is not None and tool.question == self.name

    def draw(self) -> bool:
        """Take the tool; again puts it down."""
        self.session.hand.start(self.name)
        return True

    def fit_edges(self) -> bool:
        """Ask for the edges nearest to the ends of a drawn line."""
        if not self._is_length or not self.answer:
            return False
        self.session.hand.propose_edges(self.name)
        return True

    def show_image(self) -> None:
        """Bring up the image it was measured on."""
        images = self.images()
        if images and self.session.viewing.show_image(images[0]) is not None:
            self.session.tell(Event.VIEW)

    @property
    def known_reason(self) -> Reason | None:
        """Not acquired, where the case has no fat and water images to measure on."""
        return Reason.NOT_ACQUIRED if self.lack else None

    @property
    def lack(self) -> str:
        """Say that there are no fat and water images, where they are needed."""
        is_fat = isinstance(self.question.asks, FatFraction)
        lacks = is_fat and not can_measure(self.session)
        return f"{NONE_HERE} N: {Reason.NOT_ACQUIRED.value}" if lacks else ""

    @property
    def _is_length(self) -> bool:
        asks = self.question.asks
        return isinstance(asks, Measured) and asks.quantity == "mm"

    def refresh(self) -> None:
        """Show what was drawn; tools that need a drawing show once there is one."""
        has, may = bool(self.answer), self.session.may_change
        self.begin.setChecked(self._in_hand)
        self.begin.setEnabled(may)
        self.begin.setVisible(not self.lack)
        self.shows.setVisible(has)
        self.edges.setVisible(has and self._is_length and may and self.session.hand.can_propose)
        self.away.setVisible(has and may)
        self._show_results()

    def _show_results(self) -> None:
        """Show what stands beside the one number: positions, or where a fat fraction is from."""
        answer, words = self.answer, ""
        if isinstance(self.question.asks, Landmarks):
            words = figure_words(self.question, answer) + (" mm" if answer else "")
        elif isinstance(self.question.asks, FatFraction) and answer:
            pixels, spread = answer["voxels"], answer["sd_percent"]
            words = f"{pixels} pixels, SD {spread:.1f} %, {answer['mm2']:.0f} mm². No grade."
        show_words(self.results, words)

    def explanation(self) -> str:
        """Return what is asked, and where the points come from."""
        origin = ORIGINS.get(self.answer.get("origin", ""), "")
        return f"{super().explanation()} {origin}".strip()

    def summary(self) -> str:
        """Return the length: suggested, while drawing so far, or given."""
        if self.proposed:
            return f"{Sign.IMPLIED} {figure_words(self.question, self.proposed)}"
        tool = self.session.hand.tool
        if tool is not None and self._in_hand:
            if isinstance(self.question.asks, FatFraction):
                return f"… {self._so_far(tool)}".strip()
            points = [list(each.point) for each in tool.points]
            is_line = self._is_length and len(points) > 1
            return f"… {length_of(points).path_mm:.1f} mm" if is_line else "…"
        has_one_number = isinstance(self.question.asks, Measured | FatFraction)
        return figure_words(self.question, self.answer) if has_one_number else ""

    def _so_far(self, tool: Tool) -> str:
        """Return the fat fraction within the points drawn so far; nothing while they hold none."""
        try:
            found = fat_value(self.session, tool.points, Origin.DRAWN) if tool.points else {}
        except ImgtrackError:
            return ""
        return figure_words(self.question, found)
