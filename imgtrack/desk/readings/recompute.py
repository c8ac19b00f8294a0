"""Measuring again at signing: every number that has points must follow from them.

A window shows a length while it is drawn; what is signed is recomputed here from the points in
patient millimetres, and the points must lie on the images they name. A fat fraction is computed
again from the stored pixels. Of a ratio of signals only the quotient is checked.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from imgtrack.desk.cases.dixon import FAT, MAP, WATER, require_percent
from imgtrack.desk.cases.images import Images, plane_of
from imgtrack.domain.errors import Fault, InvalidInput
from imgtrack.domain.form import (
    FatFraction,
    GapSlices,
    Implants,
    Landmarks,
    Measured,
    Part,
    Ratio,
    is_answered,
)
from imgtrack.measure.angles import critical_shoulder_angle
from imgtrack.measure.areas import area_of
from imgtrack.measure.fat import fat_fraction, lie_alike, mapped_fat_fraction
from imgtrack.measure.gaps import gap_slices
from imgtrack.measure.landmarks import landmark_results
from imgtrack.measure.lengths import length_of
from imgtrack.measure.stack import Stack

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from imgtrack.desk.cases.stored_pixels import PixelsOf, StoredImage
    from imgtrack.domain.form import Form
    from imgtrack.domain.scales import View
    from imgtrack.measure.fat import FatFraction as FoundFraction
    from imgtrack.measure.plane import PlaneGeometry

TOLERANCE = 0.01
"""Largest difference, in the unit of the number, between what was given and what follows: a
window may round to two decimals."""

ON_IMAGE_MM = 0.1
"""Farthest a point may lie from the image it names: it is drawn on it, and only rounded."""


def recompute(
    form: Form, answers: Mapping[str, Any], images: Images, pixels: PixelsOf
) -> list[Fault]:
    """Return what does not follow from its points.

    Parameters
    ----------
    form
        What was asked.
    answers
        Checked answers, images by their alias.
    images
        What the aliases stand for.
    pixels
        Gives the stored pixels of one of them; asked only where a number follows from pixels.

    Returns
    -------
    list of Fault
        One for each number that is off, each point beside its image, each image of a wrong plane
        or of an earlier scan.

    Raises
    ------
    ImagesUnreadable
        When pixels that are asked for cannot be read.
    """
    faults: list[Fault] = []
    for question in form.questions:
        if not is_answered(answers, question.name):
            continue
        at = _At(question.title, question.name, images, pixels)
        try:
            faults += _check(question.asks, answers[question.name], at)
        except InvalidInput as error:
            faults += [
                Fault(each.what, at.title, each.expected, each.found, each.next_step)
                for each in error.faults
            ]
    return faults


@dataclass(frozen=True, slots=True)
class _At:
    """Where in the form one is, and the images of the case."""

    title: str
    name: str
    images: Images
    pixels: PixelsOf

    def part(self, name: str) -> _At:
        return _At(f"{self.title}, {name}", self.name, self.images, self.pixels)

    def differs(self, given: float, follows: float, unit: str) -> Iterator[Fault]:
        """Yield a fault when a number is not what follows from the points."""
        if not abs(given - follows) <= TOLERANCE:
            yield Fault(
                "this number does not follow from its points",
                self.title,
                f"{follows:.3f} {unit}".strip(),
                f"{given:.3f} {unit}".strip(),
                "draw it again",
            )


def _check(asks: object, answer: Mapping[str, Any], at: _At) -> Iterator[Fault]:
    match asks:
        case Measured():
            yield from _drawn(answer, answer["points"], asks.views, at)
            yield from _measured(asks, answer, at)
        case GapSlices(planes):
            for plane in (each.value for each in planes if is_answered(answer, each.value)):
                yield from _gap(answer[plane], plane, at.part(plane))
        case Landmarks():
            points = [point for each in answer["points"].values() for point in each]
            yield from _drawn(answer, points, asks.views, at)
            yield from _landmarks(answer, at)
        case Ratio():
            for part in (asks.top, asks.bottom):
                yield from _part(part, answer[part.name], asks.views, at.part(part.name))
        case FatFraction():
            yield from _drawn(answer, answer["points"], asks.views, at)
            yield from _fat_fraction(answer, at)
        case Implants():
            for implant in answer["implants"]:
                where = at.part(f"implant {implant['label']}")
                yield from _drawn(implant, implant["points"], (), where)


def _measured(asks: Measured, answer: Mapping[str, Any], at: _At) -> Iterator[Fault]:
    points = answer["points"]
    if asks.quantity == "mm":
        length = length_of(points)
        follows = length.path_mm if asks.open_ended else length.straight_mm
        yield from at.differs(answer["mm"], follows, "mm")
    else:
        superior, inferior, lateral = points
        follows = critical_shoulder_angle(
            superior_pole=superior, inferior_pole=inferior, lateral_acromion=lateral
        )
        yield from at.differs(answer["degrees"], follows, "degrees")


def _gap(marks: Mapping[str, Any], view: str, at: _At) -> Iterator[Fault]:
    shown = [image["uid"] for image in marks["images"]]
    yield from _of_this_scan(shown, (view,), at)
    series = {alias.rpartition(".")[0] for alias in shown}
    if not series:
        yield from at.differs(marks["implied_mm"], 0.0, "mm")
    elif len(series) > 1:
        yield Fault("the slices are of several series", at.title, "one series", f"{len(series)}")
    else:
        yield from _extent(marks, series.pop(), shown, at)


def _extent(marks: Mapping[str, Any], series: str, shown: list[str], at: _At) -> Iterator[Fault]:
    of_series = [alias for alias in at.images if alias.rpartition(".")[0] == series]
    in_order = sorted(of_series, key=_slice)  # a draft comes back in the order of its texts
    planes = [plane for alias in in_order if (plane := plane_of(at.images[alias])) is not None]
    pitch = Stack(tuple(planes)).pitch_mm
    thickness = max((plane.thickness for plane in planes if plane.thickness), default=None)
    yield from at.part("spacing").differs(marks["spacing_mm"], pitch, "mm")
    if thickness is not None:
        yield from at.part("thickness").differs(marks["thickness_mm"], thickness, "mm")
    slices = [_slice(alias) - 1 for alias in shown]
    extent = gap_slices(slices, pitch_mm=pitch, thickness_mm=marks["thickness_mm"])
    yield from at.differs(marks["implied_mm"], extent.pitch_extent_mm, "mm")


def _slice(alias: str) -> int:
    """Return the number of a slice, from 1."""
    return int(alias.rpartition(".")[2])


def _landmarks(answer: Mapping[str, Any], at: _At) -> Iterator[Fault]:
    given, follows = answer["mm"], landmark_results(at.name, answer["points"])
    for name, value in follows.items():
        yield from at.part(name).differs(given[name], value, "mm")


def _part(part: Part, answer: Mapping[str, Any], views: Sequence[View], at: _At) -> Iterator[Fault]:
    points = answer["points"]
    yield from _drawn(answer, points, views, at)
    if part.quantity == "mm" and points:
        yield from at.differs(answer["mm"], length_of(points).straight_mm, "mm")
    elif part.quantity == "mm2":
        yield from at.differs(answer["mm2"], area_of(points).mm2, "mm2")


def _fat_fraction(answer: Mapping[str, Any], at: _At) -> Iterator[Fault]:
    """Measure a fat fraction again on the stored pixels."""
    drawn = at.images[answer["images"][0]["uid"]]
    plane = plane_of(drawn)
    if plane is None:
        yield Fault("this image does not say where it lies", at.title)
    elif FAT not in answer:
        yield from _mapped(answer, at, plane, at.pixels(drawn))
    else:
        yield from _separated(answer, at, plane)


def _mapped(
    answer: Mapping[str, Any], at: _At, plane: PlaneGeometry, stored: StoredImage
) -> Iterator[Fault]:
    if stored.part != MAP:
        yield Fault("this is no map of fat fractions", at.title, MAP, stored.part)
        return
    require_percent(stored.unit)
    follows = mapped_fat_fraction(answer["points"], plane, percent=stored.values)
    yield from _same_fraction(answer, follows, at)


def _separated(answer: Mapping[str, Any], at: _At, plane: PlaneGeometry) -> Iterator[Fault]:
    found: dict[str, NDArray[Any]] = {}
    for part in (FAT, WATER):
        alias = answer[part]["images"][0]["uid"]
        stored, its_plane = at.pixels(at.images[alias]), plane_of(at.images[alias])
        yield from _of_this_scan([alias], (), at.part(part))
        if stored.part != part:
            yield Fault("this is another part of the acquisition", at.title, part, stored.part)
        elif its_plane is None or not lie_alike(plane, its_plane):
            yield Fault(f"the {part} image is not of the slice that was outlined", at.title)
        else:
            found[part] = stored.values
    if len(found) < len((FAT, WATER)):
        return
    follows = fat_fraction(answer["points"], plane, fat=found[FAT], water=found[WATER])
    yield from _same_fraction(answer, follows, at)
    yield from at.part(FAT).differs(answer[FAT]["mean"], follows.fat_mean, "")
    yield from at.part(WATER).differs(answer[WATER]["mean"], follows.water_mean, "")


def _same_fraction(answer: Mapping[str, Any], follows: FoundFraction, at: _At) -> Iterator[Fault]:
    spread = at.part("standard deviation")
    yield from at.differs(answer["percent"], follows.percent, "%")
    yield from spread.differs(answer["sd_percent"], follows.sd_percent, "%")
    yield from at.part("pixels").differs(answer["voxels"], follows.pixels, "")
    yield from at.part("area").differs(answer["mm2"], follows.mm2, "mm2")


def _drawn(
    answer: Mapping[str, Any], points: Sequence[Sequence[float]], views: Sequence[str], at: _At
) -> Iterator[Fault]:
    """Yield a fault for images that may not be drawn on, and for points that lie on none."""
    shown = [image["uid"] for image in answer["images"]]
    yield from _of_this_scan(shown, views, at)
    for number, point in enumerate(points, 1):
        if not any(_holds(at.images[alias], point) for alias in shown):
            yield Fault(
                "this point does not lie on the image it names",
                f"{at.title}, point {number}",
                f"within {ON_IMAGE_MM} mm of it and inside its edges",
                ", ".join(f"{each:.1f}" for each in point),
                "draw it again on the image",
            )


def _of_this_scan(shown: Sequence[str], views: Sequence[str], at: _At) -> Iterator[Fault]:
    for alias in shown:
        view = at.images[alias]["view"]
        if not alias.startswith("0."):
            yield Fault("this is drawn on an earlier scan", at.title, "the scan to be read", alias)
        elif views and view is not None and view not in views:
            yield Fault("this is drawn in another plane", at.title, " or ".join(views), view)


def _holds(image: Mapping[str, Any], point: Sequence[float]) -> bool:
    plane = plane_of(image)
    if plane is not None:
        away = abs(float(plane.distance([point])[0]))
        return away <= ON_IMAGE_MM and plane.covers(point)
    if image["spacing"] is None:
        return False
    rows, columns = image["spacing"]
    pixel = np.array([point[1] / rows, point[0] / columns])
    return bool(((pixel >= -0.5) & (pixel <= [image["rows"] - 0.5, image["columns"] - 0.5])).all())
