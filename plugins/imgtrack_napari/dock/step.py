"""One step of the form: a header that says what is missing, and its questions below."""

from __future__ import annotations

from typing import TYPE_CHECKING

from qtpy.QtCore import Qt
from qtpy.QtWidgets import QWidget

from imgtrack.domain.form import State
from imgtrack_napari.dock.parts import button, column
from imgtrack_napari.dock.words import STEPS
from imgtrack_napari.look import Sign

if TYPE_CHECKING:
    from collections.abc import Callable

    from imgtrack.domain.form import Step
    from imgtrack_napari.dock.card import Card
    from imgtrack_napari.session import Session


class StepBox(QWidget):
    """One step.

    Parameters
    ----------
    session
        Asked what is missing.
    step
        Which one.
    number
        Its place, from 1, which is its key.
    cards
        Its questions.
    toggle
        Called when the header is clicked.
    head
        What stands above the questions, as the Y view proposed.
    tail
        What stands below the questions, as the signing of the last step.
    """

    def __init__(
        self,
        session: Session,
        step: Step,
        *,
        number: int,
        cards: list[Card],
        toggle: Callable[[], object],
        head: QWidget | None = None,
        tail: QWidget | None = None,
    ) -> None:
        super().__init__()
        self._session, self.step, self._number = session, step, number
        self.cards = cards
        key = f"Alt+{number}"
        tip = f"Open or close {STEPS[step]} ({key} opens it)"
        self.header = button("", tip, toggle, checkable=True)
        self.header.setObjectName("step")
        self.header.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self.pages = QWidget()
        self.pages.setObjectName("pages")
        self.pages.setLayout(column(*([head] if head else []), *cards, *([tail] if tail else [])))
        self.setLayout(column(self.header, self.pages))

    @property
    def is_open(self) -> bool:
        """Whether its questions show."""
        return not self.pages.isHidden()

    def set_open(self, *, is_open: bool) -> None:
        """Show or hide its questions."""
        self.pages.setVisible(is_open)
        self.header.setChecked(is_open)

    def _done(self) -> str:
        """Return what is said of a step in which nothing is missing now."""
        asking = self._session.standing.asking
        states = {asking[card.name].state for card in self.cards if card.name in asking}
        return f"{Sign.OPTIONAL} later" if State.LATER in states else Sign.WHOLE.value

    def refresh(self) -> None:
        """Show what is missing, in the header and on every card."""
        for card in self.cards:
            card.refresh()
        missing = len(self._session.standing.missing_in(self.step))
        state = f"{Sign.MISSING} {missing} missing" if missing else self._done()
        arrow = "▾" if self.is_open else "▸"
        words = f"{arrow} {self._number}  {STEPS[self.step]}    {state}"
        self.header.setText(words)
        self.header.setAccessibleName(words)
