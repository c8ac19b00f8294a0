"""Drawing as a small state machine: which point is asked next, what is placed, when it is whole."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from imgtrack.domain.form import FatFraction, Implants, Landmarks, Measured, Ratio

if TYPE_CHECKING:
    from collections.abc import Sequence

    from imgtrack.domain.form import Question
    from imgtrack.domain.scales import View
    from imgtrack_napari.measuring import Placed


@dataclass(frozen=True, slots=True)
class Leg:
    """Points of one name.

    Attributes
    ----------
    name
        Key of the points in the answer.
    labels
        What each point is; the last one is asked again while the leg is open.
    fewest
        How many it needs.
    is_open
        Whether more may follow until the reader ends it.
    one_image
        Whether all its points must lie on the image of the first point of the tool.
    most
        How many an open leg takes before it ends by itself; 0 for any number.
    """

    name: str
    labels: tuple[str, ...]
    fewest: int
    is_open: bool = False
    one_image: bool = True
    most: int = 0

    def is_full(self, count: int) -> bool:
        """Whether so many points end it without the reader saying so."""
        return count == (self.most if self.is_open else self.fewest)


HEAD, TIP = "head of the implant", "tip of the implant"


def legs_of(question: Question, part: str = "") -> tuple[Leg, ...]:
    """Return what is to be drawn for a question; nothing where nothing is drawn.

    Parameters
    ----------
    question
        Of the form.
    part
        Which part of a ratio; label of an implant that is there, to mark its tip.
    """
    asks = question.asks
    if isinstance(asks, Measured):
        return (Leg("points", asks.points, len(asks.points), asks.open_ended, one_image=False),)
    if isinstance(asks, Landmarks):
        return tuple(
            Leg(
                each.name, _labels(each.name, outline=each.is_outline), each.fewest, each.is_outline
            )
            for each in asks.sets
        )
    if isinstance(asks, Ratio):
        found = next(each for each in (asks.top, asks.bottom) if each.name == part)
        is_outline = found.fewest > 2
        return (Leg(part, _labels(part, outline=is_outline), found.fewest, is_outline),)
    if isinstance(asks, FatFraction):
        return (Leg("points", _labels(asks.outline, outline=True), 3, is_open=True),)
    if isinstance(asks, Implants):
        return (_tip() if part else _head_and_tip(),)
    return ()


def _head_and_tip() -> Leg:
    return Leg("points", (HEAD, TIP), 1, is_open=True, one_image=False, most=2)


def _tip() -> Leg:
    return Leg("points", (TIP,), 1)


def _labels(name: str, *, outline: bool) -> tuple[str, ...]:
    return (f"outline of the {name}",) if outline else (name,)


@dataclass(slots=True)
class Tool:
    """One measurement being drawn.

    Attributes
    ----------
    question, part
        What it is for; see :func:`legs_of`.
    legs
        What is to be drawn.
    views
        Images it may be drawn on.
    placed
        Points of each leg so far.
    on_earlier
        Whether it is drawn on an earlier scan, beside the one that is read.
    refused
        In a sentence: why the last click set no point, or what was drawn was not kept; empty
        once a point is set or taken back.
    """

    question: str
    part: str
    legs: tuple[Leg, ...]
    views: tuple[View, ...] = ()
    placed: dict[str, list[Placed]] = field(default_factory=dict)
    on_earlier: bool = False
    refused: str = ""
    _at: int = 0

    def __post_init__(self) -> None:
        self.placed = {leg.name: [] for leg in self.legs}

    @property
    def leg(self) -> Leg | None:
        """The leg being drawn; ``None`` when all are."""
        return self.legs[self._at] if self._at < len(self.legs) else None

    @property
    def is_whole(self) -> bool:
        """Whether everything is drawn."""
        return self.leg is None

    @property
    def can_end(self) -> bool:
        """Whether what is drawn is whole as it is, and only something optional may follow."""
        leg = self.leg
        return leg is not None and leg.most > 0 and len(self.placed[leg.name]) >= leg.fewest

    @property
    def points(self) -> list[Placed]:
        """Every point placed, in order."""
        return [each for leg in self.legs for each in self.placed[leg.name]]

    @property
    def asks(self) -> str:
        """What the next click is to hit."""
        leg = self.leg
        if leg is None:
            return ""
        done = len(self.placed[leg.name])
        label = leg.labels[min(done, len(leg.labels) - 1)]
        may_end = leg.is_open and done >= leg.fewest
        return f"click: {label}" + (", or Enter to end it" if may_end else "")

    def refusal(self, placed: Placed) -> str:
        """Return why a point cannot be placed there, or nothing."""
        series = placed.image.rpartition(".")[0]
        first = self.points[0] if self.points else None
        if first is None or self.leg is None:
            return ""
        if first.image.rpartition(".")[0] != series:
            return "this measurement was begun on another series; end it there, or Esc"
        if self.leg.one_image and first.image != placed.image:
            return "this measurement was begun on another slice; end it there, or Esc"
        return ""

    def click(self, placed: Placed) -> None:
        """Place the next point."""
        leg = self.leg
        if leg is None:
            return
        self.refused = ""
        self.placed[leg.name].append(placed)
        if leg.is_full(len(self.placed[leg.name])):
            self._at += 1

    def end_leg(self) -> bool:
        """End an outline or an open line; return whether that was possible."""
        leg = self.leg
        if leg is None or not leg.is_open or len(self.placed[leg.name]) < leg.fewest:
            return False
        self.refused = ""
        self._at += 1
        return True

    def reopen(self) -> None:
        """Go back to the last leg: an outline or open line keeps its points, else the last goes."""
        self._at = len(self.legs) - 1
        leg = self.legs[self._at]
        if leg.is_full(len(self.placed[leg.name])):
            self.placed[leg.name].pop()

    def take_back(self) -> bool:
        """Take the last point back; return whether there was one."""
        self.refused = ""
        for place in range(min(self._at, len(self.legs) - 1), -1, -1):
            name = self.legs[place].name
            if self.placed[name]:
                self.placed[name].pop()
                self._at = place
                return True
        return False

    def with_next(self, hover: Placed | None) -> Sequence[Placed]:
        """Return the points of the leg being drawn with the place under the pointer."""
        leg = self.leg
        points = list(self.placed[leg.name]) if leg else self.points
        return points if hover is None or leg is None else [*points, hover]
