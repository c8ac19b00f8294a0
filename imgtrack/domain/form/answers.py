"""Looking into checked answers; each function gives ``None`` where there is no such value.

The answers are those of :func:`imgtrack.domain.form.review` or of a signed reading.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from imgtrack.domain.form import names
from imgtrack.domain.form.questions import Reason
from imgtrack.domain.protocol import Measure, Plane

Answers = Mapping[str, Any]
"""Answers by the name of their question, in the layout of `imgtrack.domain.form.questions`."""


def _field(answers: Answers, name: str, key: str) -> Any:
    answer = answers.get(name)
    return answer.get(key) if isinstance(answer, Mapping) else None


def _number(value: Any) -> float | None:
    return None if value is None or isinstance(value, str) else float(value)


def chosen(answers: Answers, name: str) -> str | None:
    """Return the option or the code of the level that was given."""
    value = _field(answers, name, "value")
    return value if isinstance(value, str) else None


def length_mm(answers: Answers, name: str) -> float | None:
    """Return a length in mm."""
    value = _field(answers, name, "mm")
    return None if isinstance(value, Mapping) else _number(value)


def angle_of(answers: Answers, name: str) -> float | None:
    """Return an angle in degrees."""
    return _number(_field(answers, name, "degrees"))


def position_mm(answers: Answers, name: str, result: str) -> float | None:
    """Return a number that followed from landmarks, in mm."""
    results = _field(answers, name, "mm")
    return _number(results.get(result)) if isinstance(results, Mapping) else None


def ratio_of(answers: Answers, name: str) -> float | None:
    """Return a ratio, or the number given on a scale that is an index."""
    return _number(_field(answers, name, "value"))


def percent_of(answers: Answers, name: str) -> float | None:
    """Return a fat fraction of signals in percent, also an imported one; not one of a map."""
    return None if is_mapped(answers, name) else _number(_field(answers, name, "percent"))


def mapped_percent_of(answers: Answers, name: str) -> float | None:
    """Return a fat fraction in percent that was read from a map of the scanner."""
    return _number(_field(answers, name, "percent")) if is_mapped(answers, name) else None


def is_mapped(answers: Answers, name: str) -> bool:
    """Whether a fat fraction was read from a map; it must not be pooled with others."""
    return bool(_field(answers, name, "points")) and _field(answers, name, "fat") is None


def gap_count(answers: Answers, plane: Plane) -> int | None:
    """Return how many slices of a plane show a gap: 0 where there is no full-thickness defect."""
    if is_torn(answers) is False:
        return 0
    marks = _field(answers, Measure.GAP_SLICES, plane)
    count = marks.get("count") if isinstance(marks, Mapping) else None
    return count if isinstance(count, int) else None


def reason_of(answers: Answers, name: str) -> Reason | None:
    """Return why a question was not assessable."""
    reason = _field(answers, name, "not_assessable")
    return None if reason is None else Reason(reason)


def is_answered(answers: Answers, name: str) -> bool:
    """Whether there is a value: not "not assessable", not "not asked", not left out."""
    answer = answers.get(name)
    return (
        isinstance(answer, Mapping)
        and bool(answer)
        and not {"not_assessable", "not_asked"} & answer.keys()
    )


def is_torn(answers: Answers) -> bool | None:
    """Whether the tendon has a full-thickness defect; ``None`` when that was not answered."""
    answer = chosen(answers, names.DEFECT)
    return None if answer is None else answer == names.FULL_DEFECT
