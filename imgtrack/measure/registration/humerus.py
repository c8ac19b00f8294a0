"""Where the upper humerus lies in a scan, so that nothing but bone and what holds to it counts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING

import numpy as np

from imgtrack.domain.errors import Fault, Refused
from imgtrack.domain.subjects import Side
from imgtrack.measure.points import Vector, as_vector
from imgtrack.measure.suggest.head import Head, head_near

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from imgtrack.measure.points import Points
    from imgtrack.measure.suggest.volume import Volume


@dataclass(frozen=True, slots=True)
class Reach:
    """How far around the bone pixels count.

    Attributes
    ----------
    shell_mm
        Beyond the head: its cartilage, and the outline that tells where it is.
    tuberosity
        A capsule beside the head, in head radii: how far lateral, how long downwards, how thick.
    shaft
        A capsule below it, in head radii: lateral and down at the top and at the end, how thick.
        The head alone is round and says next to nothing about turns.
    """

    shell_mm: float
    tuberosity: tuple[float, float, float]
    shaft: tuple[float, float, float, float, float]


CLOSE = Reach(2.0, (0.36, 0.4, 0.82), (0.3, 0.5, 0.33, 3.6, 0.6))
"""Hardly wider than the bone: when the arm is turned, muscle beside the bone does not follow it."""

WIDE = Reach(2.5, (0.36, 0.45, 0.95), (0.25, 0.5, 0.33, 3.6, 0.9))
"""With the whole outline of the bone, which settles the last degree once the turn is known."""

LATERAL_MM, ABOVE_MM = (0.0, 8.0, 16.0, 24.0), (26.0, 18.0, 32.0, 12.0)
"""Places, from the middle of the series, beneath which the head is looked for."""

ENOUGH = 2
"""Heads to be found before the best is taken."""

SURFACE_POINTS = 64


@dataclass(frozen=True, slots=True)
class Humerus:
    """The upper end of a humerus.

    Attributes
    ----------
    head
        The sphere laid on its head.
    lateral, down
        Unit directions away from the body and towards the elbow, patient LPS.
    reach
        How far around it pixels count.
    """

    head: Head
    lateral: Vector
    down: Vector
    reach: Reach = CLOSE

    def holds(self, points: Points) -> NDArray[np.bool_]:
        """Return which points belong to the bone or its close surroundings.

        Parameters
        ----------
        points
            Shape ``(n, 3)``, patient LPS mm.

        Returns
        -------
        ndarray of bool, shape (n,)
            A little more than the bone; little of the shoulder blade, which moves by itself.
        """
        out, length, thick = self.reach.tuberosity
        out_top, top, out_end, end, thin = self.reach.shaft
        centre, radius = np.array(self.head.centre), self.head.radius_mm
        head = np.linalg.norm(points - centre, axis=1) < radius + self.reach.shell_mm
        beside = _capsule(points, self._at(out, 0.0), self._at(out, length)) < thick * radius
        below = _capsule(points, self._at(out_top, top), self._at(out_end, end)) < thin * radius
        inside: NDArray[np.bool_] = head | beside | below
        return inside

    @property
    def axes(self) -> Points:
        """Lateral, down and a third direction at right angles, as rows of a rotation matrix."""
        return np.array([self.lateral, self.down, np.cross(self.lateral, self.down)])

    def surface(self) -> Points:
        """Return points spread evenly over the head; shape ``(64, 3)``, patient LPS mm."""
        number = np.arange(SURFACE_POINTS) + 0.5
        height = 1 - 2 * number / SURFACE_POINTS
        turn = np.pi * (1 + 5**0.5) * number
        ring = np.sqrt(1 - height**2)
        sphere = np.column_stack([ring * np.cos(turn), ring * np.sin(turn), height])
        points: Points = np.array(self.head.centre) + self.head.radius_mm * sphere
        return points

    def _at(self, lateral: float, down: float) -> Points:
        """Return the point so many head radii lateral and down of the centre of the head."""
        step = lateral * np.array(self.lateral) + down * np.array(self.down)
        point: Points = np.array(self.head.centre) + self.head.radius_mm * step
        return point


def find_humerus(volumes: Sequence[Volume], side: Side, *, near: Sequence[Vector] = ()) -> Humerus:
    """Find the humerus of a scan.

    Parameters
    ----------
    volumes
        Series in two planes or more that cross each other; the first one, coronal oblique, tells
        which way is lateral and which is down.
    side
        The shoulder it is.
    near
        Points drawn on its cuff, patient LPS mm, beneath which the head is looked for first.

    Raises
    ------
    Refused
        If no head is found.
    """
    lateral, down = _directions(volumes[0], side)
    middle = np.mean([_middle(volume) for volume in volumes], axis=0)
    places = [middle + out * lateral - up * down for up, out in product(ABOVE_MM, LATERAL_MM)]
    found: list[Head] = []
    for place in [*map(np.array, near), *places]:
        try:
            found.append(head_near(place, volumes))
        except Refused:
            continue
        if len(found) == ENOUGH:
            break
    if not found:
        raise Refused(
            Fault(
                "no humeral head was found in a scan",
                next_step="look at the scans without laying them on each other",
            )
        )
    best = max(found, key=lambda head: head.points)
    return Humerus(best, as_vector(lateral), as_vector(down))


def _directions(coronal: Volume, side: Side) -> tuple[Points, Points]:
    """Return lateral and down along rows and columns, whichever way these run."""
    plane = coronal.stack.planes[0]
    axes = np.array([plane.row, plane.column])
    sideways = 0 if abs(axes[0, 2]) <= abs(axes[1, 2]) else 1
    lateral, down = axes[sideways], axes[1 - sideways]
    is_leftwards = lateral[0] > 0
    if is_leftwards != (side is Side.LEFT):
        lateral = -lateral
    return lateral, -down if down[2] > 0 else down


def _middle(volume: Volume) -> Points:
    middle: Points = np.mean([plane.corners for plane in volume.stack.planes], axis=(0, 1))
    return middle


def _capsule(points: Points, start: Points, end: Points) -> Points:
    """Return distances of points from a line segment, mm; shape ``(n,)``."""
    along = end - start
    share = np.clip((points - start) @ along / (along @ along), 0.0, 1.0)
    distances: Points = np.linalg.norm(points - start - share[:, np.newaxis] * along, axis=1)
    return distances
