"""Split the images of one series into groups that can each be one stack."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from operator import itemgetter
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from imgtrack.dicom.regularity import Problem, ProblemKind
from imgtrack.measure.plane import UNIT_TOLERANCE

if TYPE_CHECKING:
    from collections.abc import Callable, Hashable, Iterable, Sequence

    from imgtrack.dicom.records import Frame, Header
    from imgtrack.measure.points import Points

PARALLEL_TOLERANCE = 0.49 * UNIT_TOLERANCE
"""Largest difference of a direction cosine within a group: half of what a stack of planes allows,
so that any two of its slices are parallel."""

SAME_PLACE_MM = 0.05
"""Images nearer to each other along the normal are taken to lie in one place."""

SAME_OFFSET_MM = 1.0
"""Images of one place whose first pixels are further apart are different fields of view."""

ECHO_RATIO, ECHO_MS = 1.05, 0.1
"""Echo times further apart than this are different contrasts: 5 per cent and 0.1 ms."""


class Image(NamedTuple):
    """One image with the header of its object."""

    header: Header
    frame: Frame


@dataclass(frozen=True, slots=True)
class Group:
    """Images that can be one stack.

    Attributes
    ----------
    images
        In no particular order.
    traits
        In words, what sets them apart from the rest of the series.
    problem
        What to tell of it, when only the order of acquisition sets it apart.
    """

    images: tuple[Image, ...]
    traits: tuple[str, ...] = ()
    problem: Problem | None = None


def split(images: Sequence[Image]) -> list[Group]:
    """Split the images of one series.

    Images that differ in frame of reference, size, pixel size, orientation, content, echo time,
    b-value or sequence never share a group. What else differs splits a group only where it
    explains why several images lie in one place; where nothing explains it, the order of
    acquisition does.

    Parameters
    ----------
    images
        MR images of one series, with their geometry.

    Returns
    -------
    list of Group
        The same for any order of the images.
    """
    ordered = sorted(images, key=_order)
    return [repeat for group in _by_kind(ordered) for repeat in _without_repeats(group)]


def normal_of(frame: Frame) -> Points:
    """Return the unit normal of an image, row direction cross column direction; shape (3,)."""
    row, column = np.array(frame.row), np.array(frame.column)
    normal: Points = np.cross(row, column)
    return normal / np.linalg.norm(normal)


def _order(image: Image) -> tuple[object, ...]:
    frame = image.frame
    moment = frame.acquired_at.isoformat() if frame.acquired_at is not None else ""
    number = frame.instance_number if frame.instance_number is not None else 0
    return moment, number, frame.sop_instance_uid, frame.number


def _by_kind(images: Sequence[Image]) -> list[Group]:
    """Group by what must never be mixed."""
    orientations = _orientations(images)
    echoes = _echoes(images)
    references = _numbered(image.header.frame_of_reference_uid for image in images)
    groups: defaultdict[tuple[str, ...], list[Image]] = defaultdict(list)
    for image, orientation in zip(images, orientations, strict=True):
        frame = image.frame
        key = (
            f"frame of reference {references[image.header.frame_of_reference_uid]}",
            f"{frame.rows} x {frame.columns} pixels",
            "pixel size " + " x ".join(f"{side:.4g}" for side in frame.spacing or ()) + " mm",
            orientation,
            f"{frame.part}",
            f"echo time {echoes.get(frame.echo_time_ms, 'not stated')}",
            f"b-value {_said(frame.b_value)}",
            f"sequence {_sequence(image.header)}",
        )
        groups[key].append(image)
    telling = [place for place, told in enumerate(zip(*groups, strict=True)) if len(set(told)) > 1]
    return [
        Group(tuple(found), tuple(key[place] for place in telling)) for key, found in groups.items()
    ]


def _said(value: Hashable) -> str:
    """Return a value in words."""
    if value is None:
        return "not stated"
    return f"{value:g}" if isinstance(value, float) else f"{value}"


def _sequence(header: Header) -> str:
    """Return Scanning Sequence and Scan Options in words."""
    options = header.scan_options or ()
    return ", ".join((*header.scanning_sequence, *options)) or "not stated"


def _numbered(values: Iterable[Hashable]) -> dict[Hashable, int]:
    """Return the number of each value, from 1 in the order they come."""
    return {value: number for number, value in enumerate(dict.fromkeys(values), start=1)}


def _orientations(images: Sequence[Image]) -> list[str]:
    """Return for every image its orientation in words, the same for parallel ones."""
    known: list[tuple[Points, str]] = []
    words = []
    for image in images:
        directions = np.array((image.frame.row, image.frame.column))
        same = (
            word for other, word in known if np.abs(directions - other).max() <= PARALLEL_TOLERANCE
        )
        word = next(same, "")
        if not word:
            x, y, z = normal_of(image.frame).round(3) + 0.0  # no minus zero
            word = f"orientation {len(known) + 1}, normal {x:.3f} {y:.3f} {z:.3f}"
            known.append((directions, word))
        words.append(word)
    return words


def _echoes(images: Sequence[Image]) -> dict[float | None, str]:
    """Return for every echo time the one its contrast is named by."""
    times = {image.frame.echo_time_ms for image in images}
    named: dict[float | None, str] = {}
    first = -1.0
    for time in sorted(time for time in times if time is not None):
        if time > first * ECHO_RATIO + ECHO_MS or first < 0:
            first = time
        named[time] = f"{first:g} ms"
    return named


def _offset_in_plane(image: Image) -> Hashable:
    """Return where the first pixel lies within its plane, in whole tolerances."""
    frame = image.frame
    position = np.array(frame.position)
    steps = [
        float(position @ np.array(side)) / SAME_OFFSET_MM for side in (frame.row, frame.column)
    ]
    return tuple(round(step) for step in steps)


RESOLVERS: dict[str, Callable[[Image], Hashable]] = {
    "temporal position": lambda image: image.frame.temporal_position,
    "inversion time": lambda image: image.frame.inversion_time_ms,
    "flip angle": lambda image: image.frame.flip_deg,
    "repetition time": lambda image: image.frame.repetition_time_ms,
    "trigger time": lambda image: image.frame.trigger_time_ms,
    "echo number": lambda image: image.frame.echo_number,
    "image type": lambda image: "\\".join(image.header.image_type),
    "place within the plane": _offset_in_plane,
    "acquisition": lambda image: image.frame.acquisition_number,
    "object": lambda image: image.frame.sop_instance_uid,
}
"""What may explain several images in one place, most telling first."""

NUMBERED = frozenset({"place within the plane", "object"})
"""Told by number and not by value: UIDs and sums of coordinates mean nothing to people."""


def _without_repeats(group: Group) -> list[Group]:
    """Split a group until no two of its images lie in one place."""
    times = _times(group.images)
    if times == 1:
        return [group]
    for name, told in RESOLVERS.items():
        parts: defaultdict[Hashable, list[Image]] = defaultdict(list)
        for image in group.images:
            parts[told(image)].append(image)
        explains = None not in parts and 1 < len(parts) <= times
        if explains and all(_times(part) < times for part in parts.values()):
            words: dict[Hashable, Any] = (
                _numbered(parts) if name in NUMBERED else {value: value for value in parts}
            )
            split_up = (
                Group(tuple(parts[value]), (*group.traits, f"{name} {_said(word)}"))
                for value, word in sorted(words.items(), key=itemgetter(1))
            )
            return [done for part in split_up for done in _without_repeats(part)]
    return _by_order(group, times)


def _by_order(group: Group, times: int) -> list[Group]:
    """Give the first image of every place to a first group, the second to a second, and so on."""
    places = _places(group.images)
    repeated = sum(len(place) > 1 for place in places)
    kind = ProblemKind.REPEATS_BY_ORDER
    if any(len(place) < times for place in places):
        kind = ProblemKind.DUPLICATE_SLICES
    text = f"{repeated} of {len(places)} places hold several images and nothing tells them apart"
    return [
        Group(
            tuple(place[turn] for place in places if len(place) > turn),
            (*group.traits, f"repeat {turn + 1} of {times} in order of acquisition"),
            Problem(kind, text),
        )
        for turn in range(times)
    ]


def _times(images: Sequence[Image]) -> int:
    """Return how many images the fullest place holds."""
    return max(map(len, _places(images)))


def _places(images: Sequence[Image]) -> list[list[Image]]:
    """Return the images of every place along the normal, in their own order."""
    offsets = np.array([image.frame.position for image in images]) @ normal_of(images[0].frame)
    places: list[list[int]] = []
    start = -np.inf
    for index in np.argsort(offsets, kind="stable"):
        if offsets[index] - start > SAME_PLACE_MM:
            places.append([])
            start = offsets[index]
        places[-1].append(int(index))
    return [[images[index] for index in sorted(place)] for place in places]
