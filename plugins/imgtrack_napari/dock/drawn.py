"""Lengths, angles and landmarks: drawn on the images, shown in mm, suggested, taken away."""

from __future__ import annotations

from typing import TYPE_CHECKING

from imgtrack.domain.form import Landmarks, Measured
from imgtrack.measure.lengths import length_of
from imgtrack_napari.dock.body import Body
from imgtrack_napari.dock.parts import button, column, label, row
from imgtrack_napari.dock.words import ORIGINS
from imgtrack_napari.events import Event
from imgtrack_napari.keys import Act, tip
from imgtrack_napari.look import Sign

if TYPE_CHECKING:
    from collections.abc import Mapping
    from typing import Any

    from imgtrack.domain.form import Question
    from imgtrack_napari.session import Session


def figure_words(question: Question, answer: Mapping[str, Any]) -> str:
    """Return a measurement in words, rounded for the eye; nothing without one."""
    asks = question.asks
    if isinstance(asks, Measured) and asks.quantity in answer:
        unit = " mm" if asks.quantity == "mm" else "°"
        return f"{answer[asks.quantity]:.1f}{unit}"
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
        self.results = label("", "strong")
        self.results.setVisible(isinstance(question.asks, Landmarks))
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
    def _is_length(self) -> bool:
        asks = self.question.asks
        return isinstance(asks, Measured) and asks.quantity == "mm"

    def refresh(self) -> None:
        """Show what was drawn; tools that need a drawing show once there is one."""
        has, may = bool(self.answer), self.session.may_change
        self.begin.setChecked(self._in_hand)
        self.begin.setEnabled(may)
        self.shows.setVisible(has)
        self.edges.setVisible(has and self._is_length and may)
        self.away.setVisible(has and may)
        if isinstance(self.question.asks, Landmarks):
            unit = " mm" if has else ""
            self.results.setText(figure_words(self.question, self.answer) + unit)

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
            points = [list(each.point) for each in tool.points]
            is_line = self._is_length and len(points) > 1
            return f"… {length_of(points).path_mm:.1f} mm" if is_line else "…"
        is_length = isinstance(self.question.asks, Measured)
        return figure_words(self.question, self.answer) if is_length else ""
