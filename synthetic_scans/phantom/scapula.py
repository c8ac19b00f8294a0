"""The scapula: glenoid, neck, body, spine, acromion, coracoid, and the Y they make.

The Y-view is the oblique sagittal plane through ``y_lateral``: the most lateral
one on which the spine joins the body (Lee, Clin Orthop Surg 2018;10(1)). On it
the supraspinatus fossa is a polygon with rounded corners whose area is known in
closed form; its sides lie on the facing cortices of spine and coracoid base,
its roof is the fascia a few millimetres above the line between their tops.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from synthetic_scans.phantom.shapes import (
    Capsule,
    Ellipsoid,
    Floats,
    HalfSpace,
    Intersection,
    Outside,
    Plate,
    Shape,
    Sphere,
    Union,
    Vector,
    unit,
    vector,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from synthetic_scans.spec import ShoulderSpec

LATERAL: Vector = (1.0, 0.0, 0.0)
POSTERIOR: Vector = (0.0, 1.0, 0.0)
SUPERIOR: Vector = (0.0, 0.0, 1.0)

GLENOID_CARTILAGE_MM = 1.8
JOINT_GAP_MM = 0.5
LEAN_DEG = 14.0
"""Forward lean of the blade's lower end (common practice, no source)."""

NECK_MM = 20.0
"""Distance from the glenoid face to the Y-view (common practice, no source)."""

NECK_CULL_MM = 6.0
"""Distance beyond which the neck's own distance is not used, only its box."""

ARM_HALF_MM = 1.9
"""Half the thickness of the spine and of the coracoid base on the Y-view."""

BELOW_TOP_MM = 4.0
"""Where the fascia meets the arms, below their tops."""

CORNER_MM = 3.0
"""Corner radius of the fossa outline on the Y-view."""

ACROMION_THICKNESS_MM = 8.5
ACROMION_NORMAL: Vector = unit((0.10, 0.24, 0.96))


@dataclass(frozen=True, slots=True, eq=False)
class YView:
    """Outline of the Y on its plane; (posterior, superior) joint mm.

    Attributes
    ----------
    lateral
        Lateral coordinate of the plane.
    fork
        (2,) where the arms leave the body.
    spine_top, coracoid_top
        (2,) highest points of the arms.
    fossa
        (M, 2) corners of the fossa before rounding by ``CORNER_MM``.
    floor
        (2,) deepest point of the fossa, towards which an atrophied muscle sinks.
    """

    lateral: float
    fork: NDArray[np.float64]
    spine_top: NDArray[np.float64]
    coracoid_top: NDArray[np.float64]
    fossa: NDArray[np.float64]
    floor: NDArray[np.float64]

    @property
    def fossa_area(self) -> float:
        """Area of the rounded fossa, mm2, roofed by the fascia."""
        return rounded_area(self.fossa, CORNER_MM)


def rounded_area(vertices: NDArray[np.float64], rounding: float) -> float:
    """Area of a convex polygon grown by ``rounding`` (Steiner's formula)."""
    x, y = vertices.T
    after = np.roll(vertices, -1, axis=0)
    area = 0.5 * abs(float(np.sum(x * after[:, 1] - after[:, 0] * y)))
    rim = float(np.sum(np.linalg.norm(after - vertices, axis=1)))
    return area + rim * rounding + float(np.pi) * rounding**2


def rounded_contour(
    outline: NDArray[np.float64], rounding: float, count: int
) -> NDArray[np.float64]:
    """(count, 2) outline of a convex polygon grown by ``rounding``, evenly turned."""
    angles = np.linspace(0.0, 2.0 * np.pi, count, endpoint=False)
    directions = np.stack([np.cos(angles), np.sin(angles)], axis=1)
    corners = outline[np.argmax(directions @ outline.T, axis=1)]
    points: NDArray[np.float64] = corners + rounding * directions
    return points


def glenoid_radius(spec: ShoulderSpec) -> float:
    """Radius of the bony glenoid about the resting head centre."""
    return spec.head_radius_mm + spec.cartilage_mm + JOINT_GAP_MM + GLENOID_CARTILAGE_MM


