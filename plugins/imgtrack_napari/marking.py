"""Which question is marked: the one that keys answer. No window in here."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from imgtrack.domain.form import Question, Step
    from imgtrack_napari.session import Session


def digit_of(question: Question, option: str) -> str:
    """Return the digit that chooses an option, or nothing where there are too many.

    A scale of digits is answered by the digit itself, so that grade 0 is the key 0; anything else
    by its place, from 1.
    """
    if all(len(each) == 1 and each.isdigit() for each in question.options):
        return option
    place = question.options.index(option) + 1
    return str(place) if place < 10 else ""


def option_of(question: Question, digit: str) -> str | None:
    """Return the option a digit chooses; ``None`` when it chooses nothing."""
    found = [each for each in question.options if digit_of(question, each) == digit]
    return found[0] if found else None


class Marking:
    """Which question is marked.

    Parameters
    ----------
    session
        Whose form it is.

    Attributes
    ----------
    name
        Of the marked question; empty when none is.
    """

    def __init__(self, session: Session) -> None:
        self._session = session
        self.name = ""

    @property
    def question(self) -> Question | None:
        """The marked question."""
        form = self._session.form
        return form.question(self.name) if form else None

    def asked(self, step: Step) -> list[str]:
        """Return the names of the questions of a step that are to be answered now."""
        session = self._session
        questions = session.form.questions if session.form else ()
        return [
            each.name
            for each in questions
            if each.step is step and session.standing.is_asked(each.name)
        ]

    def begin(self) -> None:
        """Mark the first question that is missing, else the first that is asked."""
        self.name = ""
        self.go_on()
        if not self.name:
            self.move(1)

    def to(self, name: str) -> None:
        """Mark a question and go to its step."""
        self.name = name
        if self.question is not None:
            self._session.go_to(self.question.step)

    def to_step(self, step: Step) -> None:
        """Go to a step and mark its first missing question, or its first."""
        missing = [each.question for each in self._session.standing.missing_in(step)]
        asked = self.asked(step)
        self.name = next((each for each in asked if each in missing), asked[0] if asked else "")
        self._session.go_to(step)

    def move(self, by: int) -> None:
        """Mark the question after or before, across steps."""
        order = self._session.form.names if self._session.form else ()
        here = order.index(self.name) if self.name in order else -1
        ahead = order[here + 1 :] if by > 0 else order[: max(here, 0)][::-1]
        asked = [name for name in ahead if self._session.standing.is_asked(name)]
        if asked:
            self.to(asked[min(abs(by), len(asked)) - 1])

    def go_on(self) -> None:
        """Mark the next question that is missing; stay when nothing is."""
        names = [each.question for each in self._session.standing.missing if each.question]
        if not names:
            return
        order = self._session.form.names if self._session.form else ()
        here = order.index(self.name) if self.name in order else -1
        self.to(next((each for each in names if order.index(each) > here), names[0]))
