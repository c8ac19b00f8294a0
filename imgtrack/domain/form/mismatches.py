"""Where a reader's own grade is not what the reader's measurements imply."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

    from imgtrack.domain.form.derived import DerivedGrade


@dataclass(frozen=True, slots=True)
class Mismatch:
    """A grade that the reader's own measurements do not allow; the grade stands.

    Attributes
    ----------
    question
        Name of the question.
    given
        The reader's grade.
    implied
        The levels the measurements allow.
    words
        In a sentence.
    """

    question: str
    given: str
    implied: tuple[str, ...]
    words: str


def mismatches(grades: Iterable[DerivedGrade]) -> tuple[Mismatch, ...]:
    """Return the grades that contradict the measurements.

    Parameters
    ----------
    grades
        From :func:`imgtrack.domain.form.derived`. Where measurements imply nothing, nothing
        contradicts them.
    """
    return tuple(
        Mismatch(
            grade.question,
            grade.given,
            grade.derived.possible,
            f"{grade.title}: {grade.given} was given, but {grade.derived.reason}, which implies "
            + " or ".join(grade.derived.possible),
        )
        for grade in grades
        if grade.given is not None and grade.derived.allows(grade.given) is False
    )
