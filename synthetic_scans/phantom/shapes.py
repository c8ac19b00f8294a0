"""Signed-distance shapes in joint millimetres.

Every shape answers ``distance(q)`` for ``q`` of shape (3, ...): negative inside,
positive outside, and never changing by more than the distance walked (its
gradient is at most 1). The last property is what lets a whole block of points
be decided from its middle. Unless a shape says "exact", its value is a lower
bound of the true distance; the sign is always right.

Arrays keep the floating type they come in with.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import reduce
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from collections.abc import Sequence

Floats = NDArray[np.floating[Any]]
Vector = tuple[float, float, float]


class Shape(Protocol):
    """A solid with a signed distance."""

    def distance(self, q: Floats) -> Floats:
        """Signed distance (...) at ``q`` (3, ...)."""
        ...


def vector(values: Sequence[float] | Floats) -> Vector:
    """Three plain floats, which never widen the arrays they meet."""
    x, y, z = (float(v) for v in values)
    return x, y, z


def unit(values: Sequence[float] | Floats) -> Vector:
    """``values`` scaled to length 1."""
    v = np.asarray(values, dtype=np.float64)
    return vector(v / np.linalg.norm(v))


def along(q: Floats, origin: Vector, direction: Vector) -> Floats:
    """Coordinate of ``q`` on an axis."""
    dx, dy, dz = direction
    shift = origin[0] * dx + origin[1] * dy + origin[2] * dz
    value: Floats = q[0] * dx + q[1] * dy + q[2] * dz - shift
    return value


@dataclass(frozen=True, slots=True)
class Sphere:
    """Ball; exact."""

    centre: Vector
    radius: float

    def distance(self, q: Floats) -> Floats:
        """Signed distance."""
        x, y, z = q[0] - self.centre[0], q[1] - self.centre[1], q[2] - self.centre[2]
        value: Floats = np.sqrt(x * x + y * y + z * z) - self.radius
        return value


@dataclass(frozen=True, slots=True)
class HalfSpace:
    """Points whose coordinate along ``outward`` from ``origin`` is negative; exact."""

    origin: Vector
    outward: Vector

    def distance(self, q: Floats) -> Floats:
        """Signed distance."""
        return along(q, self.origin, self.outward)


@dataclass(frozen=True, slots=True)
class Capsule:
    """Ball swept from ``start`` to ``end`` with a radius that changes linearly."""

    start: Vector
    end: Vector
    start_radius: float
    end_radius: float

    def distance(self, q: Floats) -> Floats:
        """Signed distance; exact when both radii are equal."""
        length = math.dist(self.start, self.end)
        ux, uy, uz = ((e - s) / length for s, e in zip(self.start, self.end, strict=True))
        x, y, z = q[0] - self.start[0], q[1] - self.start[1], q[2] - self.start[2]
        t = np.minimum(np.maximum(x * ux + y * uy + z * uz, 0.0), length)
        x, y, z = x - t * ux, y - t * uy, z - t * uz
        slope = (self.end_radius - self.start_radius) / length
        radial = np.sqrt(x * x + y * y + z * z) - (self.start_radius + slope * t)
        value: Floats = radial * (1.0 / math.hypot(1.0, slope))
        return value


@dataclass(frozen=True, slots=True)
class Cylinder:
    """Flat-ended cylinder from ``start`` to ``end``; exact outside."""

    start: Vector
    end: Vector
    radius: float

    def distance(self, q: Floats) -> Floats:
        """Signed distance."""
        direction = unit(np.subtract(self.end, self.start))
        half = 0.5 * float(np.linalg.norm(np.subtract(self.end, self.start)))
        middle = vector(0.5 * np.add(self.start, self.end))
        x, y, z = q[0] - middle[0], q[1] - middle[1], q[2] - middle[2]
        t = x * direction[0] + y * direction[1] + z * direction[2]
        radial = np.sqrt(np.maximum(x * x + y * y + z * z - t * t, 0.0)) - self.radius
        return _corner(radial, np.abs(t) - half)


def _corner(first: Floats, second: Floats) -> Floats:
    """Distance to the intersection of two slabs that meet at right angles."""
    outside = np.hypot(np.maximum(first, 0.0), np.maximum(second, 0.0))
    value: Floats = outside + np.minimum(np.maximum(first, second), 0.0)
    return value


@dataclass(frozen=True, slots=True)
class Ellipsoid:
    """Ellipsoid with semi-axes along the orthonormal ``axes``; infinite ones are cylinders."""

    centre: Vector
    axes: tuple[Vector, ...]
    radii: tuple[float, ...]

    def distance(self, q: Floats) -> Floats:
        """Signed distance."""
        squares = [
            (along(q, self.centre, axis) * (1.0 / radius)) ** 2
            for axis, radius in zip(self.axes, self.radii, strict=True)
        ]
        value: Floats = (np.sqrt(reduce(np.add, squares)) - 1.0) * min(self.radii)
        return value


def polygon_distance(x: Floats, y: Floats, vertices: NDArray[np.float64]) -> Floats:
    """Exact signed distance from (x, y) to a simple polygon, (M, 2) vertices.

    Vertices may run either way round; winding is counted by crossings.
    """
    nearest = np.full_like(x, np.inf)
    inside = np.zeros(np.shape(x), dtype=bool)
    for (x0, y0), (x1, y1) in zip(
        vertices.tolist(), np.roll(vertices, -1, axis=0).tolist(), strict=True
    ):
        ex, ey = x1 - x0, y1 - y0
        px, py = x - x0, y - y0
        share = 1.0 / (ex * ex + ey * ey)
        t = np.minimum(np.maximum(px * (ex * share) + py * (ey * share), 0.0), 1.0)
        dx, dy = px - t * ex, py - t * ey
        np.minimum(nearest, dx * dx + dy * dy, out=nearest)
        if ey != 0.0:
            spans = (py >= 0.0) ^ (y >= y1)
            inside ^= spans & (px < py * (ex / ey))
    value: Floats = np.sqrt(nearest)
    np.negative(value, out=value, where=inside)
    return value


@dataclass(frozen=True, slots=True, eq=False)
class Plate:
    """Polygon of given thickness with rounded edges; exact outside.

    Attributes
    ----------
    origin, first, second
        Plane of the polygon: a point and two orthonormal directions.
    vertices : (M, 2)
        Polygon before rounding, in (first, second) coordinates.
    half_thickness, rounding
        The plate reaches ``half_thickness + rounding`` to either side of its
        plane and ``rounding`` beyond the polygon.
    """

    origin: Vector
    first: Vector
    second: Vector
    vertices: NDArray[np.float64]
    half_thickness: float
    rounding: float

    @property
    def normal(self) -> Vector:
        """Unit normal, first x second."""
        return unit(np.cross(self.first, self.second))

    def distance(self, q: Floats) -> Floats:
        """Signed distance."""
        x = along(q, self.origin, self.first)
        y = along(q, self.origin, self.second)
        z = np.abs(along(q, self.origin, self.normal)) - self.half_thickness
        value: Floats = _corner(polygon_distance(x, y, self.vertices), z) - self.rounding
        return value


@dataclass(frozen=True, slots=True)
class Union:
    """Points in any of the parts."""

    parts: tuple[Shape, ...]

    def distance(self, q: Floats) -> Floats:
        """Signed distance; exact outside when the parts are."""
        return reduce(np.minimum, (part.distance(q) for part in self.parts))


@dataclass(frozen=True, slots=True)
class Intersection:
    """Points in every part."""

    parts: tuple[Shape, ...]

    def distance(self, q: Floats) -> Floats:
        """Signed distance."""
        return reduce(np.maximum, (part.distance(q) for part in self.parts))


@dataclass(frozen=True, slots=True)
class Outside:
    """Points not in ``part``."""

    part: Shape

    def distance(self, q: Floats) -> Floats:
        """Signed distance."""
        value: Floats = -self.part.distance(q)
        return value


@dataclass(frozen=True, slots=True)
class Offset:
    """``part`` grown by ``by`` mm (shrunk when negative)."""

    part: Shape
    by: float

    def distance(self, q: Floats) -> Floats:
        """Signed distance."""
        value: Floats = self.part.distance(q) - self.by
        return value


@dataclass(frozen=True, slots=True)
class Blend:
    """Union of two shapes with a fillet of about ``radius`` mm."""

    first: Shape
    second: Shape
    radius: float

    def distance(self, q: Floats) -> Floats:
        """Signed distance."""
        d, e = self.first.distance(q), self.second.distance(q)
        h = np.maximum(self.radius - np.abs(d - e), 0.0)
        value: Floats = np.minimum(d, e) - h * h * (0.25 / self.radius)
        return value
