"""Areas of outlines drawn on oblique planes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from imgtrack.domain.errors import Fault, InvalidInput
from imgtrack.measure.points import Vector, as_points, as_vector

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from imgtrack.measure.points import Points

FLATNESS_MM = 0.01
"""Farthest a drawn outline may stray from its plane: points of one image lie in it exactly."""


@dataclass(frozen=True, slots=True)
class Area:
    """The area inside an outline.

    Attributes
    ----------
    mm2
        Square millimetres.
    normal
        Unit normal of its plane; the outline runs anticlockwise seen from its tip.
    centre
        Mean of the outline's points, patient LPS mm; lies in the plane.
    off_plane_mm
        Farthest distance of a point from the plane.
    """

    mm2: float
    normal: Vector
    centre: Vector
    off_plane_mm: float


def area_of(outline: ArrayLike, *, flatness_mm: float = FLATNESS_MM) -> Area:
    """Return the area inside a closed outline in any plane.

    Parameters
    ----------
    outline
        Shape ``(n, 3)`` with n of 3 or more, patient LPS mm, in order round the outline, either
        way; the last point is joined to the first.
    flatness_mm
        Farthest a point may lie from the common plane.

    Raises
    ------
    InvalidInput
        If the points are too few, on one line, not in one plane, or the outline crosses itself.

    References
    ----------
    Newell's method for the normal of a polygon; half of its length is the area.
    """
    points = as_points(outline, "outline", at_least=3)
    centre = points.mean(axis=0)
    arms = points - centre
    twice = np.cross(arms, np.roll(arms, -1, axis=0)).sum(axis=0)
    size = float(np.linalg.norm(twice))
    extent = float(np.ptp(points, axis=0).max())
    if size <= 1e-9 * extent**2:
        raise InvalidInput(Fault("the outline encloses nothing"))
    normal = twice / size
    off_plane = float(np.abs(arms @ normal).max())
    if off_plane > flatness_mm:
        raise InvalidInput(
            Fault(
                "the outline does not lie in one plane",
                expected=f"every point within {flatness_mm} mm of it",
                found=f"{off_plane:.3f} mm",
                next_step="draw the outline on one image",
            )
        )
    if _crosses_itself(_flattened(arms, normal)):
        what, next_step = "the outline crosses itself", "redraw it without the loop"
        raise InvalidInput(Fault(what, next_step=next_step))
    return Area(size / 2, as_vector(normal), as_vector(centre), off_plane)


def _flattened(arms: Points, normal: Points) -> Points:
    """Return points of a plane in two coordinates; shape ``(n, 2)``."""
    _, _, axes = np.linalg.svd(normal[np.newaxis])
    flat: Points = arms @ axes[1:].T
    return flat


def _crosses_itself(flat: Points) -> bool:
    """Whether two edges that are not neighbours cross."""
    ends = np.roll(flat, -1, axis=0)
    before = _turns(flat, ends, flat)
    after = _turns(flat, ends, ends)
    splits = before * after < 0
    return bool((splits & splits.T).any())


def _turns(begins: Points, ends: Points, points: Points) -> Points:
    """Return on which side of each edge (row) each point (column) lies; shape ``(n, n)``."""
    steps = (ends - begins)[:, np.newaxis]
    away = points[np.newaxis] - begins[:, np.newaxis]
    turns: Points = steps[..., 0] * away[..., 1] - steps[..., 1] * away[..., 0]
    return turns
