"""What is true of the anchors."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from synthetic_scans.phantom.implants import implants

if TYPE_CHECKING:
    from synthetic_scans.spec import Anchor, ShoulderSpec


@dataclass(frozen=True, slots=True)
class AnchorTruth:
    """One anchor.

    Attributes
    ----------
    head, tip
        Outer and deep end of its axis, patient LPS mm.
    diameter_mm, length_mm
        Size.
    material
        What it is made of.
    displacement_mm
        Outward displacement along its own axis since implantation.
    tunnel_mm, tunnel_ratio
        Tunnel diameter and its ratio to the anchor's diameter.
    fluid_grade
        Fluid around the anchor, 0 to 4; see :func:`fluid_grade`.
    """

    head: tuple[float, ...]
    tip: tuple[float, ...]
    diameter_mm: float
    length_mm: float
    material: str
    displacement_mm: float
    tunnel_mm: float
    tunnel_ratio: float
    fluid_grade: int


def fluid_grade(anchor: Anchor) -> int:
    """Grade of the fluid around an anchor.

    Both ends of the scale as in the abstract of PMC8411048; 1 to 3 from memory.

    0 none; 1 fluid no wider than 1 mm beyond the anchor; 2 a collection that
    covers part of its length; 3 fluid along the whole anchor, narrower than
    twice its diameter; 4 twice its diameter or more. The 1 mm of grade 1 is
    the phantom's own.
    """
    if anchor.fluid_mm <= anchor.diameter_mm or anchor.fluid_length_mm <= 0:
        return 0
    if anchor.fluid_mm >= 2.0 * anchor.diameter_mm:
        return 4
    if anchor.fluid_length_mm >= anchor.length_mm:
        return 3
    return 1 if anchor.fluid_mm <= anchor.diameter_mm + 2.0 else 2


def anchors(spec: ShoulderSpec) -> tuple[AnchorTruth, ...]:
    """Truth of every anchor, in the order of the specification."""
    return tuple(
        AnchorTruth(
            head=tuple(implant.head.tolist()),
            tip=tuple(implant.tip.tolist()),
            diameter_mm=implant.diameter,
            length_mm=anchor.length_mm,
            material=implant.material,
            displacement_mm=float(np.linalg.norm(implant.head - implant.implanted_head)),
            tunnel_mm=anchor.tunnel_mm,
            tunnel_ratio=anchor.tunnel_mm / anchor.diameter_mm,
            fluid_grade=fluid_grade(anchor),
        )
        for implant, anchor in zip(implants(spec), spec.condition.anchors, strict=True)
    )
