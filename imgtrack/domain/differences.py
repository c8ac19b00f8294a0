"""In what readings of one scan differ, by the protocol's definition."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from typing import TYPE_CHECKING

from imgtrack.domain.form import names
from imgtrack.domain.form.answers import (
    Answers,
    chosen,
    is_answered,
    is_torn,
    length_mm,
    reason_of,
)
from imgtrack.domain.form.outcome import outcome_of, outcome_question
from imgtrack.domain.form.questions import Graded, Measured, Question

if TYPE_CHECKING:
    from imgtrack.domain.form.questions import Form
    from imgtrack.domain.protocol import Protocol


class Kind(StrEnum):
    """The four things a protocol may call a difference."""

    OUTCOME = "outcome"
    GRADE = "grade steps"
    LENGTH = "millimetres"
    ASSESSABLE = "one not assessable"


@dataclass(frozen=True, slots=True)
class Difference:
    """One question on which readings differ.

    Attributes
    ----------
    question
        Name of the question.
    kind
        By what.
    values
        What was answered, each answer once, in an order that does not tell who gave it.
    words
        In a sentence.
    """

    question: str
    kind: Kind
    values: tuple[str, ...]
    words: str


def differences(
    form: Form, readings: Sequence[Answers], protocol: Protocol
) -> tuple[Difference, ...]:
    """Return in what readings of one scan differ, in the order of the form.

    Parameters
    ----------
    form
        The form they answer.
    readings
        Checked answers of two readers or more, in any order: the result does not depend on it.
    protocol
        Its ``[reading.difference]`` says what counts:

        ``outcome``
            One says healed and another retear, by the rule for the outcome; on a form that does
            not ask it, one sees a full-thickness defect and another none.
        ``grade_steps``
            Grades that many steps apart or more, on scales whose levels have an order.
        ``millimetres``
            Lengths further apart than that, compared as the decimal numbers they are written as.
        ``one_not_assessable``
            A required question answered by one and not assessable to another. Of questions that
            fall together only the first is named.

    Notes
    -----
    Questions about adequacy, notes, implants and optional questions that one left out are no
    ground for a difference by themselves; nor is an answer missing in an imported reading.
    """
    rule = protocol.reading.difference
    checks: list[Callable[[], Iterator[Difference]]] = []
    if rule.outcome:
        checks.append(lambda: _outcome(form, readings, protocol))
    checks.append(lambda: _grades(form, readings, rule.grade_steps))
    checks.append(lambda: _lengths(form, readings, rule.millimetres))
    if rule.one_not_assessable:
        checks.append(lambda: _assessable(form, readings))
    found = [difference for check in checks for difference in check()]
    return tuple(sorted(found, key=lambda each: form.names.index(each.question)))


def _outcome(form: Form, readings: Sequence[Answers], protocol: Protocol) -> Iterator[Difference]:
    name = outcome_question(form, protocol)
    question = form.question(name or names.DEFECT)
    if question is None:
        return
    answered = [answers for answers in readings if is_answered(answers, question.name)]
    outcomes = {
        is_torn(answers) if name is None else outcome_of(answers, protocol) for answers in answered
    }
    if len(outcomes) > 1:
        values = tuple(each for each in question.options if each in _given(question, answered))
        against = "healed against retear" if name else "torn against not torn"
        words = f"{question.title}: {' and '.join(values)}, {against}"
        yield Difference(question.name, Kind.OUTCOME, values, words)


def _given(question: Question, readings: Sequence[Answers]) -> set[str | None]:
    return {chosen(answers, question.name) for answers in readings}


def _grades(form: Form, readings: Sequence[Answers], steps: int) -> Iterator[Difference]:
    for question in form.questions:
        if not isinstance(question.asks, Graded) or not question.asks.scale.ordered:
            continue
        scale, given = question.asks.scale, _given(question, readings)
        codes = [code for code in scale.codes if code in given]
        apart = scale.steps_between(codes[0], codes[-1]) if codes else 0
        if apart >= steps:
            unit = "step" if apart == 1 else "steps"
            words = f"{question.title}: {' and '.join(codes)}, {apart} {unit} apart"
            yield Difference(question.name, Kind.GRADE, tuple(codes), words)


def _lengths(form: Form, readings: Sequence[Answers], limit: float) -> Iterator[Difference]:
    for question in form.questions:
        if not isinstance(question.asks, Measured) or question.asks.quantity != "mm":
            continue
        lengths = [length_mm(answers, question.name) for answers in readings]
        given = sorted({_exact(value) for value in lengths if value is not None})
        if given and given[-1] - given[0] > _exact(limit):
            values = tuple(f"{value:f} mm" for value in given)
            apart = f"{given[-1] - given[0]:.1f} mm apart"
            words = f"{question.title}: {given[0]:.1f} and {given[-1]:.1f} mm, {apart}"
            yield Difference(question.name, Kind.LENGTH, values, words)


def _exact(value: float) -> Decimal:
    return Decimal(repr(float(value)))


def _assessable(form: Form, readings: Sequence[Answers]) -> Iterator[Difference]:
    named: set[str] = set()
    for question in form.questions:
        if question.is_adequacy or not question.required:
            continue
        states = [_state(answers, question.name) for answers in readings]
        if not ("answered" in states and any(state not in {None, "answered"} for state in states)):
            continue
        if not named & {condition.question for condition in question.when}:
            reasons = tuple(sorted({state for state in states if state and state != "answered"}))
            said = ", ".join(reasons)
            words = f"{question.title}: not assessable to one ({said}), answered by another"
            yield Difference(question.name, Kind.ASSESSABLE, (*reasons, "assessable"), words)
        named.add(question.name)


def _state(answers: Answers, name: str) -> str | None:
    """Return the reason an answer was not possible, "answered", or nothing."""
    reason = reason_of(answers, name)
    if reason is not None:
        return reason.value
    return "answered" if is_answered(answers, name) else None
