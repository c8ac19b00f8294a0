"""Answers taken apart into findings that each fit one measurement group, and put together again.

A finding is one level of an answer: its numbers, its words, its points and its images. Deeper
levels, as the two parts of a ratio or each implant, are findings with a longer path. Nothing here
knows a question, so an answer of any form goes there and back unchanged.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

MIGRATION = "migration"
"""How far an implant moved: its origin tells who measured it, and it has no points of its own."""

WHOLE = frozenset({("count",), ("voxels",), ("implants",)})
"""Numbers that count something."""

OUTLINED = frozenset({("mm2",), ("mean",)})
"""Numbers of an area: their points go round it."""

Key = tuple[str, ...]
Point = tuple[float, ...]
Image = tuple[str, int]
"""SOP Instance UID and number of the frame, from 1."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One level of an answer.

    Attributes
    ----------
    path
        Name of the question, then of the part.
    numbers, words
        By their place in the answer, as ``("mm",)`` or ``("mm", "stump")``.
    points
        In patient LPS mm, or mm in the plane of a radiograph; by name, ``""`` for points that
        have none.
    images
        On which it was drawn, in order.
    """

    path: Key
    numbers: Mapping[Key, float] = field(default_factory=dict)
    words: Mapping[str, str] = field(default_factory=dict)
    points: Mapping[str, tuple[Point, ...]] = field(default_factory=dict)
    images: tuple[Image, ...] = ()

    @property
    def name(self) -> str:
        """Question and part in words, unique in a reading."""
        return " / ".join(self.path)

    @property
    def is_outline(self) -> bool:
        """Whether its points go round an area."""
        return bool(OUTLINED & self.numbers.keys()) and len(self.points.get("", ())) > 2


def findings_of(answers: Mapping[str, Any]) -> tuple[Finding, ...]:
    """Return the findings of answers, in the order of the answers.

    Parameters
    ----------
    answers
        In the layout of `imgtrack.domain.form.questions`, images by SOP Instance UID.
    """
    found = (each for name, answer in answers.items() for each in _levels((name,), answer))
    return tuple(each for each in found if each.numbers or each.words)


def _levels(path: Key, node: Mapping[str, Any]) -> Iterator[Finding]:
    inner = {key: value for key, value in node.items() if key not in {"points", "images"}}
    numbers: dict[Key, float] = {(key,): value for key, value in inner.items() if _is_number(value)}
    deeper: list[tuple[Key, Mapping[str, Any]]] = []
    for key, value in inner.items():
        if key == "implants":
            numbers[(key,)] = len(value)
            deeper += [((*path, f"implant {n}"), each) for n, each in enumerate(value, 1)]
        elif key == "mm" and isinstance(value, Mapping):
            numbers |= {(key, name): number for name, number in value.items()}
        elif isinstance(value, Mapping):
            deeper.append(((*path, key), value))
    yield Finding(
        path,
        numbers,
        {key: value for key, value in inner.items() if isinstance(value, str)},
        _named(node.get("points", ())),
        tuple((image["uid"], image["frame"]) for image in node.get("images", ())),
    )
    for longer, value in deeper:
        yield from _levels(longer, value)


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _named(points: Mapping[str, Any] | Sequence[Any]) -> dict[str, tuple[Point, ...]]:
    sets = points if isinstance(points, Mapping) else {"": points}
    return {name: tuple(map(tuple, each)) for name, each in sets.items() if each}


def answers_of(findings: Sequence[Finding]) -> dict[str, Any]:
    """Return the answers that findings were taken from; the way back from `findings_of`."""
    root: dict[str, Any] = {}
    for finding in findings:
        node = root
        for part in finding.path:
            node = node.setdefault(part, {})
        _fill(node, finding)
    return {name: _with_implants(answer) for name, answer in root.items()}


def _fill(node: dict[str, Any], finding: Finding) -> None:
    for key, number in finding.numbers.items():
        place = node
        for part in key[:-1]:
            place = place.setdefault(part, {})
        place[key[-1]] = int(number) if key in WHOLE else number
    node |= finding.words
    has_points = "origin" in finding.words and finding.path[-1] != MIGRATION
    if has_points:
        sets = {name: [list(point) for point in each] for name, each in finding.points.items()}
        node["points"] = sets.get("", []) if not sets or "" in sets else sets
    if finding.images or has_points or ("spacing_mm",) in finding.numbers:
        node["images"] = [{"uid": uid, "frame": frame} for uid, frame in finding.images]


def _with_implants(node: dict[str, Any]) -> dict[str, Any]:
    """Return an answer with its numbered implants in a list."""
    if isinstance(count := node.get("implants"), int):
        node["implants"] = [node.pop(f"implant {number}") for number in range(1, count + 1)]
    return node
