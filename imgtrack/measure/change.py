"""Whether two measurements differ by more than measuring itself does."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from statistics import NormalDist

from imgtrack.domain.errors import Fault, InvalidInput


class Direction(StrEnum):
    """What became of a measurement between two scans."""

    LARGER = "larger"
    SMALLER = "smaller"
    NOT_DETECTABLE = "no detectable change"


@dataclass(frozen=True, slots=True)
class Change:
    """Two measurements compared.

    Attributes
    ----------
    difference
        Later minus earlier, in the unit of the measurement.
    smallest_detectable
        What it was held against.
    direction
        Verdict; a difference equal to the smallest detectable change is not detectable.
    """

    difference: float
    smallest_detectable: float
    direction: Direction


def smallest_detectable_change(standard_error: float, *, level: float = 0.95) -> float:
    """Return the smallest change that is unlikely to be measuring error: ``z sqrt(2) SEM``.

    Parameters
    ----------
    standard_error
        Standard error of measurement, in the unit of the measurement.
    level
        Confidence level; 0.95 gives the usual ``1.96 sqrt(2) SEM``.

    Raises
    ------
    InvalidInput
        If the standard error is negative or not finite, or the level not between 0 and 1.
    """
    if not (0 <= standard_error < math.inf and 0 < level < 1):
        found = f"standard error {standard_error}, level {level}"
        what = "a standard error of 0 or more and a level between 0 and 1 are needed"
        raise InvalidInput(Fault(what, found=found))
    z = NormalDist().inv_cdf((1 + level) / 2)
    return z * math.sqrt(2) * standard_error


def compare(earlier: float, later: float, *, smallest_detectable: float) -> Change:
    """Return how a measurement changed, held against the smallest detectable change.

    Raises
    ------
    InvalidInput
        If a number is not finite, or the smallest detectable change is negative.
    """
    numbers = (earlier, later, smallest_detectable)
    if not all(map(math.isfinite, numbers)) or smallest_detectable < 0:
        what = "a change needs two finite measurements and a limit of 0 or more"
        raise InvalidInput(Fault(what, found=str(numbers)))
    difference = later - earlier
    direction = Direction.NOT_DETECTABLE
    if abs(difference) > smallest_detectable:
        direction = Direction.LARGER if difference > 0 else Direction.SMALLER
    return Change(difference, smallest_detectable, direction)
