"""Stack of layers that make one shoulder, from the one on top to the skin."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from synthetic_scans.phantom import body, humerus, implants, scapula
from synthetic_scans.phantom.cuff import JUNCTION_DEG, Cuff, cuff
from synthetic_scans.phantom.layers import (
    Bursa,
    Layer,
    Material,
    Palette,
    Sheet,
    SheetCodes,
    Solid,
    Streaks,
)
from synthetic_scans.phantom.lesions import gap, loss
from synthetic_scans.phantom.muscles import bellies, central_tendon, junction_shift
from synthetic_scans.phantom.shapes import Intersection, Offset, Outside, Shape, Sphere
from synthetic_scans.phantom.tissue import Tissue
from synthetic_scans.spec import MUSCLES, Muscle, ShoulderSpec

CORTEX_MM = 1.0
HEALTHY_FAT = 0.03
"""Fat fraction of muscles whose state the specification does not give."""

WAVES: dict[Muscle, tuple[float, float, float]] = {
    "supraspinatus": (0.03, 0.20, 0.23),
    "infraspinatus": (0.04, 0.26, -0.15),
    "subscapularis": (0.03, 0.16, 0.27),
    "teres_minor": (0.06, 0.24, 0.15),
}
"""Wave vectors of the streaks, cycles per mm: mostly across the fibres."""


@dataclass(frozen=True, slots=True)
class Builder:
    """A shoulder being assembled."""

    spec: ShoulderSpec
    palette: Palette
    cuff: Cuff

    def code(self, tissue: Tissue) -> int:
        """Code of a plain tissue."""
        return self.palette.code(Material(tissue))

    def muscle(self, name: Muscle) -> int:
        """Code of a cuff muscle with its fat."""
        fat = self.spec.condition.muscle(name).fat_fraction
        return self.palette.code(Material(Tissue.MUSCLE, Streaks(fat, WAVES[name])))

    def other_muscle(self, wave: tuple[float, float, float]) -> int:
        """Code of a muscle outside the cuff."""
        return self.palette.code(Material(Tissue.MUSCLE, Streaks(HEALTHY_FAT, wave)))

    def implants(self) -> list[Layer]:
        """Anchors above everything, with bloom, fluid and tunnel around them."""
        axes = [
            (implants.anchor_axis(self.cuff, anchor), anchor)
            for anchor in self.spec.condition.anchors
        ]
        makers = (
            (implants.anchor_body, Tissue.IMPLANT),
            (implants.anchor_bloom, Tissue.BLOOM),
            (implants.anchor_fluid, Tissue.FLUID),
            (implants.anchor_tunnel, Tissue.FLUID),
        )
        shapes = [(make(axis, anchor), tissue) for make, tissue in makers for axis, anchor in axes]
        return [Solid(shape, self.code(tissue)) for shape, tissue in shapes if shape is not None]

    def bones(self) -> list[Layer]:
        """Humerus, scapula and clavicle with cartilage, labrum and the biceps tendon."""
        cortex, marrow = self.code(Tissue.CORTICAL_BONE), self.code(Tissue.MARROW)
        cartilage = self.code(Tissue.CARTILAGE)
        spec, sheet = self.spec, self.cuff
        blade = scapula.bones(spec)
        labrum = scapula.Labrum(scapula.neck(spec), scapula.glenoid_radius(spec))
        return [
            Solid(humerus.shaft_cortex(sheet), cortex),
            Solid(humerus.humerus(spec, sheet), cortex, CORTEX_MM, marrow),
            Solid(humerus.head_cartilage(spec, sheet), cartilage),
            *(Solid(bone, cortex, CORTEX_MM, marrow) for bone in blade),
            Solid(scapula.glenoid_cartilage(spec), cartilage),
            Solid(labrum, self.code(Tissue.LABRUM)),
            Solid(humerus.biceps(sheet), self.code(Tissue.TENDON)),
        ]

    def sheet(self) -> Sheet:
        """Lay the cuff with its lesions."""
        spec, condition, sheet = self.spec, self.spec.condition, self.cuff
        codes = SheetCodes(
            tendon=self.palette.code(Material(Tissue.TENDON, patchy=True)),
            scar=self.palette.code(Material(Tissue.SCAR, patchy=True)),
            capsule=self.code(Tissue.LABRUM),
            fluid=self.code(Tissue.FLUID),
            granulation=self.code(Tissue.GRANULATION),
            muscles={name: self.muscle(name) for name in MUSCLES},
        )
        partial = condition.partial
        return Sheet(
            cuff=sheet,
            junctions=junctions(spec, sheet),
            codes=codes,
            gap=gap(sheet, condition.defect) if condition.defect else None,
            partial=(loss(sheet, partial)[0], partial.side, partial.depth_mm) if partial else None,
            scar_mm=condition.scar_mm,
        )

    def soft(self) -> list[Layer]:
        """Cuff, bursa, bellies and joint fluid."""
        spec, condition = self.spec, self.spec.condition
        fluid = self.code(Tissue.FLUID)
        layers: list[Layer] = [
            Solid(central_tendon(spec, self.cuff), self.code(Tissue.TENDON)),
            self.sheet(),
        ]
        if condition.bursal_fluid_mm > 0:
            bone = humerus.humerus(spec, self.cuff)
            layers.append(Bursa(self.cuff, bone, fluid, condition.bursal_fluid_mm))
        layers += [
            Solid(belly, self.muscle(name)) for name, belly in bellies(spec, self.cuff).items()
        ]
        if condition.joint_fluid_mm > 0:
            layers += [Solid(shape, fluid) for shape in self._effusion()]
        return layers

    def _effusion(self) -> tuple[Shape, ...]:
        sheet, depth = self.cuff, self.spec.condition.joint_fluid_mm
        film = Intersection(
            (
                Sphere(sheet.head, sheet.radius + depth),
                Outside(Sphere(sheet.head, sheet.radius - 0.1)),
                Outside(humerus.BeyondCap(sheet.head, sheet.edge_angle)),
            )
        )
        return film, scapula.recess(self.spec)

    def surroundings(self) -> list[Layer]:
        """Deltoid, other muscles, chest and skin."""
        spec = self.spec
        chest = body.torso(spec)
        around = body.neighbours(spec)
        wall = self.other_muscle((0.05, 0.05, 0.18))
        inner = chest.wall(body.CHEST_WALL_MM)
        outline = body.skin(spec, self.cuff)
        return [
            Solid(body.deltoid(spec, self.cuff), self.other_muscle((0.16, 0.20, 0.08))),
            *(Solid(shape, self.other_muscle((0.14, 0.17, 0.12))) for shape in around),
            *(Solid(tube, self.code(Tissue.VESSEL)) for tube in body.vessels(spec)),
            Solid(inner, self.code(Tissue.AIR)),
            Solid(
                body.Ribs(chest),
                self.code(Tissue.CORTICAL_BONE),
                CORTEX_MM,
                self.code(Tissue.MARROW),
            ),
            Solid(Offset(chest.wall(0.0), 4.0), wall),
            Solid(outline, self.code(Tissue.SKIN), spec.skin_mm, self.code(Tissue.FAT)),
        ]


def junctions(spec: ShoulderSpec, sheet: Cuff) -> dict[Muscle, float]:
    """Arc length from the lateral pole to each muscle-tendon junction, mm."""
    shift = {name: spec.condition.muscle(name).retraction_mm for name in MUSCLES}
    shift["supraspinatus"] = junction_shift(spec, sheet)
    return {
        name: float(sheet.radius * np.deg2rad(JUNCTION_DEG[name]) + shift[name]) for name in MUSCLES
    }


def assemble(spec: ShoulderSpec, palette: Palette) -> tuple[Layer, ...]:
    """All layers of a shoulder, topmost first; fills ``palette``."""
    builder = Builder(spec, palette, cuff(spec))
    return (
        *builder.implants(),
        *builder.bones(),
        *builder.soft(),
        *builder.surroundings(),
    )
