"""The cuff as a curved sheet of given thickness: the exact part of the phantom.

The sheet lies on a surface of revolution about the lateral axis through the
humeral head centre: the head's own sphere, cartilage included, from the
footprint to ``TANGENT_DEG`` past the lateral pole, then the tangent cone that
leads the muscles over the glenoid rim. Coordinates on it:

n
    height above the surface, mm, normal to it;
v
    arc length along the profile from the lateral pole, mm;
beta
    turn about the lateral axis, radians: 0 above the head, positive behind;
u
    arc length from the lateral footprint edge, mm: positive on the medial
    side. The edge is the circle ``edge_angle`` away from the articular pole;
lateral
    coordinate along the lateral axis from the head centre, mm.

Distances below are mm; points are in the joint frame of :mod:`planes`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from synthetic_scans.phantom.shapes import Floats, Vector

if TYPE_CHECKING:
    from synthetic_scans.spec import Muscle, ShoulderSpec

TANGENT_DEG = 100.0
"""Polar angle at which the sheet leaves the head for the glenoid rim."""

ARTICULAR_DEG = 75.0
"""Half-angle of the articular cap. The cap is then 0.74 head radii high, 17.8 mm at 24 mm;
Iannotti, J Bone Joint Surg Am 1992;74:491: head thickness 19 +- 2.4 mm."""

ARTICULAR_POLE: Vector = (-np.sqrt(0.5).item(), 0.0, np.sqrt(0.5).item())
"""Neck-shaft angle 135 degrees, facing the glenoid in neutral rotation."""

FRONT_MM = 12.0
"""Front edge of the supraspinatus tendon, mm before the head's crest at mid-footprint."""

TAPER_MM = 5.0
"""Length over which the sheet bevels to nothing at the lateral footprint edge."""

INTERVAL_MM = 1.4
"""Thickness of the capsule in the rotator interval (common practice, no source)."""

JUNCTION_DEG: dict[Muscle, float] = {
    "supraspinatus": 102.0,
    "infraspinatus": 92.0,
    "subscapularis": 84.0,
    "teres_minor": 80.0,
}
"""Polar angle of the muscle-tendon junction: near 12 o'clock for the supraspinatus, within
about 15 degrees (Neumann, AJR 1992;158:1281, from memory); the others without source."""

BELLY_GROWTH = 0.5
"""Share by which the sheet thickens over the 16 mm before the bellies."""

MEDIAL_END_MM = 40.0
"""Lateral coordinate, mm medial to the head centre, at which the bellies take over."""

MEDIAL_TAPER_MM = 12.0
"""Length over which the sheet's medial end thins out between the bellies."""


@dataclass(frozen=True, slots=True)
class SheetPoint:
    """Sheet coordinates of points; see the module's head."""

    n: Floats
    v: Floats
    u: Floats
    beta: Floats
    lateral: Floats


@dataclass(frozen=True, slots=True)
class Borders:
    """Turns about the lateral axis, radians, at which one tendon gives way to the next."""

    subscapularis_lower: float
    interval_front: float
    supraspinatus_front: float
    supraspinatus_back: float
    infraspinatus_back: float
    teres_back: float


