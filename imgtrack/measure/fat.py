"""Fat fraction of a muscle from fat and water images, or from a map that the scanner made."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from imgtrack.domain.errors import Fault, InvalidInput
from imgtrack.measure.areas import area_of
from imgtrack.measure.regions import inside
from imgtrack.measure.signal import region_signal

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from imgtrack.measure.areas import Area
    from imgtrack.measure.plane import PlaneGeometry

FEWEST_PIXELS = 2
"""Fewer have no standard deviation."""

APART_MM = 0.01
"""Farthest that the corners of two images of one acquisition lie apart: headers write decimals."""


@dataclass(frozen=True, slots=True)
class FatFraction:
    """Fat over fat and water within one outline, in percent.

    Attributes
    ----------
    percent
        Mean of the pixels' fractions, in percent.
    sd_percent
        Sample standard deviation of the pixels' fractions, in percent: streaks and noise together.
    pixels
        How many pixel centres the outline holds.
    mm2
        Area within the outline.
    """

    percent: float
    sd_percent: float
    pixels: int
    mm2: float


@dataclass(frozen=True, slots=True)
class FatAndWaterFraction(FatFraction):
    """A fat fraction with the signals it is made of.

    Attributes
    ----------
    fat_mean, water_mean
        Mean signal of both images within the outline.
    """

    fat_mean: float
    water_mean: float


def fat_fraction(
    outline: ArrayLike, plane: PlaneGeometry, *, fat: ArrayLike, water: ArrayLike
) -> FatAndWaterFraction:
    """Return the fat fraction within an outline.

    Parameters
    ----------
    outline
        Shape ``(n, 3)``, patient LPS mm: outer border of the muscle, on the plane of both images.
    plane
        Where both images lie.
    fat, water
        Shape ``(rows, columns)``: magnitudes in one and the same unit, 0 or more.

    Raises
    ------
    InvalidInput
        If the outline is none or holds fewer than two pixels, an image does not fit the plane,
        a value is below 0 or not finite, or a pixel has no signal at all and so no fraction.

    Notes
    -----
    The fraction is taken pixel by pixel and then averaged, as a region is read on a scanner's map
    of fat fractions. The means of both signals are returned as well: from them follows the
    fraction of the means, which weights bright pixels more.

    It is a share of signal, not of protons. Fat and water differ in T1 and T2, so the sequence
    weights it: values of different sequences must not be pooled. Magnitudes are never below 0, so
    noise does not cancel where there is little fat: alone it has a mean of 1.25 times its standard
    deviation (Gudbjartsson and Patz, Magn Reson Med 1995;34:910-4; from memory). At a water signal
    of 20 times the noise of the fat image a muscle without any fat reads about 6 percent.

    References
    ----------
    No cut-off of a fat fraction for a grade of fatty infiltration is accepted, so none is made.
    Davis DL et al. AJR Am J Roentgenol 2019;213:1307-14 (supraspinatus, controls 3.3, standard
    deviation 1.4, and painful full-thickness tears 7.3, 5.9 percent; abstract).
    """
    area, where = _region(outline, plane)
    fats, waters = _signal(fat, where, "fat"), _signal(water, where, "water")
    total = fats + waters
    if empty := int((total == 0).sum()):
        raise InvalidInput(
            Fault(
                "pixels without any signal lie within the outline",
                expected="fat or water in every pixel",
                found=f"{empty} of {total.size} pixels",
                next_step="draw the outline inside the muscle",
            )
        )
    found = region_signal(100 * fats / total)
    return FatAndWaterFraction(
        percent=found.mean,
        sd_percent=found.sd or 0.0,
        pixels=found.voxels,
        mm2=area.mm2,
        fat_mean=float(fats.mean()),
        water_mean=float(waters.mean()),
    )


def mapped_fat_fraction(
    outline: ArrayLike, plane: PlaneGeometry, *, percent: ArrayLike
) -> FatFraction:
    """Return the fat fraction within an outline on a scanner's own map of fat fractions.

    Such a map may be corrected for what weights the share of signal, so it must not be pooled with
    `fat_fraction`.

    Parameters
    ----------
    outline
        As for `fat_fraction`.
    plane
        Where the map lies.
    percent
        Shape ``(rows, columns)``: the map in percent. Single pixels may lie below 0 or above 100,
        as noise makes them.

    Raises
    ------
    InvalidInput
        If the outline is none or holds fewer than two pixels, the map does not fit the plane, a
        value is not finite, or their mean is no percentage.
    """
    area, where = _region(outline, plane)
    found = region_signal(percent, where)
    if not 0 <= found.mean <= 100:
        raise InvalidInput(
            Fault("the mean of the map is no percentage", "", "0 to 100 %", f"{found.mean:.1f} %")
        )
    return FatFraction(found.mean, found.sd or 0.0, found.voxels, area.mm2)


def _region(outline: ArrayLike, plane: PlaneGeometry) -> tuple[Area, NDArray[np.bool_]]:
    """Return the area of an outline and the pixels it holds."""
    area, where = area_of(outline), inside(plane, outline)
    if where.sum() < FEWEST_PIXELS:
        raise InvalidInput(Fault("the outline holds fewer than two pixels"))
    return area, where


def _signal(image: ArrayLike, where: NDArray[np.bool_], name: str) -> NDArray[np.float64]:
    """Return the values of an image within a region."""
    values = np.asarray(image, dtype=np.float64)
    if values.shape != where.shape:
        what = f"the {name} image does not fit the plane"
        raise InvalidInput(Fault(what, "", str(where.shape), str(values.shape)))
    held: NDArray[np.float64] = values[where]
    if not np.isfinite(held).all() or held.min() < 0:
        raise InvalidInput(
            Fault(
                f"the {name} image is no magnitude",
                expected="finite values, 0 or more",
                found=f"{held.min():g}",
            )
        )
    return held


def lie_alike(one: PlaneGeometry, other: PlaneGeometry) -> bool:
    """Whether two images have their pixels in the same places of the patient.

    Parameters
    ----------
    one, other
        Images of one frame of reference.
    """
    if one.shape != other.shape:
        return False
    return bool(np.abs(one.corners - other.corners).max() <= APART_MM)
