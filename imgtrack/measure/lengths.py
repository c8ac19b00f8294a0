"""Straight lengths and lengths along a drawn path, kept side by side and never mixed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from imgtrack.domain.errors import Fault, InvalidInput
from imgtrack.measure.points import as_direction, as_point, as_points

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from imgtrack.measure.points import Points

FLAT_OR_SPATIAL = (2, 3)


@dataclass(frozen=True, slots=True)
class Length:
    """One drawn line, measured both ways.

    Attributes
    ----------
    straight_mm
        From the first to the last point.
    path_mm
        Along all points; never shorter than ``straight_mm``.
    n_points
        Number of points drawn.
    """

    straight_mm: float
    path_mm: float
    n_points: int


def length_of(points: ArrayLike) -> Length:
    """Return the straight and the path length of a drawn line.

    Parameters
    ----------
    points
        Shape ``(n, 3)`` with n of 2 or more, patient LPS mm, in drawn order; or ``(n, 2)``, mm
        in the plane of a radiograph.

    Raises
    ------
    InvalidInput
        With fewer than two points, or a coordinate that is missing or not finite.
    """
    path = as_points(points, "points of a length", at_least=2, columns=FLAT_OR_SPATIAL)
    steps = np.linalg.norm(np.diff(path, axis=0), axis=1)
    straight = np.linalg.norm(path[-1] - path[0])
    return Length(float(straight), float(steps.sum()), len(path))


def length_along(contour: ArrayLike, start: ArrayLike, end: ArrayLike) -> float:
    """Return the length of a contour between two places on it.

    Parameters
    ----------
    contour
        Shape ``(n, 3)`` or ``(n, 2)``, mm: an open contour, as the outline of the humeral head.
    start, end
        Shape ``(3,)`` or ``(2,)``: each is moved to the nearest place of the contour. Their
        order does not matter.

    Returns
    -------
    float
        Millimetres along the contour.
    """
    path = as_points(contour, "contour", at_least=2, columns=FLAT_OR_SPATIAL)
    places = [
        _place_along(path, as_point(point, "point", columns=path.shape[1:]))
        for point in (start, end)
    ]
    return abs(places[1] - places[0])


def _place_along(path: Points, point: Points) -> float:
    """Return how far along a path its place nearest to a point lies, in mm."""
    begins, steps = path[:-1], np.diff(path, axis=0)
    shares = _nearest_share(begins, steps, point)
    gaps = np.linalg.norm(begins + shares[:, np.newaxis] * steps - point, axis=1)
    lengths = np.linalg.norm(steps, axis=1)
    nearest = int(np.argmin(gaps))
    return float(lengths[:nearest].sum() + shares[nearest] * lengths[nearest])


def _nearest_share(begins: Points, steps: Points, points: Points) -> Points:
    """Return which share of each segment, 0 to 1, lies nearest to a point."""
    squares = np.einsum("...i,...i->...", steps, steps)
    dots = np.einsum("...i,...i->...", points - begins, steps)
    shares: Points = np.clip(
        np.divide(dots, squares, out=np.zeros_like(dots), where=squares > 0), 0, 1
    )
    return shares


@dataclass(frozen=True, slots=True)
class Closest:
    """The shortest connection between two contours.

    Attributes
    ----------
    distance_mm
        Its length; 0 where they touch.
    on_first, on_second
        Its ends, mm, in the coordinates of the contours.
    """

    distance_mm: float
    on_first: tuple[float, ...]
    on_second: tuple[float, ...]


def closest_between(first: ArrayLike, second: ArrayLike) -> Closest:
    """Return the shortest connection between two open contours.

    For the acromiohumeral distance: undersurface of the acromion and outline of the head.

    Parameters
    ----------
    first, second
        Shape ``(n, 3)`` and ``(m, 3)``, patient LPS mm, or both with 2 columns; n and m of 2 or
        more. Between points a contour is straight.

    Returns
    -------
    Closest
        Exact for the drawn contours. Where several places are equally near, the first.

    Raises
    ------
    InvalidInput
        With too few points, or contours of unequal dimension.
    """
    a = as_points(first, "first contour", at_least=2, columns=FLAT_OR_SPATIAL)
    b = as_points(second, "second contour", at_least=2, columns=(a.shape[1],))
    begin_a, step_a = a[:-1, np.newaxis], np.diff(a, axis=0)[:, np.newaxis]
    begin_b, step_b = b[np.newaxis, :-1], np.diff(b, axis=0)[np.newaxis]
    pairs = _candidates(begin_a, step_a, begin_b, step_b)
    gaps = [np.linalg.norm(on_a - on_b, axis=-1) for on_a, on_b in pairs]
    kind, row, column = np.unravel_index(np.argmin(gaps), np.shape(gaps))
    on_a, on_b = pairs[int(kind)]
    return Closest(
        float(gaps[int(kind)][row, column]),
        tuple(on_a[row, column].tolist()),
        tuple(on_b[row, column].tolist()),
    )


def _candidates(
    begin_a: Points, step_a: Points, begin_b: Points, step_b: Points
) -> list[tuple[Points, Points]]:
    """Return, for every pair of segments, the five connections one of which is the shortest.

    Four join an end of one segment to the nearest place of the other; the fifth is the common
    perpendicular, moved to the ends where it falls outside.
    """
    shape = np.broadcast_shapes(begin_a.shape, begin_b.shape)
    begin_a, step_a = np.broadcast_to(begin_a, shape), np.broadcast_to(step_a, shape)
    begin_b, step_b = np.broadcast_to(begin_b, shape), np.broadcast_to(step_b, shape)
    pairs = []
    for end in (begin_a, begin_a + step_a):
        share = _nearest_share(begin_b, step_b, end)[..., np.newaxis]
        pairs.append((end, begin_b + share * step_b))
    for end in (begin_b, begin_b + step_b):
        share = _nearest_share(begin_a, step_a, end)[..., np.newaxis]
        pairs.append((begin_a + share * step_a, end))
    share_a = _perpendicular_share(begin_a, step_a, begin_b, step_b)[..., np.newaxis]
    on_a = begin_a + share_a * step_a
    share_b = _nearest_share(begin_b, step_b, on_a)[..., np.newaxis]
    pairs.append((on_a, begin_b + share_b * step_b))
    return pairs


def _perpendicular_share(
    begin_a: Points, step_a: Points, begin_b: Points, step_b: Points
) -> Points:
    """Return where on each first segment, 0 to 1, the common perpendicular of two lines starts."""
    aa = np.einsum("...i,...i->...", step_a, step_a)
    ab = np.einsum("...i,...i->...", step_a, step_b)
    bb = np.einsum("...i,...i->...", step_b, step_b)
    between = begin_b - begin_a
    along_a = np.einsum("...i,...i->...", step_a, between)
    along_b = np.einsum("...i,...i->...", step_b, between)
    area = aa * bb - ab * ab
    top = along_a * bb - along_b * ab
    is_skew = area > 1e-12 * aa * bb
    shares: Points = np.clip(np.divide(top, area, out=np.zeros_like(top), where=is_skew), 0, 1)
    return shares


def distance_between_lines(
    point: ArrayLike, direction: ArrayLike, other_point: ArrayLike, other_direction: ArrayLike
) -> float:
    """Return the shortest distance between two endless straight lines.

    Parameters
    ----------
    point, direction, other_point, other_direction
        Shape ``(3,)`` each, patient LPS mm; directions of any length above 0.

    Returns
    -------
    float
        Millimetres; for parallel lines their constant distance.

    Raises
    ------
    InvalidInput
        If a direction has no length.
    """
    u = as_direction(direction, "direction")
    v = as_direction(other_direction, "other direction")
    between = as_point(other_point, "other point") - as_point(point, "point")
    across = np.cross(u, v)
    sine = float(np.linalg.norm(across))
    if sine < 1e-9:
        return float(np.linalg.norm(np.cross(u, between)))
    return abs(float(between @ across)) / sine


def thickness_at(
    inner: ArrayLike, outer: ArrayLike, *, at: ArrayLike, plane_normal: ArrayLike
) -> float | None:
    """Return the thickness of a layer, along the normal of its inner contour.

    Parameters
    ----------
    inner, outer
        Shape ``(n, 3)`` and ``(m, 3)``, patient LPS mm, open contours of the two surfaces of a
        layer in one image plane, as the articular and the bursal surface of the tendon.
    at
        Shape ``(3,)``: where to measure; moved to the nearest place of ``inner``.
    plane_normal
        Shape ``(3,)``: normal of the image plane.

    Returns
    -------
    float or None
        Millimetres from ``inner`` to the nearest crossing with ``outer`` on either side; ``None``
        when the normal does not cross ``outer``.

    Raises
    ------
    InvalidInput
        If a contour has too few points or stands on the image plane like a wall.
    """
    path = as_points(inner, "inner contour", at_least=2)
    other = as_points(outer, "outer contour", at_least=2)
    flat = as_direction(plane_normal, "plane normal")
    foot, tangent = _foot(path, as_point(at, "point"))
    normal = np.cross(flat, tangent)
    if np.linalg.norm(normal) < 1e-6:
        raise InvalidInput(Fault("the inner contour does not lie in the image plane"))
    normal = as_direction(normal, "normal")
    across = as_direction(np.cross(normal, flat), "tangent")
    sides = (other - foot) @ across
    heights = (other - foot) @ normal
    crosses = sides[:-1] * sides[1:] <= 0
    spans = np.diff(sides)
    usable = crosses & (np.abs(spans) > 1e-12)
    if not usable.any():
        return None
    shares = -sides[:-1][usable] / spans[usable]
    reached = heights[:-1][usable] + shares * np.diff(heights)[usable]
    return float(np.abs(reached).min())


def _foot(path: Points, point: Points) -> tuple[Points, Points]:
    """Return the place of a path nearest to a point, and the direction of the path there."""
    begins, steps = path[:-1], np.diff(path, axis=0)
    shares = _nearest_share(begins, steps, point)
    feet = begins + shares[:, np.newaxis] * steps
    nearest = int(np.argmin(np.linalg.norm(feet - point, axis=1)))
    return feet[nearest], as_direction(steps[nearest], "step of the inner contour")
