"""One true measurement and the conversion of its points."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterable

    from synthetic_scans.phantom.shapes import Vector
    from synthetic_scans.planes import JointFrame


@dataclass(frozen=True, slots=True)
class Measurement:
    """A true value.

    Attributes
    ----------
    name
        What is measured.
    value
        In ``unit``.
    unit
        UCUM code: mm, mm2 or 1.
    points
        Defining points, patient LPS mm: two ends of a distance, the vertices
        of a path, or the outline of an area; empty for derived values.
    plane
        Plane in which the points lie.
    definition
        What the points are.
    """

    name: str
    value: float
    unit: str
    points: tuple[tuple[float, ...], ...]
    plane: str
    definition: str


def patient_points(
    joint: JointFrame, points: Iterable[Vector | tuple[float, ...]]
) -> tuple[tuple[float, ...], ...]:
    """Joint points in patient LPS mm."""
    return tuple(tuple(joint.to_patient(np.array(point)).tolist()) for point in points)


def span(points: Iterable[Vector]) -> float:
    """Straight distance between the first and last of the points."""
    listed = np.array(list(points))
    return float(np.linalg.norm(listed[-1] - listed[0]))
