"""Which questions of a form are asked, given the answers so far."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Any

from imgtrack.domain.form.questions import Reason

if TYPE_CHECKING:
    from imgtrack.domain.form.answers import Answers
    from imgtrack.domain.form.questions import Condition, Form, Question

LEFT_OUT = "optional, left out"


class State(StrEnum):
    """Where one question stands."""

    ASKED = "asked"
    NOT_ASKED = "not asked"
    NOT_ASSESSABLE = "not assessable"
    LATER = "waits for an earlier answer"


@dataclass(frozen=True, slots=True)
class Asking:
    """Where one question stands, and why.

    Attributes
    ----------
    state
        ``NOT_ASSESSABLE`` means that an earlier question fell and this one falls with it.
    words
        Why it is not asked; else empty.
    reason, because
        Why it is not assessable, and the name of the question it falls with; else empty.
    """

    state: State
    words: str = ""
    reason: Reason | None = None
    because: str = ""

    @property
    def record(self) -> dict[str, str] | None:
        """What stands in place of an answer, or ``None`` where a person answers."""
        if self.state is State.NOT_ASKED:
            return {"not_asked": self.words}
        if self.reason is not None:
            return {"not_assessable": self.reason.value, "because": self.because}
        return None


ASKED = Asking(State.ASKED)
LATER = Asking(State.LATER)
LEFT = Asking(State.NOT_ASKED, LEFT_OUT)
PRECEDENCE = (State.NOT_ASKED, State.NOT_ASSESSABLE, State.LATER, State.ASKED)
"""With several conditions the first of these that any of them gives holds."""


def asking(form: Form, answers: Answers) -> dict[str, Asking]:
    """Return where every question of a form stands.

    Parameters
    ----------
    form
        The form.
    answers
        What has been answered so far, checked or not; what cannot be understood counts as not
        answered yet.

    Returns
    -------
    dict
        By name, in the order of the form. A question whose earlier question was not assessable
        falls with it; where that one was not asked, neither is this.
    """
    found: dict[str, Asking] = {}
    for question in form.questions:
        states = [_by(condition, form, found, answers) for condition in question.when]
        found[question.name] = min((*states, ASKED), key=lambda each: PRECEDENCE.index(each.state))
    return found


def _by(condition: Condition, form: Form, found: Mapping[str, Asking], answers: Answers) -> Asking:
    """Return what one condition makes of a question."""
    name = condition.question
    if found[name].state is not State.ASKED:
        return found[name]
    question, answer = form.question(name), answers.get(name)
    if question is None or not isinstance(answer, Mapping):
        return LATER if question is None or question.required else LEFT
    if "not_asked" in answer:
        return LEFT
    if (reason := _reason(answer)) is not None:
        return Asking(State.NOT_ASSESSABLE, reason=reason, because=name)
    return _by_value(condition, question, answer.get("value"))


def _by_value(condition: Condition, question: Question, value: Any) -> Asking:
    if not condition.values or value in condition.values:
        return ASKED
    is_known = isinstance(value, str) and value in question.options
    return Asking(State.NOT_ASKED, condition.otherwise) if is_known else LATER


def _reason(answer: Mapping[str, Any]) -> Reason | None:
    given = answer.get("not_assessable")
    return Reason(given) if isinstance(given, str) and given in set(Reason) else None
