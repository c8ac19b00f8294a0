"""The training set: how a reader's grades compare with the expert's, and who passed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Any

from imgtrack.domain.errors import Fault
from imgtrack.domain.form import Choice, Graded, chosen, reason_of

if TYPE_CHECKING:
    from collections.abc import Iterable

    from imgtrack.domain.cases import Case, TrainingKey
    from imgtrack.domain.form import Form
    from imgtrack.domain.reading import Reading

NOT_ASSESSABLE = "not assessable"
"""What a key says where the expert could not tell."""


class Standing(StrEnum):
    """Where a reader stands with the training set."""

    NOT_NEEDED = "no training set"
    NOT_ALLOTTED = "not allotted"
    OPEN = "open"
    PASSED = "passed"
    FAILED = "failed"


@dataclass(frozen=True, slots=True)
class Training:
    """One reader's latest attempt at the training set.

    Attributes
    ----------
    standing
        Passed once any attempt was.
    attempt
        Number of the latest attempt; 0 before the first.
    hits, asked
        Answers equal to the expert's, of all that the key has for the attempt's scans.
    """

    standing: Standing
    attempt: int = 0
    hits: int = 0
    asked: int = 0

    @property
    def share(self) -> float | None:
        """Share of hits; ``None`` before anything was asked."""
        return self.hits / self.asked if self.asked else None

    @property
    def lets_in(self) -> bool:
        """Whether real cases are open to the reader."""
        return self.standing in {Standing.NOT_NEEDED, Standing.PASSED}


def training(
    keys: Mapping[str, TrainingKey],
    cases: Iterable[Case],
    readings: Mapping[str, Reading],
    *,
    pass_share: float,
) -> Training:
    """Return where a reader stands.

    Parameters
    ----------
    keys
        The expert's keys by scan.
    cases
        The reader's training cases.
    readings
        What the reader signed of them, by code of the case.
    pass_share
        Share of hits that passes, 0 to 1.

    Returns
    -------
    Training
        The first attempt that passed, else the latest. An answer left out, or not assessable
        where the expert could tell, is no hit. A key that changed since is compared as it is now.
    """
    attempts: dict[int, list[Case]] = {}
    for case in cases:
        attempts.setdefault(case.attempt, []).append(case)
    if not attempts:
        return Training(Standing.NOT_ALLOTTED if keys else Standing.NOT_NEEDED)
    results = [
        _attempt(number, attempts[number], keys, readings, pass_share)
        for number in sorted(attempts)
    ]
    return next((each for each in results if each.standing is Standing.PASSED), results[-1])


def _attempt(
    number: int,
    cases: list[Case],
    keys: Mapping[str, TrainingKey],
    readings: Mapping[str, Reading],
    pass_share: float,
) -> Training:
    if any(case.code not in readings for case in cases):
        return Training(Standing.OPEN, number)
    pairs = [
        (readings[case.code].answers, question, answer)
        for case in cases
        for question, answer in keys[case.scan].answers.items()
    ]
    hits = sum(said(answers, question) == answer for answers, question, answer in pairs)
    passed = hits >= pass_share * len(pairs)
    return Training(Standing.PASSED if passed else Standing.FAILED, number, hits, len(pairs))


def said(answers: Mapping[str, Any], question: str) -> str | None:
    """Return what a reading says to a question, in the words of a key."""
    return NOT_ASSESSABLE if reason_of(answers, question) else chosen(answers, question)


def key_faults(form: Form, answers: Mapping[str, str], where: str) -> list[Fault]:
    """Return what is wrong with an expert's answers: unknown questions, levels that are none."""
    if not answers:
        return [Fault("the key has no answer", where, "a grade of one question or more")]
    faults = []
    for name, answer in answers.items():
        options = _options(form, name)
        if not options:
            known = ", ".join(each for each in form.names if _options(form, each))
            faults.append(Fault(f"'{name}' is no question a key can answer", where, known, name))
        elif answer not in {*options, NOT_ASSESSABLE}:
            expected = ", ".join((*options, NOT_ASSESSABLE))
            faults.append(Fault(f"no such answer to '{name}'", where, expected, answer))
    return faults


def _options(form: Form, name: str) -> tuple[str, ...]:
    question = form.question(name)
    if question is None:
        return ()
    match question.asks:
        case Graded(scale):
            return scale.codes
        case Choice(options):
            return options
        case _:
            return ()