def glenoid_centre_height(spec: ShoulderSpec) -> float:
    """Superior coordinate of the glenoid's middle: its upper pole clears the cuff."""
    return 0.64 * (spec.head_radius_mm + spec.cartilage_mm) - 0.5 * spec.glenoid_height_mm


def superior_rim(spec: ShoulderSpec) -> Vector:
    """Uppermost point of the bony glenoid rim, joint mm."""
    up = glenoid_centre_height(spec) + 0.5 * spec.glenoid_height_mm
    return (-float(np.sqrt(glenoid_radius(spec) ** 2 - up**2)), 0.0, up)


def y_view(spec: ShoulderSpec) -> YView:
    """Outline of the Y for a patient."""
    width = spec.fossa_mm
    fork = np.array([1.0, 0.3 * width - 5.0])
    coracoid_top = fork + width * np.array([-0.40, 0.50])
    slant = np.deg2rad(4.0)
    spine_top = coracoid_top + width * np.array([np.cos(slant), np.sin(slant)])
    back, front = unit2(spine_top - fork), unit2(coracoid_top - fork)
    # Facing cortices: the arms' middle lines moved inwards by half a thickness.
    inset = ARM_HALF_MM + CORNER_MM
    into_back = np.array([-back[1], back[0]])
    into_front = np.array([front[1], -front[0]])
    floor = _meeting(fork + inset * into_back, back, fork + inset * into_front, front)
    arm_back = spine_top + inset * into_back - BELOW_TOP_MM * back
    arm_front = coracoid_top + inset * into_front - BELOW_TOP_MM * front
    middle = 0.5 * (spine_top + coracoid_top)
    fossa = np.array(
        [
            floor,
            arm_back,
            middle + width * np.array([0.22, 0.072]),
            middle + width * np.array([0.0, 0.077]),
            middle + width * np.array([-0.22, 0.042]),
            arm_front,
        ]
    )
    lateral = -glenoid_radius(spec) - NECK_MM
    return YView(lateral, fork, spine_top, coracoid_top, fossa, floor)


def unit2(v: NDArray[np.float64]) -> NDArray[np.float64]:
    """``v`` (2,) scaled to length 1."""
    scaled: NDArray[np.float64] = v / np.linalg.norm(v)
    return scaled


