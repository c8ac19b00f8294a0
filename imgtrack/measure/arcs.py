"""Lengths along the humeral head: circles through drawn points, arcs and their chords."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from imgtrack.domain.errors import Fault, InvalidInput
from imgtrack.measure.points import Vector, as_point, as_points, as_vector

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from imgtrack.measure.points import Points

MOST_STEPS = 100


@dataclass(frozen=True, slots=True)
class Circle:
    """A circle in the patient.

    Attributes
    ----------
    centre
        Patient LPS mm.
    radius_mm
        Its radius.
    normal
        Unit normal of its plane.
    residual_mm
        Root mean square distance of the points it was fitted to; 0 for exactly three points.
    """

    centre: Vector
    radius_mm: float
    normal: Vector
    residual_mm: float = 0.0


def fit_circle(points: ArrayLike) -> Circle:
    """Return the circle nearest to points, in the plane nearest to them.

    The sum of squared distances to the circle is made smallest (geometric fit, by Gauss-Newton
    from an algebraic start), which an algebraic fit alone does not do on short arcs.

    Parameters
    ----------
    points
        Shape ``(n, 3)`` with n of 3 or more, patient LPS mm, on the outline of the humeral head.

    Returns
    -------
    Circle
        Look at its residual before use: on a short or ragged outline the nearest circle may be
        far from every point.

    Raises
    ------
    InvalidInput
        With fewer than three points, points on one line, or points too straight for a circle.

    References
    ----------
    Gander W, Golub GH, Strebel R. BIT 1994;34:558-78 (least-squares circles).
    """
    cloud = as_points(points, "points of a circle", at_least=3)
    middle = cloud.mean(axis=0)
    _, spreads, axes = np.linalg.svd(cloud - middle)
    if spreads[1] < 1e-6 * max(float(spreads[0]), 1e-12):
        raise InvalidInput(Fault("a circle needs points that are not on one line"))
    flat = (cloud - middle) @ axes[:2].T
    x, y, radius = _refined(flat, _algebraic(flat))
    residual = np.hypot(flat[:, 0] - x, flat[:, 1] - y) - radius
    return Circle(
        centre=as_vector(middle + np.array([x, y]) @ axes[:2]),
        radius_mm=radius,
        normal=as_vector(axes[2]),
        residual_mm=float(np.sqrt(np.mean(residual**2))),
    )


def _algebraic(flat: Points) -> tuple[float, float, float]:
    """Return centre and radius that solve the linear equations of a circle."""
    table = np.column_stack([2 * flat, np.ones(len(flat))])
    (x, y, rest), *_ = np.linalg.lstsq(table, (flat**2).sum(axis=1), rcond=None)
    return float(x), float(y), math.sqrt(max(float(rest + x * x + y * y), 0.0))


def _refined(flat: Points, start: tuple[float, float, float]) -> tuple[float, float, float]:
    """Return the circle with the smallest squared distances, from a start near it."""
    circle = np.array(start)
    for _ in range(MOST_STEPS):
        away = flat - circle[:2]
        far = np.maximum(np.linalg.norm(away, axis=1), 1e-12)
        slopes = np.column_stack([-away / far[:, np.newaxis], -np.ones(len(flat))])
        step, *_ = np.linalg.lstsq(slopes, circle[2] - far, rcond=None)
        circle = circle + step
        if np.abs(step).max() < 1e-10 * (1 + circle[2]):
            x, y, radius = circle.tolist()
            return x, y, radius
    what = "no circle can be fitted: the points are too few or too straight"
    raise InvalidInput(Fault(what, next_step="draw more of the outline"))


def arc_length(circle: Circle, start: ArrayLike, end: ArrayLike) -> float:
    """Return the length along a circle between two points, the shorter way round.

    Parameters
    ----------
    circle
        As from :func:`fit_circle`.
    start, end
        Shape ``(3,)``, patient LPS mm: each is moved onto the circle from its centre, within the
        plane of the circle.

    Returns
    -------
    float
        Millimetres.

    Raises
    ------
    InvalidInput
        If a point lies on the axis of the circle.
    """
    normal = np.array(circle.normal)
    arms = []
    for point in (start, end):
        away = as_point(point, "end of an arc") - np.array(circle.centre)
        arm = away - (away @ normal) * normal
        if np.linalg.norm(arm) < 1e-9:
            raise InvalidInput(Fault("an end of the arc lies on the axis of the circle"))
        arms.append(arm)
    sine = float(np.linalg.norm(np.cross(arms[0], arms[1])))
    return circle.radius_mm * math.atan2(sine, float(arms[0] @ arms[1]))


def chord_of_arc(arc_mm: float, radius_mm: float) -> float:
    """Return the straight distance between the ends of an arc: ``2 r sin(arc / 2 r)``.

    Raises
    ------
    InvalidInput
        If the radius is not above 0, or the arc is negative or longer than half the circle.
    """
    if not (radius_mm > 0 and 0 <= arc_mm <= math.pi * radius_mm):
        what = "an arc of half a circle or less on a radius above 0 is needed"
        raise InvalidInput(Fault(what, found=f"arc {arc_mm} mm, radius {radius_mm} mm"))
    return 2 * radius_mm * math.sin(arc_mm / (2 * radius_mm))


def arc_of_chord(chord_mm: float, radius_mm: float) -> float:
    """Return the length of the shorter arc over a chord: ``2 r asin(chord / 2 r)``.

    Raises
    ------
    InvalidInput
        If the radius is not above 0, or the chord is negative or longer than the diameter.
    """
    if not (radius_mm > 0 and 0 <= chord_mm <= 2 * radius_mm):
        what = "a chord no longer than the diameter on a radius above 0 is needed"
        raise InvalidInput(Fault(what, found=f"chord {chord_mm} mm, radius {radius_mm} mm"))
    return 2 * radius_mm * math.asin(chord_mm / (2 * radius_mm))
