"""What every kind of question shares: a widget that shows one answer and changes it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from qtpy.QtCore import Signal
from qtpy.QtWidgets import QWidget

from imgtrack_napari.dock.words import criteria

if TYPE_CHECKING:
    from collections.abc import Mapping

    from imgtrack.domain.form import Question, Reason
    from imgtrack_napari.session import Session


class Body(QWidget):
    """The controls of one question.

    Parameters
    ----------
    session
        Told what the reader does; asked what to show.
    question
        Of the form.
    """

    explains = Signal(str)
    """Words on what is under the pointer; empty when the pointer leaves."""

    def __init__(self, session: Session, question: Question) -> None:
        super().__init__()
        self.session = session
        self.question = question

    @property
    def name(self) -> str:
        """Name of the question."""
        return self.question.name

    @property
    def answer(self) -> Mapping[str, Any]:
        """The answer so far; empty without one."""
        return self.session.value(self.name)

    @property
    def proposed(self) -> Mapping[str, Any]:
        """What the program suggests as the answer; empty without that."""
        proposal = self.session.hand.proposal
        return proposal.answers.get(self.name, {}) if proposal else {}

    @property
    def known_reason(self) -> Reason | None:
        """Why it cannot be answered in this case, where that is known; then nobody has to say."""
        return None

    @property
    def lack(self) -> str:
        """What the case lacks for it, in words; empty where it can be answered."""
        return ""

    def refresh(self) -> None:
        """Show the answer as it is now."""

    def summary(self) -> str:
        """Return the answer in a few words; nothing where the controls show it."""
        return ""

    def explanation(self) -> str:
        """Return words on the answer that was given, or on what is asked."""
        return criteria(self.question)

    @property
    def is_partial(self) -> bool:
        """Whether the answer is begun and not yet whole."""
        return False

    def pick(self, digit: str) -> bool:  # noqa: ARG002 - most kinds take no digit
        """Take a number key; return whether it means something here."""
        return False

    def draw(self) -> bool:
        """Take the tool of this question; return whether it has one."""
        return False

    def fit_edges(self) -> bool:
        """Ask for the edges nearest to what was drawn; return whether there is a way to."""
        return False

    def typing(self) -> QWidget | None:
        """Return the field that takes the focus where the question is answered by typing."""
        return None

    def images(self) -> tuple[str, ...]:
        """Return aliases of the images the answer lies on."""
        return tuple(image["uid"] for image in self.answer.get("images", ()))
