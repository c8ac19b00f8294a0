"""What first readings answered to a question, in a few words, for the person who settles them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from imgtrack.domain.form import GapSlices, Implants, Ratio
from imgtrack_napari.dock.drawn import figure_words
from imgtrack_napari.dock.gaps import marks_words
from imgtrack_napari.look import Sign

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from typing import Any

    from imgtrack.desk.readings.settle import AnswerSet
    from imgtrack.domain.form import Question

ON_ONE_LINE = 48
"""Letters that stand on one line of a card at its least width."""


def beside_words(question: Question, sets: Sequence[AnswerSet]) -> str:
    """Return what each reading answered, with a sign where they differ; nothing without any.

    Parameters
    ----------
    question
        Of the form.
    sets
        The first readings, with their letters.
    """
    said = {each.label: answer_words(question, each.answers.get(question.name)) for each in sets}
    if not any(said.values()):
        return ""
    lines = [f"{label}: {words or 'not answered'}" for label, words in said.items()]
    sign = f"{Sign.DIFFERS} " if len(set(said.values())) > 1 else ""
    joined = sign + "   ".join(lines)
    return joined if len(joined) <= ON_ONE_LINE else sign + "\n".join(lines)


def answer_words(question: Question, answer: Mapping[str, Any] | None) -> str:
    """Return an answer in a few words, rounded for the eye; nothing where there is none."""
    if not answer or "not_asked" in answer:
        return ""
    if "not_assessable" in answer:
        return f"not assessable, {answer['not_assessable']}"
    match question.asks:
        case GapSlices(planes=planes):
            marks = ((plane.value, answer.get(plane.value) or {}) for plane in planes)
            return "; ".join(f"{name} {marks_words(each)}" for name, each in marks)
        case Ratio(word=word):
            said = f", {answer[word]}" if word in answer else ""
            return f"{answer['value']:.2f}{said}" if "value" in answer else ""
        case Implants():
            count = len(answer.get("implants", ()))
            return "1 implant" if count == 1 else f"{count} implants"
    return figure_words(question, answer) or str(answer.get("value", answer.get("text", "")))
