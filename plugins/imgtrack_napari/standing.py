"""Where a reading stands: what is asked, what is missing, what the measurements imply."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from imgtrack.domain.form import Purpose, State, Step, mismatches, review
from imgtrack.domain.scales.derive import Flag

if TYPE_CHECKING:
    from collections.abc import Callable

    from imgtrack.domain.errors import Fault
    from imgtrack.domain.form import Asking, DerivedGrade, Form, Question


@dataclass(frozen=True, slots=True)
class Missing:
    """One thing that keeps a reading from being signed.

    Attributes
    ----------
    question, step
        Name of the question, and where it is; an empty name is the reading as a whole.
    words
        In a sentence.
    """

    question: str
    step: Step
    words: str


@dataclass(frozen=True, slots=True)
class Standing:
    """Where a reading stands.

    Attributes
    ----------
    asking
        Where each question stands, by name.
    missing
        What keeps it from being signed, in the order of the form.
    implied
        By question: what the measurements imply, in a sentence.
    mismatches
        By question: where the grade given is not what they imply, in a sentence.
    notices
        By question: what looks odd, in a sentence.
    """

    asking: Mapping[str, Asking] = field(default_factory=dict)
    missing: tuple[Missing, ...] = ()
    implied: Mapping[str, str] = field(default_factory=dict)
    mismatches: Mapping[str, str] = field(default_factory=dict)
    notices: Mapping[str, str] = field(default_factory=dict)

    def is_asked(self, name: str) -> bool:
        """Whether a question is to be answered now."""
        return name in self.asking and self.asking[name].state is State.ASKED

    def missing_in(self, step: Step) -> tuple[Missing, ...]:
        """Return what is missing in one step."""
        return tuple(each for each in self.missing if each.step is step)

    @property
    def can_sign(self) -> bool:
        """Whether nothing is missing."""
        return not self.missing


def standing_of(
    form: Form,
    answers: Mapping[str, Any],
    imply: Callable[[Form, Mapping[str, Any]], tuple[DerivedGrade, ...]],
) -> Standing:
    """Return where a reading stands.

    Parameters
    ----------
    form, answers
        What is asked, and what was answered so far.
    imply
        Returns what checked answers imply.
    """
    now = review(form, answers, purpose=Purpose.DRAFT)
    signing = review(form, answers, purpose=Purpose.SIGNING)
    grades = imply(form, now.answers)
    return Standing(
        asking=now.asking,
        missing=tuple(
            _missing(form, name, fault)
            for name, faults in signing.faults_of.items()
            for fault in faults[:1]
        ),
        implied={each.question: each.words for each in grades if _says_something(each)},
        mismatches={each.question: each.words for each in mismatches(grades)},
        notices={each.question: each.words for each in now.notices},
    )


def _says_something(grade: DerivedGrade) -> bool:
    """Whether a derived grade is worth showing: not while its measurements are missing."""
    found = grade.derived
    return bool(found.possible) or found.value is not None or Flag.INPUT_MISSING not in found.flags


def _missing(form: Form, name: str, fault: Fault) -> Missing:
    question = form.question(name)
    if question is None:
        return Missing("", Step.GRADE, fault.what)
    return Missing(name, question.step, f"{question.title}: {_said(form, question, fault)}")


MISSING_KEY = re.compile(r"'([^']+)' is (?:missing|empty)")
KEYS = {
    "fossa_roof": "roof of the fossa not said",
    "reference_tissue": "tissue of the reference not said",
    "grades": "no grade yet",
    **dict.fromkeys(("migration", "mm", "residual_mm"), "movement not given"),
}
"""What is still to be done where a part of an answer is missing, by its key."""


def _said(form: Form, question: Question, fault: Fault) -> str:
    """Return a fault as the form names things, with the implant it is about."""
    found = MISSING_KEY.fullmatch(fault.what)
    if found is None:
        return fault.what
    key = found.group(1)
    known = {**dict.fromkeys((scale.id for scale in form.scales), "no grade yet"), **KEYS}
    words = known.get(key, f"{key} not drawn yet")
    about = fault.where.removeprefix(question.title).strip(", ").partition(",")[0]
    return f"{about}, {words}" if about.startswith("implant") else words