@dataclass(frozen=True, slots=True)
class Cuff:
    """Geometry of the sheet.

    Attributes
    ----------
    head
        Humeral head centre, joint mm, migration included.
    radius
        Radius of the sheet's inner surface: bone plus cartilage.
    thickness
        Healthy thickness.
    thinned
        Supraspinatus thickness, equal to ``thickness`` unless thinned.
    footprint_mm
        Side-to-side length of the footprint along the surface.
    edge_angle
        Angle from the articular pole to the lateral footprint edge, radians.
    mid_radius
        Distance from the lateral axis of the middle of the footprint: lengths
        given "along the head, front to back" turn into angles with it.
    borders
        Limits of the tendons.
    """

    head: Vector
    radius: float
    thickness: float
    thinned: float
    footprint_mm: float
    edge_angle: float
    mid_radius: float
    borders: Borders

    @property
    def tangent(self) -> float:
        """Angle at which sphere passes into cone, radians."""
        return float(np.deg2rad(TANGENT_DEG))

    @property
    def thickest(self) -> float:
        """Greatest thickness of the sheet anywhere."""
        return (1.0 + BELLY_GROWTH) * max(self.thickness, self.thinned)

    def turn(self, behind_mm: float) -> float:
        """Angle about the lateral axis of a place ``behind_mm`` behind the crest."""
        return behind_mm / self.mid_radius

    def profile(self, lateral: Floats, away: Floats) -> tuple[Floats, Floats]:
        """(n, v) of points at ``lateral`` along the axis and ``away`` from it."""
        cosine, sine = float(np.cos(self.tangent)), float(np.sin(self.tangent))
        beyond = away * cosine - lateral * sine
        on_cone = beyond > 0
        n = np.where(on_cone, lateral * cosine + away * sine, np.hypot(lateral, away))
        angle = np.arctan2(away, lateral)
        v = np.where(on_cone, self.radius * self.tangent + beyond, self.radius * angle)
        return n - self.radius, v

    def height(self, q: Floats) -> Floats:
        """Height n above the sheet's inner surface; gradient at most 1."""
        a, p, s = (q[i] - self.head[i] for i in range(3))
        cosine, sine = float(np.cos(self.tangent)), float(np.sin(self.tangent))
        away = np.sqrt(p * p + s * s)
        on_cone = away * cosine - a * sine > 0
        cone = a * cosine + away * sine
        value: Floats = np.where(on_cone, cone, np.sqrt(a * a + away * away)) - self.radius
        return value

    def locate(self, q: Floats) -> SheetPoint:
        """Sheet coordinates of points ``q`` (3, ...)."""
        a, p, s = (q[i] - self.head[i] for i in range(3))
        n, v = self.profile(a, np.hypot(p, s))
        return SheetPoint(n, v, self.from_edge(q), np.arctan2(p, s), a)

    def from_edge(self, q: Floats) -> Floats:
        """Arc length u from the lateral footprint edge, positive medially."""
        a, p, s = (q[i] - self.head[i] for i in range(3))
        pole = ARTICULAR_POLE
        reach = np.maximum(np.sqrt(a * a + p * p + s * s), 1e-6)
        cosine = np.clip((a * pole[0] + s * pole[2]) / reach, -1.0, 1.0)
        value: Floats = self.radius * (self.edge_angle - np.arccos(cosine))
        return value

    def full_thickness(self, beta: Floats) -> Floats:
        """Thickness medial to the bevel, blended from thinned to healthy beyond the tendon."""
        if self.thinned == self.thickness:
            return np.full_like(beta, self.thickness)
        middle = 0.5 * (self.borders.supraspinatus_front + self.borders.supraspinatus_back)
        half = 0.5 * (self.borders.supraspinatus_back - self.borders.supraspinatus_front)
        step = np.clip((np.abs(beta - middle) - half) / 0.35, 0.0, 1.0)
        blend = step * step * (3.0 - 2.0 * step)
        value: Floats = self.thinned + (self.thickness - self.thinned) * blend
        return value

    def outer(self, at: SheetPoint) -> Floats:
        """Thickness at sheet points.

        Bevelled at the lateral edge, growing into the bellies and thinning out
        between them at the medial end.
        """
        short = np.clip(1.0 - at.u / TAPER_MM, 0.0, 1.0)
        bevel = np.sqrt(1.0 - short * short)
        grown = np.clip((at.v - self.radius * 1.7) / 16.0, 0.0, 1.0) * BELLY_GROWTH
        end = np.sqrt(np.clip((at.lateral + MEDIAL_END_MM) / MEDIAL_TAPER_MM, 0.0, 1.0))
        value: Floats = self.full_thickness(at.beta) * bevel * end * (1.0 + grown)
        return value

    def thickness_at(self, point: Vector) -> float:
        """Thickness of the sheet at the foot of a joint point."""
        return float(self.outer(self.locate(np.array(point)[:, None]))[0])

    def edge_turn(self, beta: float) -> float:
        """Polar angle at which the plane turned by ``beta`` meets the lateral footprint edge."""
        lateral, up = ARTICULAR_POLE[0], ARTICULAR_POLE[2] * float(np.cos(beta))
        share = np.cos(self.edge_angle) / np.hypot(lateral, up)
        return float(np.arctan2(up, lateral) - np.arccos(share))

    def point(self, v: float, n: float, beta: float = 0.0) -> Vector:
        """Joint coordinates of a sheet point."""
        arc = self.radius * self.tangent
        angle = min(v / self.radius, self.tangent)
        along = max(v - arc, 0.0)
        reach = self.radius + n
        lateral = reach * np.cos(angle) - along * np.sin(angle)
        away = reach * np.sin(angle) + along * np.cos(angle)
        return (
            float(self.head[0] + lateral),
            float(self.head[1] + away * np.sin(beta)),
            float(self.head[2] + away * np.cos(beta)),
        )


def cuff(spec: ShoulderSpec) -> Cuff:
    """Sheet of a shoulder.

    Raises
    ------
    ValueError
        If a continuous tendon would not fit below the acromion.
    """
    _check_room(spec)
    radius = spec.head_radius_mm + spec.cartilage_mm
    margin = np.deg2rad(ARTICULAR_DEG)
    edge = float(margin + spec.footprint_length_mm / radius)
    middle = np.deg2rad(135.0) - 0.5 * (margin + edge)
    mid_radius = float(radius * np.sin(middle))
    front = -FRONT_MM / mid_radius
    back = (spec.footprint_width_mm - FRONT_MM) / mid_radius
    thinned = spec.condition.thickness_mm
    return Cuff(
        head=(0.0, 0.0, spec.condition.head_migration_mm),
        radius=radius,
        thickness=spec.tendon_mm,
        thinned=spec.tendon_mm if thinned is None else thinned,
        footprint_mm=spec.footprint_length_mm,
        edge_angle=edge,
        mid_radius=mid_radius,
        borders=Borders(
            subscapularis_lower=float(np.deg2rad(-128.0)),
            interval_front=front - 0.33,
            supraspinatus_front=front,
            supraspinatus_back=back,
            infraspinatus_back=back + 0.85,
            teres_back=back + 1.35,
        ),
    )


def _check_room(spec: ShoulderSpec) -> None:
    condition = spec.condition
    if condition.defect is not None:
        return
    thickness = spec.tendon_mm if condition.thickness_mm is None else condition.thickness_mm
    room = spec.acromiohumeral_mm - condition.head_migration_mm
    if room < spec.cartilage_mm + thickness:
        raise ValueError(
            f"acromiohumeral_mm less head_migration_mm expected at least "
            f"{spec.cartilage_mm + thickness:.2f} (cartilage and continuous tendon), "
            f"found {room:.2f}"
        )
