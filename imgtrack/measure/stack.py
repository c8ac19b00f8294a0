"""Parallel images in order, and which of them holds a point."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from imgtrack.domain.errors import Fault, InvalidInput
from imgtrack.measure.plane import UNIT_TOLERANCE, PlaneGeometry
from imgtrack.measure.points import as_point

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from imgtrack.measure.points import Points


@dataclass(frozen=True)
class Stack:
    """Parallel images in order along their normal.

    Attributes
    ----------
    planes
        Two or more planes, each further along the common normal than the one before.
    """

    planes: tuple[PlaneGeometry, ...]

    def __post_init__(self) -> None:
        """Refuse planes that are not a stack."""
        if len(self.planes) < 2:
            raise InvalidInput(Fault("a stack needs two planes or more"))
        first = self.planes[0]
        faults = [
            Fault("planes are not parallel", f"plane {number}")
            for number, plane in enumerate(self.planes)
            if np.abs(np.subtract(plane.row, first.row)).max() > UNIT_TOLERANCE
            or np.abs(np.subtract(plane.column, first.column)).max() > UNIT_TOLERANCE
        ]
        if not faults and np.any(np.diff(self.positions) <= 0):
            faults.append(Fault("planes do not follow each other along their normal"))
        if faults:
            raise InvalidInput(faults)

    @cached_property
    def positions(self) -> Points:
        """Place of each plane along the normal of the first, mm from it; shape ``(n,)``."""
        return self.planes[0].distance([plane.origin for plane in self.planes])

    @property
    def pitch_mm(self) -> float:
        """Median distance from slice to slice, from positions and not from a stated spacing."""
        return float(np.median(np.diff(self.positions)))

    def slice_of(self, point: ArrayLike) -> int | None:
        """Return the number of the slice that holds a point.

        The slice is the nearest one along the normal. ``None`` when the point lies beside the
        image, or beyond half a slice distance outside the first or last slice.

        Parameters
        ----------
        point
            Shape ``(3,)``, patient LPS mm.
        """
        place = float(self.planes[0].distance(as_point(point, "point")[np.newaxis])[0])
        nearest = int(np.argmin(np.abs(self.positions - place)))
        steps = np.diff(self.positions)
        reach = (steps[0] if place < self.positions[0] else steps[-1]) / 2
        is_outside = place < self.positions[0] - reach or place > self.positions[-1] + reach
        if is_outside or not self.planes[nearest].covers(point):
            return None
        return nearest
