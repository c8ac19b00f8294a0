"""A ratio of two parts that are drawn one after the other."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from imgtrack.domain.form import Origin, Part, Ratio
from imgtrack_napari.dock.body import Body
from imgtrack_napari.dock.parts import button, column, label, row
from imgtrack_napari.keys import Act, tip
from imgtrack_napari.measuring import part_value
from imgtrack_napari.values import with_ratio

if TYPE_CHECKING:
    from qtpy.QtWidgets import QLayout, QPushButton

    from imgtrack.domain.form import Question
    from imgtrack_napari.session import Session

UNITS = {"mm": "mm", "mm2": "mm²", "mean": "mean signal"}


def can_be_none(part: Part) -> bool:
    """Whether there may be nothing to draw for a part, as no covered footprint."""
    return part.may_be_zero and part.quantity != "mean"


class RatioParts(Body):
    """Two parts, the ratio that follows, and a word that must be said beside it."""

    def __init__(self, session: Session, question: Question) -> None:
        super().__init__(session, question)
        asks = question.asks
        if not isinstance(asks, Ratio):
            msg = f"{question.name} is no ratio"
            raise TypeError(msg)
        self.asks = asks
        self.parts = (asks.top, asks.bottom)
        self.tools = {part.name: self._tool(part) for part in self.parts}
        self.values = {part.name: label("", "strong") for part in self.parts}
        self.aways = {part.name: self._away(part) for part in self.parts}
        self.words = {
            option: self._word(option, number) for number, option in enumerate(asks.options, 1)
        }
        self.zeros = {part.name: self._zero(part) for part in self.parts if can_be_none(part)}
        rows = [self._row(part) for part in self.parts]
        said = column(label(asks.word.replace("_", " "), "quiet"), row(*self.words.values(), None))
        self.setLayout(column(*rows, *([said] if asks.word else [])))

    def _row(self, part: Part) -> QLayout:
        zero = [self.zeros[part.name]] if part.name in self.zeros else []
        return row(self.tools[part.name], *zero, self.values[part.name], self.aways[part.name])

    def _zero(self, part: Part) -> QPushButton:
        words = f"{self.question.title}: nothing is {part.name} (0)"
        made = button("None  0", words, partial(self._say_none, part))
        made.setObjectName(f"{self.name}:{part.name}:none")
        return made

    def _say_none(self, part: Part) -> None:
        none = part_value(part, (), Origin.DRAWN)
        self.session.put({self.name: with_ratio(self.asks, {**self.answer, part.name: none})})

    def _tool(self, part: Part) -> QPushButton:
        words = f"Draw {part.name}  D"
        made = button(
            words,
            tip(Act.DRAW, f"draw: {part.name}"),
            partial(self.session.hand.start, self.name, part.name),
            checkable=True,
        )
        made.setObjectName(f"{self.name}:{part.name}:draw")
        return made

    def _away(self, part: Part) -> QPushButton:
        made = button(
            "Delete",
            tip(Act.CLEAR, f"take away: {part.name}"),
            partial(self.session.clear, self.name, part.name),
        )
        made.setObjectName(f"{self.name}:{part.name}:delete")
        return made

    def _word(self, option: str, number: int) -> QPushButton:
        made = button(
            f"{number}   {option}",
            f"{self.asks.word.replace('_', ' ')}: {option} (key {number})",
            partial(self.session.choose_word, self.name, option),
            checkable=True,
        )
        made.setObjectName(f"{self.name}:{option}")
        return made

    def draw(self) -> bool:
        """Take the tool of the first part that is not drawn, else of the first."""
        left = [part.name for part in self.parts if part.name not in self.answer]
        self.session.hand.start(self.name, (left or [self.parts[0].name])[0])
        return True

    @property
    def is_partial(self) -> bool:
        """Whether a part or the word is not given yet."""
        wanted = [part.name for part in self.parts] + [self.asks.word] * bool(self.asks.word)
        return not all(each in self.answer for each in wanted)

    def pick(self, digit: str) -> bool:
        """Say the word of a number key; 0 is "none" where a part may be that."""
        if digit == "0":
            for part in self.parts:
                if part.name in self.zeros:
                    self._say_none(part)
            return bool(self.zeros)
        place = int(digit) - 1
        if not 0 <= place < len(self.asks.options):
            return False
        self.session.choose_word(self.name, self.asks.options[place])
        return True

    def refresh(self) -> None:
        """Show both parts."""
        tool = self.session.hand.tool
        for part in self.parts:
            drawn = self.answer.get(part.name) or {}
            in_hand = tool is not None and (tool.question, tool.part) == (self.name, part.name)
            self.tools[part.name].setChecked(in_hand)
            self.tools[part.name].setEnabled(self.session.may_change)
            self.aways[part.name].setVisible(bool(drawn) and self.session.may_change)
            value = drawn.get(part.quantity)
            words = "" if value is None else f"{value:.1f} {UNITS[part.quantity]}"
            self.values[part.name].setText(words)
        for option, made in self.words.items():
            made.setChecked(self.answer.get(self.asks.word) == option)
            made.setEnabled(self.session.may_change)
        for made in self.zeros.values():
            made.setEnabled(self.session.may_change)

    def summary(self) -> str:
        """Return the ratio."""
        value = self.answer.get("value")
        return "" if value is None else f"{value:.2f}"

    def images(self) -> tuple[str, ...]:
        """Return the images of both parts."""
        return tuple(
            image["uid"]
            for part in self.parts
            for image in (self.answer.get(part.name) or {}).get("images", ())
        )
