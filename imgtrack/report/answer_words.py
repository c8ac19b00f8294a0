"""Answers of a reading in words."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from imgtrack.domain.form import Form, Graded, Implants, Landmarks, Note, names

UNSHOWN = (Landmarks, Note, Implants)
"""Questions whose answers are no one number or grade."""


def answer_words(answer: Mapping[str, Any] | None) -> str:
    """Return one answer in words; empty when it was not asked or not given."""
    if not answer or "not_asked" in answer:
        return ""
    if "not_assessable" in answer:
        return f"not assessable ({answer['not_assessable']})"
    for key, write in WRITERS.items():
        if key in answer and not isinstance(answer[key], Mapping):
            return write(answer[key])
    return _planes(answer)


def findings(form: Form, answers: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Return title and words of every answered grade and measurement, in the form's order."""
    found = []
    for question in form.questions:
        if question.is_adequacy or isinstance(question.asks, UNSHOWN):
            continue
        words = answer_words(answers.get(question.name))
        if words:
            found.append((question.title, _with_level(question.asks, words)))
    return found


def note_of(answers: Mapping[str, Any]) -> str:
    """Return the reader's free note."""
    text = (answers.get(names.NOTE) or {}).get("text", "")
    return str(text)


def _with_level(asks: object, words: str) -> str:
    """Return a grade with the title of its level."""
    if not isinstance(asks, Graded):
        return words
    title = next((level.title for level in asks.scale.levels if level.code == words), "")
    return f"{words} ({title})" if title and title != words else words


def _value(value: Any) -> str:
    return f"{value:.2f}" if isinstance(value, float) else str(value)


def _planes(answer: Mapping[str, Any]) -> str:
    """Return in how many slices of each plane a gap was marked."""
    parts = []
    for plane, marks in answer.items():
        if isinstance(marks, Mapping) and "count" in marks:
            parts.append(f"{marks['count']} {plane}")
        elif isinstance(marks, Mapping) and "not_assessable" in marks:
            parts.append(f"{plane} not assessable")
    return ", ".join(parts)


WRITERS = {
    "mm": lambda value: f"{value:.1f} mm",
    "degrees": lambda value: f"{value:.0f}°",
    "percent": lambda value: f"{value:.1f} %",
    "value": _value,
}
"""How a value is written, by its key in the answer."""
