"""What the answers draw on the images: lines, outlines and points, each with its words."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import TYPE_CHECKING, Any

from imgtrack.domain.form import FatFraction, GapSlices, Implants, Landmarks, Measured, Ratio

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from imgtrack.domain.form import Form, Question


class Shape(StrEnum):
    """How a figure is drawn."""

    LINE = "line"
    OUTLINE = "outline"
    POINTS = "points"


@dataclass(frozen=True, slots=True)
class Handle:
    """One point of an answer.

    Attributes
    ----------
    question
        Name of the question.
    part
        Part of a ratio, name of landmarks, or label of an implant; empty for a length.
    number
        Which point, from 0.
    """

    question: str
    part: str
    number: int


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure on the images.

    Attributes
    ----------
    question, part
        What it belongs to; as in `Handle`.
    shape
        How it is drawn.
    points
        Patient LPS mm, or mm in the plane of a radiograph.
    images
        Aliases of the images it is drawn on.
    words
        What stands beside it: millimetres where it is a length.
    proposed
        Whether it is a proposal the reader has not decided on.
    of
        Letter of the first reading it belongs to; empty for the reader's own.
    """

    question: str
    part: str
    shape: Shape
    points: tuple[tuple[float, ...], ...]
    images: tuple[str, ...]
    words: str
    proposed: bool = False
    of: str = ""


def figures_of(
    form: Form, answers: Mapping[str, Any], *, proposed: bool = False, of: str = ""
) -> tuple[Figure, ...]:
    """Return the figures of a set of answers.

    Parameters
    ----------
    form, answers
        What is asked, and what was answered; gap slices and imported numbers draw nothing.
    proposed, of
        How they are marked; as in `Figure`.
    """
    found = [
        figure
        for question in form.questions
        for figure in _figures(question, answers.get(question.name) or {})
    ]
    return tuple(replace(figure, proposed=proposed, of=of) for figure in found)


def _figures(question: Question, answer: Mapping[str, Any]) -> Iterator[Figure]:
    asks = question.asks
    if not answer or {"not_assessable", "not_asked"} & answer.keys():
        return
    if isinstance(asks, Measured):
        unit = "°" if asks.quantity == "degrees" else "mm"
        words = f"{answer[asks.quantity]:.1f} {unit}"
        yield _figure(question.name, "", Shape.LINE, answer, words)
    elif isinstance(asks, Landmarks):
        for each in asks.sets:
            shape = Shape.OUTLINE if each.is_outline else Shape.POINTS
            points = answer["points"][each.name]
            yield _figure(question.name, each.name, shape, {**answer, "points": points}, each.name)
    elif isinstance(asks, Ratio):
        yield from _parts(question.name, asks, answer)
    elif isinstance(asks, FatFraction) and answer.get("points"):
        made_of = [answer.get(part, {}).get("images", ()) for part in ("fat", "water")]
        images = [*answer["images"], *made_of[0], *made_of[1]]
        words = f"fat {answer['percent']:.1f} %"
        yield _figure(question.name, "", Shape.OUTLINE, {**answer, "images": images}, words)
    elif isinstance(asks, Implants):
        for implant in answer.get("implants", ()):
            label = implant["label"]
            shape = Shape.LINE if len(implant["points"]) > 1 else Shape.POINTS
            yield _figure(question.name, label, shape, implant, f"implant {label}")


def _parts(name: str, asks: Ratio, answer: Mapping[str, Any]) -> Iterator[Figure]:
    units = {"mm": "mm", "mm2": "mm²", "mean": "mean"}
    for part in (asks.top, asks.bottom):
        drawn = answer.get(part.name)
        if drawn and drawn["points"]:
            shape = Shape.OUTLINE if part.fewest > 2 else Shape.LINE
            words = f"{part.name} {drawn[part.quantity]:.1f} {units[part.quantity]}"
            yield _figure(name, part.name, shape, drawn, words)


def _figure(question: str, part: str, shape: Shape, drawn: Mapping[str, Any], words: str) -> Figure:
    points = tuple(tuple(point) for point in drawn["points"])
    images = tuple(image["uid"] for image in drawn["images"])
    return Figure(question, part, shape, points, images, words)


def marked_gaps(form: Form, answers: Mapping[str, Any]) -> frozenset[str]:
    """Return the aliases of the images marked as showing the gap."""
    found: set[str] = set()
    for question in form.questions:
        if isinstance(question.asks, GapSlices):
            for marks in (answers.get(question.name) or {}).values():
                if isinstance(marks, dict):
                    found |= {image["uid"] for image in marks.get("images", ())}
    return frozenset(found)


def handle_near(
    figures: Sequence[Figure], image: str, point: tuple[float, ...], within_mm: float
) -> Handle | None:
    """Return the point of a figure on an image nearest to a place, within reach."""
    best: tuple[float, Handle] | None = None
    for figure in figures:
        if image not in figure.images:
            continue
        for number, each in enumerate(figure.points):
            away = sum((a - b) ** 2 for a, b in zip(each, point, strict=True)) ** 0.5
            if away <= within_mm and (best is None or away < best[0]):
                best = away, Handle(figure.question, figure.part, number)
    return best[1] if best else None
