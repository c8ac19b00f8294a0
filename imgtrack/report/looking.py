"""From a verdict to the slices it was measured on, with the measurements in pixels."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from imgtrack.desk.cases.images import plane_of
from imgtrack.domain.errors import ImgtrackError
from imgtrack.domain.protocol import Plane
from imgtrack.report.figures.slices import Line, Slice

if TYPE_CHECKING:
    from imgtrack.desk.cases.images import Shelf, Shelved
    from imgtrack.domain.imaging import Scan
    from imgtrack.domain.reading import Reading
    from imgtrack.domain.series import Series

LENGTHS = (
    "straight retraction",
    "tear width",
    "retraction along the head",
    "tendon thickness",
    "reference thickness",
    "acromiohumeral interval",
)
"""Measurements worth showing, the most telling first."""
MOST_LINES = 3


@dataclass(frozen=True, slots=True)
class Drawn:
    """One measurement as it was drawn: its words, its points in patient mm, and its image."""

    label: str
    points: tuple[tuple[float, ...], ...]
    image: tuple[str, int]


@dataclass(frozen=True, slots=True)
class Looked:
    """One scan to show: its series, and its standing readings, whose maps say where images are."""

    scan: Scan
    series: Sequence[Series]
    readings: Sequence[Reading]


def drawn(answers: Mapping[str, Any]) -> Iterator[Drawn]:
    """Yield the lengths of checked answers that have points, the most telling first."""
    for name in LENGTHS:
        answer = answers.get(name)
        if not isinstance(answer, Mapping) or not answer.get("points") or "mm" not in answer:
            continue
        image = answer["images"][0]
        points = tuple(tuple(float(each) for each in point) for point in answer["points"])
        label = f"{name} {answer['mm']:.1f} mm"
        yield Drawn(label, points, (image["uid"], int(image.get("frame", 1))))


def slices_of(
    looked: Looked,
    answers: Mapping[str, Any],
    shelf: Shelf,
    *,
    title: str,
    caption: str,
    most: int = 1,
) -> list[Slice]:
    """Return the slices of a scan on which answers were measured.

    Parameters
    ----------
    looked
        The scan.
    answers
        Those of its verdict, images by SOP Instance UID.
    shelf
        Where the images lie.
    title, caption
        Of every slice.
    most
        Most slices to return.

    Returns
    -------
    list of Slice
        Without measurements the middle coronal slice; empty when there are no images or they
        cannot be read, which the page then says.
    """
    wanted: dict[tuple[str, int], list[Drawn]] = {}
    for each in drawn(answers):
        wanted.setdefault(each.image, []).append(each)
    try:
        shelved = {s.record.key: s for s in shelf.series(looked.scan, list(looked.series))}
        found = [_slice(looked, shelved, image, wanted[image]) for image in list(wanted)[:most]]
        shown = [each for each in found if each is not None] or _middle(shelved)
    except (ImgtrackError, OSError):
        return []
    return [Slice(title, caption, each.pixels, each.spacing, each.lines) for each in shown]


def _slice(
    looked: Looked,
    shelved: Mapping[str, Shelved],
    image: tuple[str, int],
    measured: Sequence[Drawn],
) -> Slice | None:
    place = _place(looked.readings, image)
    if place is None or place["series"] not in shelved:
        return None
    one, plane = shelved[place["series"]], plane_of(place)
    number = _number(one.record, image)
    if number is None or plane is None:
        return None
    lines = tuple(
        Line(each.label, plane.to_pixels(np.array(each.points))) for each in measured[:MOST_LINES]
    )
    return Slice("", "", _bright(one, number), plane.spacing, lines)


def _middle(shelved: Mapping[str, Shelved]) -> list[Slice]:
    coronal = [s for s in shelved.values() if s.record.plane is Plane.CORONAL_OBLIQUE and s.planes]
    if not coronal:
        return []
    number = len(coronal[0].planes) // 2
    pixels = _bright(coronal[0], number)
    return [Slice("", "", pixels, coronal[0].planes[number].spacing, ())]


def _place(readings: Sequence[Reading], image: tuple[str, int]) -> Mapping[str, Any] | None:
    """Return what a reading of the scan recorded of an image."""
    for reading in readings:
        for place in reading.images.values():
            if (place["uid"], place["frame"]) == image:
                found: Mapping[str, Any] = place
                return found
    return None


def _number(record: Series, image: tuple[str, int]) -> int | None:
    """Return the place of an image in its series, from 0."""
    for number, each in enumerate(record.images):
        uid, _, frame = each.partition("#")
        if (uid, int(frame or 1)) == image:
            return number
    return None


def _bright(one: Shelved, number: int) -> Any:
    """Return one slice with bright shown bright."""
    loaded = one.load()
    pixels = np.asarray(loaded.values[number], dtype=float)
    return pixels.max() - pixels if loaded.inverted else pixels
