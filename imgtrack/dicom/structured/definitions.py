"""The private scheme written out: every concept of a form's reports, with its definition."""

from __future__ import annotations

from typing import TYPE_CHECKING

from imgtrack.dicom.structured.scheme import (
    IMPLIED,
    IMPLIED_BECAUSE,
    INDEX,
    LONGEST_MEANING,
    OWN_QUANTITIES,
    PROCEDURES,
    READING,
    SIGNED,
    WORDS,
    Defined,
    landmark,
    level_concept,
    option_concept,
    scale_concept,
)
from imgtrack.domain.form import Choice, Graded, Implants, Origin, Ratio, Reason

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from imgtrack.domain.form import Form, Question
    from imgtrack.domain.scales import Scale

LANDMARKS = ("footprint edge", "apex", "rim", "stump", "spine", "coracoid", "muscle")


def defined(form: Form, protocol_hash: str) -> tuple[Defined, ...]:
    """Return the private concepts that reports of a form may hold, each once, sorted by code."""
    fixed = [
        *(each for each, _ in OWN_QUANTITIES.values()),
        *WORDS.values(),
        *SIGNED.values(),
        *PROCEDURES.values(),
        READING,
        INDEX,
        IMPLIED,
        IMPLIED_BECAUSE,
        *_options("origin", Origin, "Origin of points."),
        *_options("not assessable", Reason, "Reason."),
        *(Defined(landmark(n).value, landmark(n).meaning, f"The point {n}.") for n in LANDMARKS),
    ]
    asked = (each for question in form.questions for each in _of_question(question, protocol_hash))
    used = (each for scale in form.scales for each in _of_scale(scale, protocol_hash))
    found = {each.code: each for each in (*fixed, *used, *asked)}
    return tuple(found[code] for code in sorted(found))


def _of_question(question: Question, protocol_hash: str) -> Iterator[Defined]:
    asks = question.asks
    if isinstance(asks, Graded):
        yield from _of_scale(asks.scale, protocol_hash)
        return
    yield Defined(question.name, question.title[:LONGEST_MEANING], question.help or question.title)
    if isinstance(asks, Choice):
        yield from _options(question.name, asks.options, question.title)
    elif isinstance(asks, Ratio) and asks.word:
        yield from _options(WORDS[asks.word].code, asks.options, WORDS[asks.word].definition)
    elif isinstance(asks, Implants):
        yield from _options("seat", asks.seats, WORDS["seat"].definition)
        for scale in asks.scales:
            yield from _of_scale(scale, protocol_hash)


def _options(question: str, options: Iterable[str], meaning: str) -> list[Defined]:
    found = []
    for option in map(str, options):
        concept = option_concept(question, option)
        found.append(Defined(concept.value, concept.meaning, meaning))
    return found


def _of_scale(scale: Scale, protocol_hash: str) -> Iterator[Defined]:
    cited = "; ".join(map(str, scale.citations)) or scale.provenance.value
    concept = scale_concept(scale, protocol_hash)
    yield Defined(concept.value, concept.meaning, f"{scale.grades}. {cited}")
    for level in scale.levels:
        if level.concept is None:
            code = level_concept(scale, level.code, protocol_hash)
            yield Defined(code.value, code.meaning, level.criteria)
