"""Fat and water: which images of a case belong together, and what their pixels say.

A Dixon acquisition gives several images of every slice, all in one place. Its parts may come as
series of their own or as frames of one object, so they are known by what they show and by where
they lie, never by their number.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from imgtrack.dicom.real_world import PERCENT
from imgtrack.dicom.records import Part
from imgtrack.domain.errors import Fault, InvalidInput
from imgtrack.measure.fat import FatAndWaterFraction, lie_alike

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from imgtrack.desk.cases.images import ShownImage, ShownSeries
    from imgtrack.domain.form import Origin
    from imgtrack.measure.fat import FatFraction

FAT, WATER = Part.FAT.value, Part.WATER.value
SEPARATED = frozenset({FAT, WATER, Part.IN_PHASE.value, Part.OPPOSED_PHASE.value})
"""Parts that an outline may be drawn on to compute the fraction from fat and water."""

MAP = Part.FAT_FRACTION.value
"""A map of fat fractions that the scanner made; drawn on it, the fraction is read from it."""


@dataclass(frozen=True, slots=True)
class FatAndWater:
    """The two images of one slice that a fat fraction is computed from.

    Attributes
    ----------
    fat, water
        Aliases.
    """

    fat: str
    water: str


def fat_answer(
    found: FatFraction,
    outline: Sequence[Sequence[float]],
    *,
    drawn_on: str,
    images: FatAndWater | None,
    origin: Origin,
) -> dict[str, Any]:
    """Return a fat fraction as an answer, in the layout of `imgtrack.domain.form.questions`.

    Parameters
    ----------
    found
        What was measured.
    outline
        Patient LPS mm.
    drawn_on
        Alias of the image the outline was drawn on.
    images
        What it was computed from; ``None`` where it was read from the map that was drawn on.
    origin
        Where the outline comes from.
    """
    answer = {
        "percent": found.percent,
        "sd_percent": found.sd_percent,
        "voxels": found.pixels,
        "mm2": found.mm2,
        "points": [[float(each) for each in point] for point in outline],
        "images": [_image(drawn_on)],
        "origin": origin.value,
    }
    if isinstance(found, FatAndWaterFraction) and images is not None:
        answer[FAT] = {"mean": found.fat_mean, "images": [_image(images.fat)]}
        answer[WATER] = {"mean": found.water_mean, "images": [_image(images.water)]}
    return answer


def _image(alias: str) -> dict[str, Any]:
    return {"uid": alias, "frame": 1}


def require_percent(unit: str) -> None:
    """Refuse a map that does not say that its values are percent.

    Parameters
    ----------
    unit
        Of its pixels; see `imgtrack.desk.cases.images.ShownPixels`.

    Raises
    ------
    InvalidInput
        When it says nothing: what maker and version wrote is not guessed.
    """
    if unit != PERCENT:
        what = "this map does not say what its values stand for"
        raise InvalidInput(Fault(what, next_step="draw on the fat or water images"))


def has_fat_images(series: Sequence[ShownSeries]) -> bool:
    """Whether the scan to be read has a slice with fat and water, or a map of fat fractions."""
    if any(_parts(series, MAP)):
        return True
    waters = [image for each in _parts(series, WATER) for image in each.images]
    return any(
        _same_place(image, water)
        for each in _parts(series, FAT)
        for image in each.images
        for water in waters
    )


def fat_and_water_at(series: Sequence[ShownSeries], alias: str) -> FatAndWater:
    """Return the fat and the water image in the place of an image.

    Parameters
    ----------
    series
        Of the case.
    alias
        Of an image of a Dixon acquisition: fat, water, in phase or opposed phase.

    Raises
    ------
    InvalidInput
        When the image is none of these, or not exactly one fat and one water image lie there.
    """
    drawn = next((i for s in series for i in s.images if i.alias == alias), None)
    part = next((s.part for s in series if s.alias == alias.rpartition(".")[0]), "")
    if drawn is None or part not in SEPARATED:
        raise InvalidInput(
            Fault(
                "this is no image of a Dixon acquisition",
                expected="a fat, water, in-phase or opposed-phase image",
                found=part or alias,
                next_step="draw on one of these",
            )
        )
    return FatAndWater(_only(series, FAT, drawn), _only(series, WATER, drawn))


def _only(series: Sequence[ShownSeries], part: str, drawn: ShownImage) -> str:
    """Return the one image of a part in a place; the image itself where it is of that part."""
    there = [
        image.alias
        for each in _parts(series, part)
        for image in each.images
        if _same_place(image, drawn)
    ]
    if drawn.alias in there:
        return drawn.alias
    if len(there) != 1:
        what = f"there is no {part} image" if not there else f"there are several {part} images"
        raise InvalidInput(Fault(f"{what} of this slice", expected="one", found=f"{len(there)}"))
    return there[0]


def _parts(series: Sequence[ShownSeries], part: str) -> Iterator[ShownSeries]:
    return (each for each in series if each.part == part and each.earlier == 0)


def _same_place(one: ShownImage, other: ShownImage) -> bool:
    if one.plane is None or other.plane is None:
        return False
    return lie_alike(one.plane, other.plane)
