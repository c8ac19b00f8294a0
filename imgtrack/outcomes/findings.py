"""The answers of a reading as single findings: a grade, a number, or why there is none."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from imgtrack.domain.form import is_mapped, names
from imgtrack.domain.protocol import Measure, Plane

PLANES = tuple(Plane)

ON_MAP = f"{Measure.FAT_FRACTION} on map"
"""A fat fraction that was read from a scanner's map; by another name, as it must not be pooled with
one of signals."""


class Kind(StrEnum):
    """What a finding is."""

    GRADE = "grade"
    """A level of a scale, or one of a few options."""
    NUMBER = "number"
    NOT_ASSESSABLE = "not assessable"


@dataclass(frozen=True, slots=True)
class Finding:
    """One finding.

    Attributes
    ----------
    question
        Name of the question; where an answer holds several numbers, with what each is.
    kind
        What it is.
    code
        Level or option; empty for a number.
    number, unit
        ``nan`` and empty for a grade. Units: mm, degrees, slices, %, or none for a ratio.
    reason
        Why it is not assessable.
    """

    question: str
    kind: Kind
    code: str = ""
    number: float = float("nan")
    unit: str = ""
    reason: str = ""


def findings(answers: Mapping[str, Any]) -> Iterator[Finding]:
    """Yield the findings of checked answers, in their order.

    What was not asked, because it does not apply, is no finding. Of implants each grade is one
    finding, under the label of the implant. Free notes are left out: they may name people.
    """
    for name, answer in answers.items():
        if name == names.NOTE or not isinstance(answer, Mapping) or "not_asked" in answer:
            continue
        if "not_assessable" in answer:
            yield Finding(name, Kind.NOT_ASSESSABLE, reason=answer["not_assessable"])
        elif name == Measure.GAP_SLICES:
            yield from _gaps(name, answer)
        elif name == Measure.IMPLANTS:
            yield from _implants(answer)
        else:
            yield from _plain(name, answer)


def _plain(name: str, answer: Mapping[str, Any]) -> Iterator[Finding]:
    value, length = answer.get("value"), answer.get("mm")
    if isinstance(value, str):
        yield Finding(name, Kind.GRADE, code=value)
    elif value is not None:
        yield Finding(name, Kind.NUMBER, number=float(value))
    elif isinstance(length, Mapping):
        for result, number in length.items():
            yield Finding(f"{name}: {result}", Kind.NUMBER, number=float(number), unit="mm")
    elif length is not None:
        yield Finding(name, Kind.NUMBER, number=float(length), unit="mm")
    elif answer.get("degrees") is not None:
        yield Finding(name, Kind.NUMBER, number=float(answer["degrees"]), unit="degrees")
    elif answer.get("percent") is not None:
        source = ON_MAP if is_mapped({name: answer}, name) else name
        yield Finding(source, Kind.NUMBER, number=float(answer["percent"]), unit="%")


def _gaps(name: str, answer: Mapping[str, Any]) -> Iterator[Finding]:
    for plane in PLANES:
        marks = answer.get(plane)
        if not isinstance(marks, Mapping):
            continue
        question = f"{name} {plane}"
        if "not_assessable" in marks:
            yield Finding(question, Kind.NOT_ASSESSABLE, reason=marks["not_assessable"])
        elif marks.get("count") is not None:
            yield Finding(question, Kind.NUMBER, number=float(marks["count"]), unit="slices")


def _implants(answer: Mapping[str, Any]) -> Iterator[Finding]:
    for implant in answer.get("implants", ()):
        label = f"implant {implant['label']}"
        if implant.get("seat"):
            yield Finding(f"{label}: seat", Kind.GRADE, code=implant["seat"])
        for scale, grade in implant.get("grades", {}).items():
            if "value" in grade:
                yield Finding(f"{label}: {scale}", Kind.GRADE, code=str(grade["value"]))
        moved = implant.get("migration", {}).get("mm")
        if moved is not None:
            yield Finding(f"{label}: migration", Kind.NUMBER, number=float(moved), unit="mm")
