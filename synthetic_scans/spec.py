"""One patient's shoulder as numbers: healthy anatomy and the state of the repair.

All lengths are mm, angles degrees. Everything here is a frozen dataclass, so a
shoulder is a value: copy it with :func:`dataclasses.replace`.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Literal, get_args

import numpy as np

Side = Literal["right", "left"]
Muscle = Literal["supraspinatus", "infraspinatus", "subscapularis", "teres_minor"]
DefectShape = Literal["crescent", "u", "l", "reverse_l"]
PartialSide = Literal["articular", "bursal", "intratendinous"]
Filling = Literal["fluid", "granulation"]
Material = Literal["titanium", "peek", "bioabsorbable"]

MUSCLES: tuple[Muscle, ...] = get_args(Muscle)


LIMITS: dict[str, tuple[float, float]] = {
    "head_radius_mm": (20.0, 29.0),
    "cartilage_mm": (0.5, 2.5),
    "tendon_mm": (3.0, 8.0),
    "footprint_length_mm": (6.0, 21.0),
    "footprint_width_mm": (12.0, 30.0),
    "glenoid_height_mm": (28.0, 48.0),
    "glenoid_width_mm": (20.0, 36.0),
    "acromiohumeral_mm": (5.0, 15.0),
    "occupation": (0.5, 0.95),
    "fossa_mm": (34.0, 54.0),
    "deltoid_mm": (5.0, 22.0),
    "subcutaneous_mm": (2.0, 25.0),
    "skin_mm": (1.0, 3.0),
    "scapular_angle_deg": (20.0, 50.0),
    "upward_rotation_deg": (-10.0, 20.0),
    "anterior_tilt_deg": (-5.0, 25.0),
}
"""Accepted range of every healthy dimension."""

ANATOMY: dict[str, tuple[float, float, float, float]] = {
    # name: (mean, standard deviation, lowest, highest) of the drawn patients.
    # Iannotti, J Bone Joint Surg Am 1992;74:491: head radius 24 +- 2.1 (19-28), glenoid
    # 39 +- 3.5 (30-48) high and 29 +- 3.2 (21-35) wide; extremes cut.
    "head_radius_mm": (24.0, 2.1, 21.0, 27.5),
    "glenoid_height_mm": (39.0, 3.5, 32.0, 46.0),
    "glenoid_width_mm": (29.0, 3.2, 22.0, 35.0),
    # Karthikeyan, J Shoulder Elbow Surg 2014;23:1107: thickness 5.6 men, 4.9 women;
    # footprint 14.9 men, 13.5 women.
    "tendon_mm": (5.25, 0.6, 4.0, 6.4),
    "footprint_length_mm": (14.2, 1.6, 11.0, 18.0),
    # Curtis, Arthroscopy 2006;22:609.e1: supraspinatus insertion 23 x 16.
    "footprint_width_mm": (23.0, 2.0, 18.0, 27.0),
    # Golding's normal range 6-14; the lower end leaves no room for a healthy tendon.
    "acromiohumeral_mm": (9.8, 1.0, 8.6, 12.5),
    # Thomazeau, Acta Orthop Scand 1996;67:264: stage I is a ratio of 0.60 or more.
    "occupation": (0.80, 0.06, 0.66, 0.92),
    # Struyf, Scand J Med Sci Sports 2011;21:352 (review): at rest about 35 degrees of
    # internal rotation, 10 of anterior tilt and next to no upward rotation.
    "scapular_angle_deg": (36.0, 3.5, 28.0, 44.0),
    "upward_rotation_deg": (4.0, 2.0, 0.0, 9.0),
    "anterior_tilt_deg": (8.0, 2.5, 2.0, 14.0),
    # The head's cartilage is 2.2 +- 0.5 at its thickest (Katakansetsu 1997;21:423); the
    # phantom's is one even layer.
    "cartilage_mm": (1.3, 0.15, 1.0, 1.7),
    # Common practice, no source.
    "fossa_mm": (44.0, 2.5, 38.0, 50.0),
    "deltoid_mm": (14.0, 2.0, 10.0, 18.0),
    "subcutaneous_mm": (8.0, 3.0, 3.0, 16.0),
}
"""Distributions behind :meth:`ShoulderSpec.vary`."""


def check(faults: list[str], what: str) -> None:
    """Raise one ValueError that lists every fault of ``what``."""
    if faults:
        raise ValueError(f"{what}: " + "; ".join(faults))


def within(name: str, value: float, low: float, high: float) -> list[str]:
    """Return the fault of a number outside [low, high] (NaN is outside), or nothing."""
    if low <= value <= high:
        return []
    return [f"{name} expected {low:g} to {high:g}, found {value:g}"]


def among(name: str, value: str, allowed: tuple[str, ...]) -> list[str]:
    """Return the fault of a word that is not one of ``allowed``, or nothing."""
    return [] if value in allowed else [f"{name} expected one of {allowed}, found {value!r}"]


@dataclass(frozen=True, slots=True)
class FullThicknessDefect:
    """A gap through the whole tendon.

    Attributes
    ----------
    width_mm
        Straight front-to-back distance between the two side walls, which are
        parallel: every oblique sagittal slice that meets both measures it.
    retraction_mm
        Straight distance between the lateral footprint edge and the medial
        stump, both on the head's surface, in the plane through the deepest
        point of the defect (its middle, or the limb of an L).
    centre_mm
        Middle of the defect, mm behind the crest of the head (the plane
        through its centre and parallel to the scapula) along the middle of the
        footprint; negative in front. The supraspinatus tendon begins 12 mm in
        front of the crest.
    shape
        Outline of the medial edge. ``l`` runs medially along the front part
        of the defect, ``reverse_l`` along the back part.
    remnant_mm
        Length of tendon left on the footprint, along the head surface and at
        right angles to its lateral edge; 0 for a bare footprint. The gap then
        lies between the two stumps.
    filling
        What fills the gap.
    """

    width_mm: float
    retraction_mm: float
    centre_mm: float = 0.0
    shape: DefectShape = "crescent"
    remnant_mm: float = 0.0
    filling: Filling = "fluid"

    def __post_init__(self) -> None:
        faults = within("width_mm", self.width_mm, 1.0, 46.0)
        faults += within("retraction_mm", self.retraction_mm, 1.0, 50.0)
        faults += within("centre_mm", self.centre_mm, -12.0, 30.0)
        faults += within("remnant_mm", self.remnant_mm, 0.0, 25.0)
        faults += among("shape", self.shape, get_args(DefectShape))
        faults += among("filling", self.filling, get_args(Filling))
        if self.remnant_mm >= self.retraction_mm:
            faults.append(
                f"remnant_mm expected below retraction_mm ({self.retraction_mm:g}), "
                f"found {self.remnant_mm:g}"
            )
        check(faults, "full-thickness defect")


@dataclass(frozen=True, slots=True)
class PartialDefect:
    """Loss of part of the thickness, filled with fluid.

    Attributes
    ----------
    side
        Surface that is lost; ``intratendinous`` is centred in the thickness.
    depth_mm
        Thickness lost, normal to the sheet.
    width_mm
        Straight front-to-back extent between parallel walls.
    length_mm
        Extent along the head surface, side to side.
    lateral_mm
        Distance along the head surface from the lateral footprint edge to the
        lateral edge of the loss.
    centre_mm
        As in :class:`FullThicknessDefect`.
    """

    side: PartialSide
    depth_mm: float
    width_mm: float
    length_mm: float
    lateral_mm: float = 8.0
    centre_mm: float = 0.0

    def __post_init__(self) -> None:
        faults = within("depth_mm", self.depth_mm, 0.2, 12.0)
        faults += within("width_mm", self.width_mm, 1.0, 40.0)
        faults += within("length_mm", self.length_mm, 1.0, 30.0)
        faults += within("lateral_mm", self.lateral_mm, 0.0, 30.0)
        faults += within("centre_mm", self.centre_mm, -12.0, 30.0)
        faults += among("side", self.side, get_args(PartialSide))
        check(faults, "partial-thickness defect")


@dataclass(frozen=True, slots=True)
class SignalChange:
    """Brighter patch inside continuous tendon.

    ``level`` (0-1) is the fluid-like share at its middle; the share falls to
    half at the patch's edge. Extents as in :class:`PartialDefect`.
    """

    level: float
    width_mm: float = 12.0
    length_mm: float = 10.0
    lateral_mm: float = 6.0
    centre_mm: float = 0.0

    def __post_init__(self) -> None:
        faults = within("level", self.level, 0.0, 1.0)
        faults += within("width_mm", self.width_mm, 1.0, 40.0)
        faults += within("length_mm", self.length_mm, 1.0, 30.0)
        faults += within("lateral_mm", self.lateral_mm, 0.0, 30.0)
        faults += within("centre_mm", self.centre_mm, -12.0, 30.0)
        check(faults, "signal change")


@dataclass(frozen=True, slots=True)
class MuscleState:
    """Quality of one muscle.

    Attributes
    ----------
    bulk
        Cross-sectional area relative to the healthy muscle of this patient.
    fat_fraction
        Mean fat fraction inside the muscle, laid down as streaks.
    retraction_mm
        Distance by which belly and muscle-tendon junction slid medially.
    """

    bulk: float = 1.0
    fat_fraction: float = 0.02
    retraction_mm: float = 0.0

    def __post_init__(self) -> None:
        faults = within("bulk", self.bulk, 0.05, 1.2)
        faults += within("fat_fraction", self.fat_fraction, 0.0, 0.95)
        faults += within("retraction_mm", self.retraction_mm, 0.0, 45.0)
        check(faults, "muscle state")


@dataclass(frozen=True, slots=True)
class Anchor:
    """A suture anchor in the greater tuberosity, with its tunnel and fluid.

    Attributes
    ----------
    ap_mm
        Entry point, mm behind the crest, as ``centre_mm`` of a defect.
    lateral_mm
        Entry point, mm medial to the lateral footprint edge along the head
        surface (negative: lateral row, on the tuberosity's side).
    diameter_mm, length_mm
        Size of the anchor body.
    tilt_deg
        Angle between the anchor and the inward surface normal; positive
        leans the deep tip medially.
    material
        Titanium blooms; the others only displace signal.
    bloom_mm
        Signal lost around a titanium anchor.
    tunnel_mm
        Diameter of the bone tunnel; equal to ``diameter_mm`` without widening.
    fluid_mm, fluid_length_mm
        Diameter and length (from the deep tip) of fluid around the anchor; 0 for none.
    pull_out_mm
        Distance moved outwards along its own axis since implantation.
    """

    ap_mm: float
    lateral_mm: float
    diameter_mm: float = 4.75
    length_mm: float = 15.0
    tilt_deg: float = 20.0
    material: Material = "peek"
    bloom_mm: float = 0.0
    tunnel_mm: float = 4.75
    fluid_mm: float = 0.0
    fluid_length_mm: float = 0.0
    pull_out_mm: float = 0.0

    def __post_init__(self) -> None:
        faults = within("ap_mm", self.ap_mm, -20.0, 40.0)
        faults += within("lateral_mm", self.lateral_mm, -20.0, 30.0)
        faults += within("diameter_mm", self.diameter_mm, 1.0, 8.0)
        faults += within("length_mm", self.length_mm, 5.0, 25.0)
        faults += within("tilt_deg", self.tilt_deg, -60.0, 60.0)
        faults += within("bloom_mm", self.bloom_mm, 0.0, 15.0)
        faults += within("tunnel_mm", self.tunnel_mm, self.diameter_mm, 20.0)
        faults += within("fluid_mm", self.fluid_mm, 0.0, 20.0)
        faults += within("fluid_length_mm", self.fluid_length_mm, 0.0, 30.0)
        faults += within("pull_out_mm", self.pull_out_mm, 0.0, 20.0)
        faults += among("material", self.material, get_args(Material))
        check(faults, "anchor")


@dataclass(frozen=True, slots=True)
class Condition:
    """State of the cuff and its surroundings at one timepoint.

    Attributes
    ----------
    defect, partial, signal
        Tendon lesions; None when absent. A full-thickness and a partial one
        exclude each other.
    thickness_mm
        Thickness of a thinned supraspinatus tendon; None for the patient's own.
    scar_mm
        Length along the head surface, from the lateral footprint edge, over
        which the repaired tendon is scar rather than tendon.
    bursal_fluid_mm, joint_fluid_mm
        Thickness of the fluid layer on the cuff and in the joint.
    head_migration_mm
        Upward shift of the humeral head.
    supraspinatus, infraspinatus, subscapularis, teres_minor
        Muscle quality.
    anchors
        Implants.
    """

    defect: FullThicknessDefect | None = None
    partial: PartialDefect | None = None
    signal: SignalChange | None = None
    thickness_mm: float | None = None
    scar_mm: float = 0.0
    bursal_fluid_mm: float = 0.0
    joint_fluid_mm: float = 0.4
    head_migration_mm: float = 0.0
    supraspinatus: MuscleState = field(default_factory=MuscleState)
    infraspinatus: MuscleState = field(default_factory=MuscleState)
    subscapularis: MuscleState = field(default_factory=MuscleState)
    teres_minor: MuscleState = field(default_factory=MuscleState)
    anchors: tuple[Anchor, ...] = ()

    def __post_init__(self) -> None:
        faults: list[str] = []
        if self.thickness_mm is not None:
            faults += within("thickness_mm", self.thickness_mm, 0.5, 9.0)
        faults += within("scar_mm", self.scar_mm, 0.0, 30.0)
        faults += within("bursal_fluid_mm", self.bursal_fluid_mm, 0.0, 6.0)
        faults += within("joint_fluid_mm", self.joint_fluid_mm, 0.0, 6.0)
        faults += within("head_migration_mm", self.head_migration_mm, 0.0, 14.0)
        if self.defect is not None and self.partial is not None:
            faults.append("partial expected None beside a full-thickness defect, found one")
        check(faults, "condition")

    def muscle(self, name: Muscle) -> MuscleState:
        """Quality of the muscle ``name``."""
        states: dict[Muscle, MuscleState] = {
            "supraspinatus": self.supraspinatus,
            "infraspinatus": self.infraspinatus,
            "subscapularis": self.subscapularis,
            "teres_minor": self.teres_minor,
        }
        return states[name]


@dataclass(frozen=True, slots=True)
class ShoulderSpec:
    """One shoulder.

    Attributes
    ----------
    side
        Operated side.
    head_centre_mm
        Humeral head centre at rest, before any migration, patient LPS.
    head_radius_mm
        Radius of the bony head.
    cartilage_mm
        Cartilage of the head.
    tendon_mm
        Thickness of the healthy supraspinatus-infraspinatus sheet.
    footprint_length_mm
        Supraspinatus footprint, side to side, along the head surface.
    footprint_width_mm
        Supraspinatus footprint, front to back, along the head surface.
    glenoid_height_mm, glenoid_width_mm
        Size of the glenoid face.
    acromiohumeral_mm
        Shortest distance from the acromion to the bony head before migration.
    occupation
        Healthy supraspinatus area over fossa area on the Y-view.
    fossa_mm
        Width of the supraspinatus fossa between the tops of spine and
        coracoid on the Y-view.
    deltoid_mm, subcutaneous_mm, skin_mm
        Layers over the shoulder.
    scapular_angle_deg
        Angle between the scapular and the coronal plane.
    upward_rotation_deg, anterior_tilt_deg
        Remaining rotation of the scapula.
    condition
        State of the repair.
    """

    side: Side = "right"
    head_centre_mm: tuple[float, float, float] = (-165.0, 0.0, 0.0)
    head_radius_mm: float = 24.0
    cartilage_mm: float = 1.3
    tendon_mm: float = 5.3
    footprint_length_mm: float = 14.2
    footprint_width_mm: float = 23.0
    glenoid_height_mm: float = 37.0
    glenoid_width_mm: float = 27.0
    acromiohumeral_mm: float = 9.5
    occupation: float = 0.80
    fossa_mm: float = 44.0
    deltoid_mm: float = 14.0
    subcutaneous_mm: float = 8.0
    skin_mm: float = 1.8
    scapular_angle_deg: float = 35.0
    upward_rotation_deg: float = 4.0
    anterior_tilt_deg: float = 8.0
    condition: Condition = field(default_factory=Condition)

    def __post_init__(self) -> None:
        faults = among("side", self.side, get_args(Side))
        for name, (low, high) in LIMITS.items():
            faults += within(name, getattr(self, name), low, high)
        filled = self.occupation * self.condition.supraspinatus.bulk
        faults += within("occupation times supraspinatus bulk", filled, 0.0, 1.0)
        check(faults, "shoulder")

    @classmethod
    def vary(cls, seed: int, side: Side) -> ShoulderSpec:
        """Draw a healthy shoulder from published anatomy.

        The same seed gives the mirror image on the other side.
        """
        rng = np.random.default_rng(seed)
        drawn = {
            name: float(np.clip(rng.normal(mean, sd), low, high))
            for name, (mean, sd, low, high) in ANATOMY.items()
        }
        lateral = float(rng.uniform(150.0, 178.0))
        x = lateral if side == "left" else -lateral
        y, z = (float(v) for v in rng.uniform(-15.0, 15.0, 2))
        return cls(side=side, head_centre_mm=(x, y, z), condition=Condition(), **drawn)

    def with_condition(self, condition: Condition) -> ShoulderSpec:
        """Return this shoulder in another state."""
        return replace(self, condition=condition)
