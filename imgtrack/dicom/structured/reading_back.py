"""Reading our own structured reports back into the answers they were written from.

By pydicom alone, not by the library that wrote them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO

from pydicom import dcmread
from pydicom.errors import InvalidDicomError
from pydicom.uid import Comprehensive3DSRStorage

from imgtrack.dicom.deidentify.values import UNREADABLE
from imgtrack.dicom.structured.findings import Finding, Image, Key, Point, answers_of
from imgtrack.dicom.structured.scheme import (
    IMPLIED,
    IMPLIED_BECAUSE,
    READING,
    SCHEME,
    SIGNED,
    TEXTS,
    WORDS,
    answer_of,
    key_of,
    landmark,
)
from imgtrack.domain.errors import Fault, InvalidInput
from imgtrack.domain.reading import Round
from imgtrack.domain.scales import Concept

if TYPE_CHECKING:
    from pydicom.dataset import Dataset

Spacings = Mapping[str, tuple[float, float]]
"""Millimetres between rows and between columns, by SOP Instance UID."""

UNDER = "point "
"""Begins the code of a named point."""


@dataclass(frozen=True, slots=True)
class Implied:
    """What the measurements imply for one grade: levels or a number, and why."""

    possible: tuple[str, ...]
    value: float | None
    reason: str


@dataclass(frozen=True, slots=True)
class Reported:
    """What a report says.

    Attributes
    ----------
    key, amends
        Keys of the reading and of the one it replaces; the latter may be empty.
    reader, round
        Who read, and why.
    protocol_hash, software_version, shown, mismatches, active_seconds
        As in `imgtrack.domain.reading.Reading`.
    answers
        In the layout of `imgtrack.domain.form.questions`, images by SOP Instance UID. Points
        come back as the 32 bit numbers that DICOM keeps (within 0.00004 mm below 512 mm).
    implied
        By question: grades that the measurements imply; only where they imply any.
    """

    key: str
    amends: str
    reader: str
    round: Round
    protocol_hash: str
    software_version: str
    shown: tuple[str, ...]
    mismatches: tuple[str, ...]
    active_seconds: float | None
    answers: Mapping[str, Any]
    implied: Mapping[str, Implied]


def read_report(file: Path | BinaryIO, *, spacings: Spacings | None = None) -> Reported:
    """Read a report that `report_of` made.

    Parameters
    ----------
    file
        A DICOM file, or its open bytes.
    spacings
        Of the radiographs it names, whose points are kept in pixels.

    Raises
    ------
    InvalidInput
        When it is no report of this program, or a spacing is missing.
    """
    label = str(file) if isinstance(file, Path) else ""
    try:
        dataset = dcmread(file)
    except InvalidDicomError as error:
        raise InvalidInput(Fault("this is no DICOM file", label)) from error
    except UNREADABLE as error:
        found = f"{type(error).__name__}: {error}"
        raise InvalidInput(Fault("the file cannot be read", label, found=found)) from error
    try:
        return _reported(dataset, spacings or {})
    except UNREADABLE as error:
        raise _foreign(label, f"{type(error).__name__}: {error}") from error


def _foreign(label: str, found: str) -> InvalidInput:
    fault = Fault(
        "this is no report of a signed reading", label, f"TID 1500 with concepts of {SCHEME}", found
    )
    return InvalidInput(fault)


def _reported(dataset: Dataset, spacings: Spacings) -> Reported:
    if dataset.SOPClassUID != Comprehensive3DSRStorage:
        raise ValueError(dataset.SOPClassUID.name)
    groups = [
        group
        for container in _named(dataset, "126010")
        for group in container.ContentSequence
        if _name(group).value == "125007"
    ]
    (about,) = (each for each in groups if _finding(each) == READING.code)
    said = {
        key: tuple(str(item.TextValue) for item in _named(about, each.code))
        for key, each in SIGNED.items()
    }
    seconds = [_value(item) for item in about.ContentSequence if item.ValueType == "NUM"]
    reader = _only(dataset, "121008")
    implied = [each for each in groups if _path(each)[0] == IMPLIED.code]
    given = [each for each in groups if _path(each)[0] not in {READING.code, IMPLIED.code}]
    return Reported(
        key=said["reading"][0],
        amends=next(iter(said["amends"]), ""),
        reader=str(reader.PersonName),
        round=Round(_only(about, "C67447").TextValue),
        protocol_hash=said["protocol"][0],
        software_version=said["program"][0],
        shown=said["shown"],
        mismatches=said["mismatch"],
        active_seconds=seconds[0] if seconds else None,
        answers=answers_of([_read(each, spacings) for each in given]),
        implied={_path(each)[1]: _implied(each) for each in implied},
    )


def _named(item: Dataset, value: str) -> Iterator[Dataset]:
    return (each for each in item.get("ContentSequence", ()) if _name(each).value == value)


def _only(item: Dataset, value: str) -> Dataset:
    (found,) = _named(item, value)
    return found


def _concept(item: Dataset) -> Concept:
    value = item.get("CodeValue") or item.get("LongCodeValue") or ""
    return Concept(item.CodingSchemeDesignator, str(value), item.CodeMeaning)


def _name(item: Dataset) -> Concept:
    names = item.get("ConceptNameCodeSequence")
    return _concept(names[0]) if names else Concept("", "", "")


def _finding(group: Dataset) -> str:
    return _concept(_only(group, "121071").ConceptCodeSequence[0]).value


def _path(group: Dataset) -> Key:
    return tuple(str(_only(group, "112039").TextValue).split(" / "))


def _implied(group: Dataset) -> Implied:
    """Return the implied grade of a group."""
    scale = _finding(group)
    levels = (each for each in _named(group, scale) if each.ValueType == "CODE")
    numbers = [_value(item) for item in group.ContentSequence if item.ValueType == "NUM"]
    return Implied(
        tuple(answer_of(_concept(each.ConceptCodeSequence[0])) for each in levels),
        numbers[0] if numbers else None,
        str(_only(group, IMPLIED_BECAUSE.code).TextValue),
    )


def _value(item: Dataset) -> float:
    measured = item.MeasuredValueSequence[0]
    return float(measured.get("FloatingPointValue", measured.NumericValue))


def _read(group: Dataset, spacings: Spacings) -> Finding:
    """Return the finding of one measurement group."""
    items = list(group.ContentSequence)
    path = _path(group)
    numbers = {_key(item): _value(item) for item in items if item.ValueType == "NUM"}
    bearers = [group, *(item for item in items if item.ValueType == "NUM")]
    is_outline = bool({("mm2",), ("mean",)} & numbers.keys())
    images = _first(bearers, _images)
    points = dict(_first(bearers, lambda each: _points(each, spacings)))
    if is_outline and "" in points:
        points[""] = points[""][:-1]
    return Finding(path, numbers, dict(_words(items, _finding(group))), points, tuple(images))


def _first(bearers: list[Dataset], look: Callable[[Dataset], Iterator[Any]]) -> list[Any]:
    """Return what the first of several items holds that holds anything."""
    return next((found for each in bearers if (found := list(look(each)))), [])


def _key(item: Dataset) -> Key:
    derived = next(_named(item, "121401"), None)
    derivation = None if derived is None else _concept(derived.ConceptCodeSequence[0])
    key = key_of(_name(item), derivation)
    if key is None:
        raise KeyError(_name(item).meaning)
    return key


def _words(items: list[Dataset], finding: str) -> Iterator[tuple[str, str]]:
    """Yield the words of a group by their key in the answer."""
    keys = {each.code: key for key, each in WORDS.items()} | {finding: "value"}
    for item in items:
        key = keys.get(_name(item).value, "")
        if item.ValueType == "CODE" and key and key not in TEXTS:
            yield key, answer_of(_concept(item.ConceptCodeSequence[0]))
        elif item.ValueType == "TEXT" and key in TEXTS:
            yield key, str(item.TextValue)


def _images(bearer: Dataset) -> Iterator[Image]:
    for item in bearer.get("ContentSequence", ()):
        if item.ValueType == "IMAGE":
            reference = item.ReferencedSOPSequence[0]
            frame = reference.get("ReferencedFrameNumber", 1)
            yield str(reference.ReferencedSOPInstanceUID), int(frame)


def _points(bearer: Dataset, spacings: Spacings) -> Iterator[tuple[str, tuple[Point, ...]]]:
    for item in bearer.get("ContentSequence", ()):
        if item.ValueType not in {"SCOORD", "SCOORD3D"}:
            continue
        name = _name(item)
        is_landmark = name.scheme == SCHEME and name == landmark(name.value[len(UNDER) :])
        yield name.value[len(UNDER) :] if is_landmark else "", tuple(_coordinates(item, spacings))


def _coordinates(item: Dataset, spacings: Spacings) -> Iterator[Point]:
    data = [float(each) for each in item.GraphicData]
    if item.ValueType == "SCOORD3D":
        yield from zip(data[::3], data[1::3], data[2::3], strict=True)
        return
    ((uid, _),) = _images(item)
    if uid not in spacings:
        raise InvalidInput(Fault("the spacing of this radiograph is needed", uid, "spacings"))
    rows, columns = spacings[uid]
    for column, row in zip(data[::2], data[1::2], strict=True):
        yield ((column - 0.5) * columns, (row - 0.5) * rows)
