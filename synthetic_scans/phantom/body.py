"""What surrounds the cuff: deltoid, neighbouring muscles, chest wall and skin.

Shapes here are for recognition, not for measurement; their proportions are
common practice without a source.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from synthetic_scans.phantom.humerus import below_head
from synthetic_scans.phantom.scapula import (
    ACROMION_NORMAL,
    LATERAL,
    POSTERIOR,
    SUPERIOR,
    acromion,
    coracoid_tip,
    y_view,
)
from synthetic_scans.phantom.shapes import (
    Blend,
    Capsule,
    Ellipsoid,
    Floats,
    HalfSpace,
    Intersection,
    Offset,
    Outside,
    Shape,
    Sphere,
    Union,
    Vector,
    unit,
    vector,
)
from synthetic_scans.planes import joint_frame

if TYPE_CHECKING:
    from synthetic_scans.phantom.cuff import Cuff
    from synthetic_scans.spec import ShoulderSpec

BURSA_PLANE_MM = 2.0
"""Fat and bursa between cuff and deltoid."""

RIB_PITCH_MM = 27.0
CHEST_WALL_MM = 9.0


def deltoid_floor(spec: ShoulderSpec, sheet: Cuff) -> Shape:
    """Surface on which the deltoid lies, over cuff, tuberosities and shaft."""
    top = Sphere((-3.0, 0.0, 3.0), sheet.radius + spec.tendon_mm + BURSA_PLANE_MM)
    return Blend(top, Offset(below_head(sheet), 3.0), 14.0)


def _roofed(spec: ShoulderSpec) -> Shape:
    """Space below acromion and clavicle, which the deltoid leaves free."""
    middle = vector(np.add(acromion(spec).origin, (-15.0, -4.0, -2.0)))
    return Ellipsoid(middle, (LATERAL, POSTERIOR, SUPERIOR), (29.0, 31.0, 27.0))


def deltoid(spec: ShoulderSpec, sheet: Cuff) -> Shape:
    """Deltoid: a mantle from acromion and spine down the arm."""
    floor = deltoid_floor(spec, sheet)
    mantle = Intersection(
        (
            Offset(floor, spec.deltoid_mm),
            Outside(floor),
            HalfSpace(acromion(spec).origin, ACROMION_NORMAL),
            HalfSpace((-22.0, -30.0, 0.0), unit((-1.0, -0.25, 0.0))),
            HalfSpace((-14.0, 0.0, -34.0), unit((-1.0, 0.0, -0.2))),
            Outside(_roofed(spec)),
        )
    )
    return Union((mantle, _rear_deltoid(spec)))


def _rear_deltoid(spec: ShoulderSpec) -> Ellipsoid:
    """Part of the deltoid that arises from the spine, behind the infraspinatus."""
    return Ellipsoid(
        (-26.0, 1.68 * spec.head_radius_mm, 4.0),
        (unit((1.0, -0.10, 0.25)), unit((0.10, 1.0, 0.0)), unit((-0.25, 0.0, 1.0))),
        (44.0, 6.0, 24.0),
    )


def neighbours(spec: ShoulderSpec) -> tuple[Shape, ...]:
    """Trapezius, pectorals, coracobrachialis, triceps and teres major with latissimus."""
    view = y_view(spec)
    tip = coracoid_tip(view)
    top = float(view.spine_top[1])
    size = spec.head_radius_mm / 24.0
    plate = acromion(spec)
    trapezius = Ellipsoid(
        (view.lateral - 14.0, 6.0, top + 20.5),
        (unit((1.0, 0.0, -0.12)), unit((0.0, 1.0, -0.35)), unit((0.12, 0.35, 1.0))),
        (54.0, 30.0, 5.0),
    )
    pectoral = Ellipsoid(
        (-42.0, -64.0 * size, -34.0),
        (unit((1.0, -0.25, 0.0)), unit((0.25, 1.0, 0.1)), unit((0.0, -0.1, 1.0))),
        (46.0, 9.0, 46.0),
    )
    return (
        trapezius,
        pectoral,
        Capsule(tip, (-72.0, tip[1] - 16.0, -62.0), 2.6, 7.5),
        Capsule(tip, (6.0, -26.0 * size, -120.0), 4.0, 9.0),
        Capsule((-31.0, 3.0, -27.0), (2.0, 22.0, -125.0), 4.5, 12.0),
        Capsule((-94.0, 12.0, -100.0), (4.0, -18.0, -82.0), 14.0, 6.0),
        Capsule(vector(np.add(plate.origin, (-18.0, -26.0, -6.0))), (-96.0, -44.0, 26.0), 2.0, 4.5),
    )


def vessels(spec: ShoulderSpec) -> tuple[Shape, ...]:
    """Axillary artery and vein, in front of the subscapularis."""
    size = spec.head_radius_mm / 24.0
    return tuple(
        Capsule((-92.0, -40.0 - gap, 6.0), (-2.0, (-40.0 - gap) * size, -52.0 - gap), 3.4, 2.8)
        for gap in (0.0, 9.0)
    )


@dataclass(frozen=True, slots=True)
class Torso:
    """Chest and lung in patient directions, expressed in the joint frame."""

    middle: Vector
    axes: tuple[Vector, Vector, Vector]

    def wall(self, inset: float) -> Ellipsoid:
        """Chest wall shrunk by ``inset`` mm."""
        return Ellipsoid(self.middle, self.axes, (128.0 - inset, 100.0 - inset, 255.0 - inset))

    def body(self) -> Shape:
        """Trunk with a shoulder slope, without the arm."""
        trunk = Ellipsoid(self.middle, self.axes[:2], (184.0, 124.0))
        slope = HalfSpace((-10.0, 0.0, 56.0), unit((0.10, 0.18, 0.98)))
        return Intersection((trunk, slope))


def torso(spec: ShoulderSpec) -> Torso:
    """Trunk of a patient, its middle 8 mm before the shoulder and in the midline."""
    joint = joint_frame(spec)
    middle = joint.to_joint(
        np.array([0.0, spec.head_centre_mm[1] - 8.0, spec.head_centre_mm[2] - 175.0])
    )
    x, y, z = (unit(joint.axes @ axis) for axis in np.eye(3))
    return Torso(vector(middle), (x, y, z))


def skin(spec: ShoulderSpec, sheet: Cuff) -> Shape:
    """Body surface."""
    over = spec.deltoid_mm + spec.subcutaneous_mm + spec.skin_mm
    arm = Offset(deltoid_floor(spec, sheet), over)
    plate = acromion(spec)
    crown = Capsule(
        plate.origin,
        vector(np.add(plate.origin, (-70.0, 0.0, 14.0))),
        11.0 + spec.subcutaneous_mm,
        14.0 + spec.subcutaneous_mm,
    )
    behind = 1.3 * spec.head_radius_mm
    cover = 17.0 + spec.subcutaneous_mm
    rear = Capsule((-62.0, behind, 2.0), (4.0, behind, 6.0), cover, cover)
    return Blend(Blend(Blend(arm, crown, 18.0), rear, 12.0), torso(spec).body(), 22.0)


@dataclass(frozen=True, slots=True)
class Ribs:
    """Ribs in the chest wall: bands at a fixed pitch along the trunk."""

    torso: Torso

    def distance(self, q: Floats) -> Floats:
        """Signed distance."""
        wall = self.torso.wall(0.0).distance(q)
        _, y, z = self.torso.axes
        height = q[0] * z[0] + q[1] * z[1] + q[2] * z[2]
        depth = q[0] * y[0] + q[1] * y[1] + q[2] * y[2]
        place = (height + 0.45 * depth) * (1.0 / RIB_PITCH_MM)
        band = np.abs(place - np.floor(place) - 0.5) * RIB_PITCH_MM - 5.0
        shell = np.abs(wall + 0.5 * CHEST_WALL_MM) - 3.2
        value: Floats = np.maximum(band, shell) * 0.9
        return value
