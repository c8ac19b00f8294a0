"""Angles between drawn lines."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from imgtrack.measure.lengths import FLAT_OR_SPATIAL
from imgtrack.measure.points import as_direction, as_point

if TYPE_CHECKING:
    from numpy.typing import ArrayLike


def angle_at(corner: ArrayLike, first: ArrayLike, second: ArrayLike) -> float:
    """Return the angle between the lines from a corner to two other points.

    Parameters
    ----------
    corner, first, second
        Shape ``(3,)``, patient LPS mm, or ``(2,)``, mm in the plane of a radiograph. Pixels that
        are not square must be turned into millimetres before.

    Returns
    -------
    float
        Degrees, 0 to 180.

    Raises
    ------
    InvalidInput
        If a point coincides with the corner, or dimensions differ.
    """
    start = as_point(corner, "corner", columns=FLAT_OR_SPATIAL)
    size = start.shape
    u = as_direction(
        as_point(first, "first point", columns=size) - start, "first line", columns=size
    )
    v = as_direction(
        as_point(second, "second point", columns=size) - start, "second line", columns=size
    )
    # Kahan's form: exact also near 0 and 180 degrees, where the arc cosine loses half its digits.
    opposite, adjacent = float(np.linalg.norm(u - v)), float(np.linalg.norm(u + v))
    return math.degrees(2 * math.atan2(opposite, adjacent))


def critical_shoulder_angle(
    *, superior_pole: ArrayLike, inferior_pole: ArrayLike, lateral_acromion: ArrayLike
) -> float:
    """Return the critical shoulder angle on a true anteroposterior radiograph.

    Parameters
    ----------
    superior_pole, inferior_pole
        Upper and lower end of the glenoid, shape ``(2,)`` or ``(3,)``, mm.
    lateral_acromion
        Most lateral point of the acromion.

    Returns
    -------
    float
        Degrees between the plane of the glenoid and the line from its lower pole to the
        acromion.

    Raises
    ------
    InvalidInput
        If a point coincides with the inferior pole.

    References
    ----------
    Moor BK et al. Bone Joint J 2013;95-B:935-41.
    """
    return angle_at(inferior_pole, superior_pole, lateral_acromion)
