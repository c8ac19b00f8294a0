"""What is irregular about the places of slices, as far as their positions tell."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from imgtrack.dicom.records import Frame
    from imgtrack.measure.points import Points
    from imgtrack.measure.stack import Stack as Planes

UNEVEN_MM, UNEVEN_SHARE = 0.01, 0.005
"""A step this far, and this share, off the usual one is uneven; positions are often rounded."""

MISSING_SHARE = 0.1
"""A step within this share of a whole number of usual steps means missing slices."""

SHEAR_MM = 0.05
"""First pixels this far off the common line along the normal make a stack sheared."""

STATED_SHARE = 0.01
"""Stated spacings and locations may be this share off the positions: they are rounded."""


class ProblemKind(StrEnum):
    """What can be wrong with a stack."""

    MISSING_SLICES = "missing slices"
    DUPLICATE_SLICES = "duplicate slices"
    UNEVEN_SPACING = "uneven spacing"
    NOT_PARALLEL = "not parallel"
    SHEARED = "sheared"
    NO_ORDER = "no order along one normal"
    SINGLE_SLICE = "single slice"
    REPEATS_BY_ORDER = "repeats told apart by order only"
    STATED_SPACING = "stated spacing differs"
    STATED_LOCATION = "stated location differs"
    COPIES = "copies of files"
    CONFLICTING_COPIES = "conflicting copies"


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong with a stack.

    Attributes
    ----------
    kind
        What kind of fault.
    text
        The fault in plain words with its numbers.
    slices
        Slices it concerns, counted from 0 in the order of the stack; empty for all of them.
    """

    kind: ProblemKind
    text: str
    slices: tuple[int, ...] = ()


def irregularities(planes: Planes, frames: Sequence[Frame]) -> Iterator[Problem]:
    """Yield what is irregular about a stack of two slices or more.

    Parameters
    ----------
    planes
        Geometry of the slices, in order along their normal.
    frames
        The images in the same order, for what their headers state.
    """
    steps, pitch = np.diff(planes.positions), planes.pitch_mm
    yield from _uneven(steps, pitch)
    yield from _sheared(planes)
    yield from _misstated(steps, pitch, frames)


def _uneven(steps: Points, pitch: float) -> Iterator[Problem]:
    """Yield missing slices and uneven steps."""
    tolerance = max(UNEVEN_MM, UNEVEN_SHARE * pitch)
    odd = [int(place) for place in np.flatnonzero(np.abs(steps - pitch) > tolerance)]
    counts = {place: round(float(steps[place]) / pitch) for place in odd}
    lacking = {
        place: count - 1
        for place, count in counts.items()
        if count > 1 and abs(steps[place] - count * pitch) <= MISSING_SHARE * pitch
    }
    if lacking:
        where = ", ".join(f"{count} after slice {place + 1}" for place, count in lacking.items())
        yield Problem(
            ProblemKind.MISSING_SLICES,
            f"{sum(lacking.values())} slices are missing at a distance of {pitch:.3f} mm: {where}",
            tuple(lacking),
        )
    uneven = tuple(place for place in odd if place not in lacking)
    if uneven:
        found = steps[list(uneven)]
        yield Problem(
            ProblemKind.UNEVEN_SPACING,
            f"slices lie {found.min():.3f} to {found.max():.3f} mm apart, usually {pitch:.3f} mm",
            uneven,
        )


def _sheared(planes: Planes) -> Iterator[Problem]:
    """Yield a drift of the slices within their plane."""
    first = planes.planes[0]
    away = np.array([plane.origin for plane in planes.planes]) - np.array(first.origin)
    aside = np.linalg.norm(away - np.outer(planes.positions, first.normal), axis=1)
    if aside.max() > SHEAR_MM:
        worst = int(np.argmax(aside))
        yield Problem(
            ProblemKind.SHEARED,
            f"slice {worst + 1} lies {aside[worst]:.3f} mm beside the line of the first slice's"
            " normal",
            (worst,),
        )


def _misstated(steps: Points, pitch: float, frames: Sequence[Frame]) -> Iterator[Problem]:
    """Yield headers that contradict the positions."""
    stated = {frame.stated_spacing_mm for frame in frames} - {None}
    wrong = [value for value in stated if value is not None and _differs(value, pitch)]
    if wrong:
        said = ", ".join(f"{value:g}" for value in sorted(wrong))
        yield Problem(
            ProblemKind.STATED_SPACING,
            f"headers state {said} mm between slices, positions give {pitch:.3f} mm",
        )
    locations = [frame.stated_location_mm for frame in frames]
    if None in locations:
        return
    told = np.abs(np.diff(np.array(locations, dtype=np.float64)))
    if any(map(_differs, told, steps)):
        yield Problem(
            ProblemKind.STATED_LOCATION,
            f"headers state slice locations {told.min():.3f} to {told.max():.3f} mm apart,"
            f" positions give {steps.min():.3f} to {steps.max():.3f} mm",
        )


def _differs(stated: float, measured: float) -> bool:
    return abs(stated - measured) > max(UNEVEN_MM, STATED_SHARE * measured)
