"""The humerus: head, footprint, tuberosities, bicipital groove and shaft."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from synthetic_scans.phantom.cuff import ARTICULAR_DEG, ARTICULAR_POLE, Cuff
from synthetic_scans.phantom.shapes import (
    Blend,
    Capsule,
    Floats,
    HalfSpace,
    Intersection,
    Outside,
    Shape,
    Sphere,
    Union,
    Vector,
    vector,
)

if TYPE_CHECKING:
    from synthetic_scans.spec import ShoulderSpec

SHAFT_CORTEX_MM = 4.0
GROOVE_MM = 3.6
BICEPS_MM = 2.5


@dataclass(frozen=True, slots=True)
class BeyondCap:
    """Points more than ``angle`` radians from the articular pole."""

    centre: Vector
    angle: float

    def distance(self, q: Floats) -> Floats:
        """Signed distance; exact near the rim."""
        a, p, s = (q[i] - self.centre[i] for i in range(3))
        along = a * ARTICULAR_POLE[0] + s * ARTICULAR_POLE[2]
        away = np.sqrt(np.maximum(a * a + p * p + s * s - along * along, 0.0))
        value: Floats = along * float(np.sin(self.angle)) - away * float(np.cos(self.angle))
        return value


def _placed(cuff: Cuff, offset: tuple[float, float, float]) -> Vector:
    """Point given in head radii from the head centre."""
    return vector(np.add(cuff.head, np.multiply(offset, cuff.radius)))


def _tuberosities(cuff: Cuff) -> Shape:
    """Greater and lesser tuberosity; both meet the footprint edge from below."""
    size = cuff.radius
    greater = Capsule(
        _placed(cuff, (0.36, 0.10, -0.06)), _placed(cuff, (0.36, -0.02, -0.45)),
        0.73 * size, 0.66 * size,
    )  # fmt: skip
    lesser = Capsule(
        _placed(cuff, (0.36, -0.46, -0.02)), _placed(cuff, (0.30, -0.40, -0.60)),
        0.56 * size, 0.45 * size,
    )  # fmt: skip
    return Union((greater, lesser))


def shaft_axis(cuff: Cuff) -> tuple[Vector, Vector]:
    """Return the ends of the shaft's axis below the surgical neck."""
    return _placed(cuff, (0.30, -0.02, -1.75)), _placed(cuff, (0.34, -0.16, -6.5))


def _shaft(cuff: Cuff) -> Shape:
    size = cuff.radius
    top, end = shaft_axis(cuff)
    flare = Capsule(_placed(cuff, (0.14, 0.0, -0.25)), top, 0.86 * size, 0.47 * size)
    return Union((flare, Capsule(top, end, 0.47 * size, 0.42 * size)))


def groove_path(cuff: Cuff) -> tuple[Vector, Vector]:
    """Axis of the bicipital groove, from the footprint's level downwards."""
    return _placed(cuff, (0.80, -0.66, 0.25)), _placed(cuff, (0.50, -0.50, -2.6))


def below_head(cuff: Cuff) -> Shape:
    """Tuberosities and shaft."""
    return Blend(_tuberosities(cuff), _shaft(cuff), 6.0)


def humerus(spec: ShoulderSpec, cuff: Cuff) -> Shape:
    """Bone, cortex included.

    The head is a ball of ``head_radius_mm``; beyond the articular margin bone
    reaches the cuff's inner surface, so that the footprint lies on it; bone
    outside that surface exists only lateral to the footprint.
    """
    head = Sphere(cuff.head, spec.head_radius_mm)
    margin = BeyondCap(cuff.head, float(np.deg2rad(ARTICULAR_DEG)))
    footprint = Intersection((Sphere(cuff.head, cuff.radius), margin))
    lower = Intersection((below_head(cuff), BeyondCap(cuff.head, cuff.edge_angle)))
    groove = Capsule(*groove_path(cuff), GROOVE_MM, GROOVE_MM)
    return Intersection((Union((head, footprint, lower)), Outside(groove)))


def shaft_cortex(cuff: Cuff) -> Shape:
    """Thick cortex of the shaft."""
    top, end = shaft_axis(cuff)
    size = cuff.radius
    inner = Capsule(top, end, 0.47 * size - 1.5, 0.42 * size - SHAFT_CORTEX_MM)
    below = HalfSpace(top, (0.0, 0.0, 1.0))
    return Intersection((_shaft(cuff), Outside(inner), below))


def head_cartilage(spec: ShoulderSpec, cuff: Cuff) -> Shape:
    """Cartilage of the head, ending at the articular margin."""
    return Intersection(
        (
            Sphere(cuff.head, cuff.radius),
            Outside(Sphere(cuff.head, spec.head_radius_mm)),
            Outside(BeyondCap(cuff.head, float(np.deg2rad(ARTICULAR_DEG)))),
        )
    )


def biceps(cuff: Cuff) -> Shape:
    """Long head of biceps: from above the glenoid, over the head, down the groove."""
    start, end = groove_path(cuff)
    radius = cuff.radius + 0.5 * BICEPS_MM
    turn = 0.5 * (cuff.borders.interval_front + cuff.borders.supraspinatus_front)
    steps = [np.array(cuff.point(radius * angle, BICEPS_MM, turn)) for angle in (0.8, 1.3, 1.9)]
    path = [np.array(end), np.array(start), *steps]
    return Union(
        tuple(
            Capsule(vector(one), vector(two), BICEPS_MM, BICEPS_MM) for one, two in pairwise(path)
        )
    )
