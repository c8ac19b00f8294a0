"""Suture anchors, their bone tunnels and the fluid around them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from synthetic_scans.phantom.cuff import Cuff, cuff
from synthetic_scans.phantom.shapes import Capsule, Cylinder, Shape, Vector, unit, vector
from synthetic_scans.planes import joint_frame

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from synthetic_scans.spec import Anchor, Material, ShoulderSpec


@dataclass(frozen=True, slots=True, eq=False)
class Implant:
    """One anchor in the patient, LPS mm.

    Attributes
    ----------
    head, tip
        (3,) outer and deep end of the anchor's axis.
    implanted_head
        (3,) outer end before any pull-out.
    diameter, bloom
        Anchor diameter and radius of lost signal beyond it, mm.
    material
        What it is made of.
    """

    head: NDArray[np.float64]
    tip: NDArray[np.float64]
    implanted_head: NDArray[np.float64]
    diameter: float
    bloom: float
    material: Material


@dataclass(frozen=True, slots=True)
class AnchorAxis:
    """Axis of an anchor in the joint frame: outer end, inward direction, its length."""

    head: Vector
    inward: Vector
    implanted_head: Vector
    length: float

    def at(self, depth: float) -> Vector:
        """Point ``depth`` mm from the outer end."""
        return vector(np.add(self.head, np.multiply(self.inward, depth)))


def anchor_axis(sheet: Cuff, anchor: Anchor) -> AnchorAxis:
    """Axis of an anchor: it enters the footprint's surface and leans by its tilt."""
    turn = sheet.turn(anchor.ap_mm)
    v = sheet.radius * sheet.edge_turn(turn) + anchor.lateral_mm
    entry, above = np.array(sheet.point(v, 0.0, turn)), np.array(sheet.point(v, 1.0, turn))
    medial = np.array(sheet.point(v + 1e-3, 0.0, turn)) - entry
    medial /= np.linalg.norm(medial)
    tilt = np.deg2rad(anchor.tilt_deg)
    inward = np.array(unit(np.cos(tilt) * (entry - above) + np.sin(tilt) * medial))
    head = entry - anchor.pull_out_mm * inward
    return AnchorAxis(vector(head), vector(inward), vector(entry), anchor.length_mm)


def implants(spec: ShoulderSpec) -> tuple[Implant, ...]:
    """Anchors of a shoulder in patient coordinates."""
    sheet, joint = cuff(spec), joint_frame(spec)
    placed = []
    for anchor in spec.condition.anchors:
        axis = anchor_axis(sheet, anchor)
        head, tip, first = (
            joint.to_patient(np.array(point))
            for point in (axis.head, axis.at(axis.length), axis.implanted_head)
        )
        placed.append(
            Implant(head, tip, first, anchor.diameter_mm, anchor.bloom_mm, anchor.material)
        )
    return tuple(placed)


def anchor_body(axis: AnchorAxis, anchor: Anchor) -> Cylinder:
    """Return the anchor itself."""
    return Cylinder(axis.head, axis.at(axis.length), 0.5 * anchor.diameter_mm)


def anchor_bloom(axis: AnchorAxis, anchor: Anchor) -> Shape | None:
    """Where a titanium anchor destroys signal, or None."""
    if anchor.material != "titanium" or anchor.bloom_mm <= 0:
        return None
    reach = 0.5 * anchor.diameter_mm + anchor.bloom_mm
    return Capsule(axis.head, axis.at(axis.length), reach, reach)


def anchor_fluid(axis: AnchorAxis, anchor: Anchor) -> Cylinder | None:
    """Fluid column from beyond the deep tip outwards, or None."""
    if anchor.fluid_mm <= 0 or anchor.fluid_length_mm <= 0:
        return None
    end = axis.length + 1.0
    start = max(end - anchor.fluid_length_mm, 0.0)
    return Cylinder(axis.at(start), axis.at(end), 0.5 * anchor.fluid_mm)


def anchor_tunnel(axis: AnchorAxis, anchor: Anchor) -> Cylinder | None:
    """Bone tunnel wider than the anchor, from its first entry to its tip, or None."""
    if anchor.tunnel_mm <= anchor.diameter_mm:
        return None
    return Cylinder(axis.implanted_head, axis.at(axis.length), 0.5 * anchor.tunnel_mm)
