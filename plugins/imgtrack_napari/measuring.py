"""From placed points to an answer: every number follows from points in patient millimetres."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from imgtrack.measure.angles import critical_shoulder_angle
from imgtrack.measure.areas import area_of
from imgtrack.measure.gaps import gap_slices
from imgtrack.measure.landmarks import landmark_results
from imgtrack.measure.lengths import length_of
from imgtrack.measure.stack import Stack

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    from imgtrack.desk.cases.images import ShownSeries
    from imgtrack.domain.form import Landmarks, Measured, Origin, Part

Point = tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Placed:
    """A point on an image.

    Attributes
    ----------
    point
        Patient LPS mm; on a radiograph x and y in its plane.
    image
        Alias of the image it lies on.
    """

    point: Point
    image: str


def _images(placed: Sequence[Placed]) -> list[dict[str, Any]]:
    aliases = dict.fromkeys(each.image for each in placed)
    return [{"uid": alias, "frame": 1} for alias in aliases]


def _points(placed: Sequence[Placed]) -> list[list[float]]:
    return [list(each.point) for each in placed]


def line_value(asks: Measured, placed: Sequence[Placed], origin: Origin) -> dict[str, Any]:
    """Return the answer of a length or an angle.

    Raises
    ------
    InvalidInput
        When the points define none.
    """
    points = _points(placed)
    if asks.quantity == "degrees":
        superior, inferior, lateral = points
        value = critical_shoulder_angle(
            superior_pole=superior, inferior_pole=inferior, lateral_acromion=lateral
        )
    else:
        length = length_of(points)
        value = length.path_mm if asks.open_ended else length.straight_mm
    return {
        asks.quantity: value,
        "points": points,
        "images": _images(placed),
        "origin": origin.value,
    }


def landmark_value(
    name: str, asks: Landmarks, placed: Mapping[str, Sequence[Placed]], origin: Origin
) -> dict[str, Any]:
    """Return the answer of named landmarks with what follows from them.

    Raises
    ------
    InvalidInput
        When the landmarks define nothing, as two of them in one place.
    """
    points = {each.name: _points(placed[each.name]) for each in asks.sets}
    everything = [each for group in placed.values() for each in group]
    return {
        "points": points,
        "mm": landmark_results(name, points),
        "images": _images(everything),
        "origin": origin.value,
    }


def part_value(
    part: Part, placed: Sequence[Placed], origin: Origin, signal: Mapping[str, Any] | None = None
) -> dict[str, Any]:
    """Return one part of a ratio.

    Parameters
    ----------
    part
        What it is.
    placed
        Its points; none for a part that is 0.
    origin
        Where they come from.
    signal
        ``mean``, ``sd`` and ``voxels`` within the outline, for a part that is a signal.

    Raises
    ------
    InvalidInput
        When the outline is none.
    """
    points = _points(placed)
    if signal is not None:
        value = dict(signal)
    elif not points:
        value = {part.quantity: 0.0}
    elif part.quantity == "mm":
        value = {"mm": length_of(points).straight_mm}
    else:
        value = {"mm2": area_of(points).mm2}
    return {**value, "points": points, "images": _images(placed), "origin": origin.value}


def gap_value(series: ShownSeries, marked: Collection[str]) -> dict[str, Any]:
    """Return the answer of one plane: which slices of a series show the gap.

    Parameters
    ----------
    series
        The stack they belong to; it has two slices or more.
    marked
        Aliases of the images.

    Raises
    ------
    InvalidInput
        When the series is no stack.
    """
    planes = tuple(image.plane for image in series.images if image.plane is not None)
    pitch = Stack(planes).pitch_mm
    thickness = max((plane.thickness for plane in planes if plane.thickness), default=pitch)
    places = [place for place, image in enumerate(series.images) if image.alias in marked]
    extent = gap_slices(places, pitch_mm=pitch, thickness_mm=thickness)
    return {
        "images": [{"uid": series.images[place].alias, "frame": 1} for place in places],
        "count": len(places),
        "spacing_mm": pitch,
        "thickness_mm": thickness,
        "implied_mm": extent.pitch_extent_mm,
    }