def _meeting(
    p: NDArray[np.float64],
    d: NDArray[np.float64],
    q: NDArray[np.float64],
    e: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Crossing of the lines p + t d and q + s e."""
    t = np.linalg.solve(np.stack([d, -e], axis=1), q - p)[0]
    crossing: NDArray[np.float64] = p + t * d
    return crossing


@dataclass(frozen=True, slots=True, eq=False)
class Neck:
    """Glenoid head and neck: an egg in cross-section that narrows medially."""

    height: float
    semi_height: float
    semi_width: float
    face: float

    def distance(self, q: Floats) -> Floats:
        """Signed distance."""
        t = np.clip((self.face - q[0]) * (1.0 / NECK_MM), 0.0, 1.0)
        shrink = 1.0 - 0.62 * t * t * (3.0 - 2.0 * t)
        up = q[2] - self.height * (1.0 - 0.3 * t)
        # Narrower above than below, as the glenoid is pear-shaped.
        wide = self.semi_width * (1.0 - 0.012 * np.clip(up, -15.0, 20.0))
        level = np.sqrt((q[1] / wide) ** 2 + (up * (1.0 / self.semi_height)) ** 2)
        radial = np.minimum((level - shrink) * (0.48 * self.semi_width), NECK_CULL_MM)
        ends = np.maximum(self.face - NECK_MM - 4.0 - q[0], q[0] - self.face - 8.0)
        beside = np.abs(q[1]) - 1.2 * self.semi_width
        above = np.abs(q[2] - self.height) - 1.3 * self.semi_height
        value: Floats = np.maximum(np.maximum(radial, ends), np.maximum(beside, above))
        return value


def neck(spec: ShoulderSpec) -> Neck:
    """Glenoid head and neck before the joint surface is cut."""
    return Neck(
        height=glenoid_centre_height(spec),
        semi_height=0.5 * spec.glenoid_height_mm,
        semi_width=0.5 * spec.glenoid_width_mm,
        face=-glenoid_radius(spec) + 6.0,
    )


def acromion(spec: ShoulderSpec) -> Plate:
    """Acromion with a flat undersurface at the stated distance from the resting head.

    The distance from the head centre to the plate is exact, so the shortest
    acromiohumeral distance is too.
    """
    rounding = 4.0
    reach = spec.head_radius_mm + spec.acromiohumeral_mm
    middle = vector(np.multiply(ACROMION_NORMAL, reach + 0.5 * ACROMION_THICKNESS_MM))
    forward = np.subtract(LATERAL, np.multiply(ACROMION_NORMAL, ACROMION_NORMAL[0]))
    first = unit(forward)
    second = unit(np.cross(ACROMION_NORMAL, first))
    corners = np.array(
        [[-30, 34], [-14, 36], [4, 30], [14, 16], [16, -2], [11, -18], [2, -22], [-3, -14],
         [-2, 4], [-8, 14], [-20, 22], [-32, 24]],
        dtype=np.float64,
    )  # fmt: skip
    corners -= np.array([middle[0], middle[1] + 1.0])
    return Plate(middle, first, second, corners, 0.5 * ACROMION_THICKNESS_MM - rounding, rounding)


def _arm(view: YView, top: NDArray[np.float64], vertices: list[list[float]]) -> Plate:
    """Plate through the lateral axis and one arm of the Y; vertices (lateral, along arm)."""
    direction = unit2(top - view.fork)
    rounding = 1.2
    origin = (view.lateral, float(view.fork[0]), float(view.fork[1]))
    return Plate(
        origin,
        LATERAL,
        (0.0, float(direction[0]), float(direction[1])),
        np.array(vertices),
        ARM_HALF_MM - rounding,
        rounding,
    )


def spine(view: YView, spec: ShoulderSpec) -> Shape:
    """Scapular spine, from the medial border to the root of the acromion."""
    tall = float(np.linalg.norm(view.spine_top - view.fork))
    plate = _arm(
        view,
        view.spine_top,
        [[-58, -2], [-60, 5], [-40, 0.72 * tall], [0, tall - 1.2], [14, tall + 1],
         [20, tall + 1], [20, tall - 6], [12, 0.58 * tall],
         [2, 0.36 * tall], [-1.2, 5], [-1.2, -2]],
    )  # fmt: skip
    root = acromion(spec)
    back = vector(
        np.array(root.origin)
        + root.vertices[-1][0] * np.array(root.first)
        + (root.vertices[-1][1] + 6) * np.array(root.second)
    )
    crest = (view.lateral + 4.0, float(view.spine_top[0]), float(view.spine_top[1]) - 1.0)
    return Union((plate, Capsule(crest, back, 3.4, 4.6)))


def coracoid_tip(view: YView) -> Vector:
    """Middle of the coracoid's tip, in front of the head."""
    return (-15.0, float(view.coracoid_top[0]) - 18.0, 8.0)


def coracoid(view: YView) -> Shape:
    """Coracoid: base on the neck, knee, and tip in front of the head."""
    tall = float(np.linalg.norm(view.coracoid_top - view.fork))
    base = _arm(
        view,
        view.coracoid_top,
        [[-14, -1], [-8, 0.7 * tall], [-3, tall - 1.2], [6, tall - 1.2], [14, 0.7 * tall],
         [16, -1]],
    )  # fmt: skip
    top = np.array([view.lateral + 4.0, view.coracoid_top[0], view.coracoid_top[1] - 3.0])
    knee = top + np.array([9.0, -9.0, -2.0])
    return Union(
        (
            base,
            Capsule(vector(top), vector(knee), 3.6, 6.0),
            Capsule(vector(knee), coracoid_tip(view), 6.0, 5.0),
        )
    )


def body(view: YView) -> Shape:
    """Blade with its thicker lateral border."""
    start = view.lateral
    up = float(view.fork[1])
    corners = np.array(
        [[start + 10, 8], [start, up], [start - 10, up], [start - 30, up + 6], [-110, up + 16],
         [-106, 0], [-98, -100], [-92, -102], [start - 8, -52], [start + 8, -24]]
    )  # fmt: skip
    lean = np.deg2rad(LEAN_DEG)
    foot = (0.0, float(view.fork[0]) - up * float(np.tan(lean)), 0.0)
    upwards = (0.0, float(np.sin(lean)), float(np.cos(lean)))
    blade = Plate(foot, LATERAL, upwards, corners, 0.6, 0.9)
    ends = [
        vector(np.add(foot, np.add((lateral, 0.0, 0.0), np.multiply(upwards, along))))
        for lateral, along in ((start + 12, -18.0), (-92.0, -100.0))
    ]
    return Union((blade, Capsule(ends[0], ends[1], 4.2, 3.2)))


def leaning(view: YView, height: float) -> float:
    """Posterior coordinate of the blade's middle plane at a height."""
    return float(view.fork[0] - (view.fork[1] - height) * np.tan(np.deg2rad(LEAN_DEG)))


def clavicle(spec: ShoulderSpec) -> Shape:
    """Lateral clavicle, with the joint gap to the acromion."""
    plate = acromion(spec)
    end = np.array(plate.origin) + np.array([-12.0, -15.0, 1.5])
    return Capsule(vector(end), vector(np.add(end, (-75.0, -18.0, 12.0))), 5.6, 6.5)


def glenoid_cut(spec: ShoulderSpec) -> Sphere:
    """Ball that hollows the glenoid's bony face."""
    return Sphere((0.0, 0.0, 0.0), glenoid_radius(spec))


@dataclass(frozen=True, slots=True, eq=False)
class Labrum:
    """Ring on the glenoid rim."""

    face: Neck
    radius: float

    def distance(self, q: Floats) -> Floats:
        """Signed distance."""
        up = (q[2] - self.face.height) * (1.0 / self.face.semi_height)
        level = np.sqrt((q[1] * (1.0 / self.face.semi_width)) ** 2 + up * up)
        beside = (level - 1.0) * (0.8 * self.face.semi_width)
        reach = np.sqrt(q[0] * q[0] + q[1] * q[1] + q[2] * q[2]) - (self.radius - 1.4)
        ring = np.sqrt(beside * beside + reach * reach) - 2.3
        value: Floats = np.maximum(ring, q[0] + 10.0) * 0.78
        return value


def bones(spec: ShoulderSpec) -> tuple[Shape, ...]:
    """Scapula and clavicle, each with its own cortex."""
    view = y_view(spec)
    joined = Union((neck(spec), body(view), spine(view, spec), coracoid(view)))
    hollowed = Intersection((joined, Outside(glenoid_cut(spec))))
    return hollowed, acromion(spec), clavicle(spec)


def glenoid_cartilage(spec: ShoulderSpec) -> Shape:
    """Cartilage lining the glenoid face."""
    radius = glenoid_radius(spec)
    shell = Intersection(
        (
            Sphere((0.0, 0.0, 0.0), radius),
            Outside(Sphere((0.0, 0.0, 0.0), radius - GLENOID_CARTILAGE_MM)),
        )
    )
    return Intersection((neck(spec), shell, HalfSpace((-8.0, 0.0, 0.0), LATERAL)))


def recess(spec: ShoulderSpec) -> Ellipsoid:
    """Axillary recess of the joint, filled by an effusion."""
    size = 2.0 + 3.0 * spec.condition.joint_fluid_mm
    radius = spec.head_radius_mm + spec.cartilage_mm
    return Ellipsoid(
        (-0.42 * radius, 0.0, -0.98 * radius),
        (LATERAL, POSTERIOR, SUPERIOR),
        (1.4 * size, 1.8 * size, size),
    )
