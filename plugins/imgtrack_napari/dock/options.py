"""Levels of a scale and options of a choice, as buttons with number keys."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from qtpy.QtCore import QEvent

from imgtrack.domain.form import Graded
from imgtrack.domain.scales import Unit
from imgtrack_napari.dock.body import Body
from imgtrack_napari.dock.parts import button, column, row
from imgtrack_napari.dock.words import criteria, option_words
from imgtrack_napari.marking import digit_of, option_of

if TYPE_CHECKING:
    from qtpy.QtCore import QObject
    from qtpy.QtWidgets import QPushButton

    from imgtrack.domain.form import Question
    from imgtrack_napari.session import Session

SHORT = 10
"""Options of at most this many letters stand beside each other."""


def is_short(question: Question) -> bool:
    """Whether the options stand beside each other, as the grades of a muscle do by their codes."""
    asks = question.asks
    if isinstance(asks, Graded) and asks.scale.unit is not Unit.MUSCLE:
        return False
    return all(len(each) <= SHORT for each in question.options)


class Options(Body):
    """Buttons of which at most one is pressed."""

    def __init__(self, session: Session, question: Question) -> None:
        super().__init__(session, question)
        self._beside = is_short(question)
        self.buttons = {option: self._button(option) for option in question.options}
        made = self.buttons.values()
        self.setLayout(row(*made) if self._beside else column(*made))

    def _button(self, option: str) -> QPushButton:
        digit = digit_of(self.question, option)
        words = option if self._beside else option_words(self.question, option)
        tip = criteria(self.question, option)
        made = button(
            words if digit in {"", option} else f"{digit}   {words}",
            f"{tip}\nkey {digit}" if digit else tip,
            partial(self.session.choose, self.name, option),
            shape="" if self._beside else "row",
            checkable=True,
        )
        made.setObjectName(f"{self.name}:{option}")
        made.installEventFilter(self)
        return made

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:  # noqa: N802 - Qt's name
        """Explain the level under the pointer."""
        if event.type() == QEvent.Type.Enter:
            option = next(each for each, made in self.buttons.items() if made is watched)
            self.explains.emit(criteria(self.question, option))
        elif event.type() == QEvent.Type.Leave:
            self.explains.emit("")
        return False

    @property
    def chosen(self) -> str:
        """The option that was given; empty without one."""
        return str(self.answer.get("value", ""))

    def refresh(self) -> None:
        """Press the button of the answer."""
        for option, made in self.buttons.items():
            made.setChecked(option == self.chosen)
            made.setEnabled(self.session.may_change)

    def explanation(self) -> str:
        """Return the criteria of the level that was given, or what is asked."""
        return criteria(self.question, self.chosen)

    def pick(self, digit: str) -> bool:
        """Give the option of a number key; one that is given already stays."""
        option = option_of(self.question, digit)
        if option is None:
            return False
        if option != self.chosen:
            self.session.choose(self.name, option)
        return True
