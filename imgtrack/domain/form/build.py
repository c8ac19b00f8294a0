"""The form of a protocol and a modality."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from imgtrack.domain.errors import Fault, InvalidInput
from imgtrack.domain.form.mr import mr_questions
from imgtrack.domain.form.questions import Form, Question, Step
from imgtrack.domain.form.radiograph import radiograph_questions
from imgtrack.domain.form.wanted import wanted
from imgtrack.domain.imaging import Modality

if TYPE_CHECKING:
    from collections.abc import Callable

    from imgtrack.domain.form.wanted import Wanted
    from imgtrack.domain.protocol import Protocol

BUILDERS: dict[Modality, Callable[[Wanted], list[Question]]] = {
    Modality.MR: mr_questions,
    Modality.COMPUTED_RADIOGRAPHY: radiograph_questions,
    Modality.DIGITAL_RADIOGRAPHY: radiograph_questions,
}
STEPS = tuple(Step)


def form_for(protocol: Protocol, modality: Modality, *, before_repair: bool = False) -> Form:
    """Return what a reading of a scan asks.

    Parameters
    ----------
    protocol
        Its scales, ``[form]``, reference of thickness and reading design decide. A scale whose
        grade follows wholly from measurements that are asked anyway (as the size by DeOrio and
        Cofield, or Thomazeau's stage) is not asked but derived.
    modality
        MR or a radiograph.
    before_repair
        For a scan made before the operation: nothing is asked about a repair (Sugaya type,
        pattern of a retear, implants, coverage of the footprint, signal).

    Raises
    ------
    InvalidInput
        For another modality, or when own scales wait for each other's answers or for answers
        that are never given.
    """
    if modality not in BUILDERS:
        raise InvalidInput(
            Fault(
                "there is no reading form for this modality",
                expected=", ".join(each.value for each in BUILDERS),
                found=modality.value,
            )
        )
    want = wanted(protocol, modality, before_repair=before_repair)
    return Form(modality, _ordered(BUILDERS[modality](want)), want.scales)


def _ordered(questions: list[Question]) -> tuple[Question, ...]:
    """Return the questions by step, each after those it waits for.

    A condition on a question that is not asked (a grade of each muscle, or one that is derived)
    cannot be judged and is dropped. A question never comes in an earlier step than one it waits
    for.
    """
    known = {question.name: question for question in questions}
    _check_levels(known)
    left = [
        replace(each, when=tuple(when for when in each.when if when.question in known))
        for each in questions
    ]
    placed: dict[str, Question] = {}
    while ready := next((each for each in left if _opens(each, placed)), None):
        steps = [ready.step, *(placed[when.question].step for when in ready.when)]
        placed[ready.name] = replace(ready, step=max(steps, key=STEPS.index))
        left.remove(ready)
    if left:
        raise InvalidInput(
            Fault(
                "these scales wait for each other's answers",
                "own_scale",
                "'only_with' without a circle",
                ", ".join(each.name for each in left),
            )
        )
    return tuple(sorted(placed.values(), key=lambda each: STEPS.index(each.step)))


def _check_levels(known: dict[str, Question]) -> None:
    """Refuse a question that waits for answers which are never given."""
    faults = [
        Fault(
            f"{each.name} waits for an answer that {when.question} never has",
            "own_scale",
            ", ".join(known[when.question].options) or "a scale with levels",
            ", ".join(when.values),
        )
        for each in known.values()
        for when in each.when
        if when.question in known
        and when.values
        and not {*when.values} & {*known[when.question].options}
    ]
    if faults:
        raise InvalidInput(faults)


def _opens(question: Question, placed: dict[str, Question]) -> bool:
    return all(when.question in placed for when in question.when)
