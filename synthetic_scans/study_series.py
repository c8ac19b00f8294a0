"""What the technologist prescribes for one examination, with what goes wrong on purpose."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from scipy.spatial.transform import Rotation

from synthetic_scans.cohort.records import ScanPlan, Trouble
from synthetic_scans.phantom.implants import implants
from synthetic_scans.planes import PlaneFrame, PlaneName, frames, joint_frame
from synthetic_scans.scanner import (
    Acquisition,
    Artefacts,
    CoilShading,
    FieldDrift,
    Ghosting,
    Metal,
    Weighting,
    rod,
)
from synthetic_scans.spec import ShoulderSpec

SizeName = Literal["full", "quick"]

PLANNED_TURN_DEG = 2.0
PLANNED_SHIFT_MM = 2.5
"""Standard deviations of how a technologist's planes miss those of the scapula, for each axis."""

COIL_OUTSIDE_MM = (70.0, -20.0, 10.0)
COIL_RADIUS_MM = 150.0
"""Centre of the coil, lateral, posterior and superior of the head centre, and its reach in mm:
most of the fall-off is taken as corrected by the scanner, as usual."""

GHOSTS = Ghosting(modulation=0.55, cycles=23)
LOST_SLICES = 2


@dataclass(frozen=True, slots=True)
class StackSize:
    """Number of slices of a stack, their thickness and the gap between them in mm."""

    n_slices: int
    thickness_mm: float
    gap_mm: float


@dataclass(frozen=True, slots=True)
class Size:
    """How finely a study is imaged.

    Attributes
    ----------
    matrix
        Rows and columns of MR slices.
    samples
        Sub-samples per voxel.
    coronal, sagittal, axial
        The stacks: enough to cover the cuff from the tuberosity to the Y-view.
    radiograph_matrix, radiograph_step_mm
        Rows and columns of a radiograph, and distance between the planes it is summed from.
    """

    matrix: int
    samples: int
    coronal: StackSize
    sagittal: StackSize
    axial: StackSize
    radiograph_matrix: int
    radiograph_step_mm: float

    def stack(self, plane: PlaneName) -> StackSize:
        """Return the stack of a plane."""
        stacks: dict[PlaneName, StackSize] = {
            "coronal_oblique": self.coronal,
            "sagittal_oblique": self.sagittal,
            "axial": self.axial,
        }
        return stacks[plane]


SIZES: dict[SizeName, Size] = {
    "full": Size(
        matrix=256,
        samples=6,
        coronal=StackSize(20, 3.0, 0.3),
        sagittal=StackSize(24, 3.2, 0.3),
        axial=StackSize(20, 3.2, 0.3),
        radiograph_matrix=320,
        radiograph_step_mm=2.0,
    ),
    "quick": Size(
        matrix=112,
        samples=2,
        coronal=StackSize(15, 4.0, 0.4),
        sagittal=StackSize(19, 4.0, 0.4),
        axial=StackSize(12, 4.0, 0.8),
        radiograph_matrix=160,
        radiograph_step_mm=4.0,
    ),
}

FOV_MM = 150.0
DETECTOR_MM = 160.0


@dataclass(frozen=True, slots=True)
class Prescription:
    """One series to acquire: its number, contrast and geometry, and a wrong label if it has one.

    ``description`` is None where the series is called what it is.
    """

    number: int
    acquisition: Acquisition
    frame: PlaneFrame
    description: str | None = None


def prescribe(plan: ScanPlan, size: Size, rng: np.random.Generator) -> tuple[Prescription, ...]:
    """Return the MR series of an examination in the order they are acquired.

    Coronal and sagittal oblique fat-suppressed, sagittal oblique T1, a sagittal oblique Dixon
    where planned, and axial fat-suppressed. The planes are set from the scapula of that day, a
    little off as by hand; all sagittal series share one geometry and follow each other.

    Parameters
    ----------
    plan
        The examination.
    size
        Matrix and supersampling.
    rng
        Source of the inaccuracy of the planes.
    """
    planned = {name: _by_hand(frame, rng) for name, frame in frames(plan.state).items()}
    fat_suppressed = Weighting.PD_FAT_SUPPRESSED
    wanted: list[tuple[PlaneName, Weighting]] = [
        ("coronal_oblique", fat_suppressed),
        ("sagittal_oblique", fat_suppressed),
        ("sagittal_oblique", Weighting.T1),
    ]
    if plan.dixon:
        wanted.append(("sagittal_oblique", Weighting.DIXON))
    wanted.append(("axial", fat_suppressed))
    series = [
        Prescription(number, _acquisition(plan, plane, weighting, size), planned[plane])
        for number, (plane, weighting) in enumerate(wanted, 1)
    ]
    return tuple(_troubled(series, plan, planned))


def _by_hand(frame: PlaneFrame, rng: np.random.Generator) -> PlaneFrame:
    turn = Rotation.from_rotvec(np.deg2rad(rng.normal(0.0, PLANNED_TURN_DEG, 3)))
    return replace(
        frame,
        row=turn.apply(frame.row),
        column=turn.apply(frame.column),
        centre=frame.centre + rng.normal(0.0, PLANNED_SHIFT_MM, 3),
    )


def _acquisition(plan: ScanPlan, plane: PlaneName, weighting: Weighting, size: Size) -> Acquisition:
    stack = size.stack(plane)
    return Acquisition(
        plane=plane,
        weighting=weighting,
        thickness_mm=stack.thickness_mm,
        gap_mm=stack.gap_mm,
        n_slices=stack.n_slices,
        matrix=(size.matrix, size.matrix),
        fov_mm=(FOV_MM, FOV_MM),
        samples=size.samples,
        artefacts=Artefacts(shading=_coil(plan.state), metal=_metal(plan.state)),
    )


def _coil(state: ShoulderSpec) -> CoilShading:
    x, y, z = joint_frame(state).to_patient(np.array(COIL_OUTSIDE_MM)).tolist()
    return CoilShading((x, y, z), COIL_RADIUS_MM)


def _metal(state: ShoulderSpec) -> tuple[Metal, ...]:
    """Return the titanium anchors as the spheres that disturb the field."""
    return tuple(
        sphere
        for implant in implants(state)
        if implant.material == "titanium"
        for sphere in rod(
            tuple(implant.head.tolist()), tuple(implant.tip.tolist()), implant.diameter / 2
        )
    )


def _troubled(
    series: list[Prescription], plan: ScanPlan, planned: dict[str, PlaneFrame]
) -> list[Prescription]:
    """Spoil what the plan says; a wrong side is a matter of the header and not of this."""
    coronal, sagittal, *rest = series
    if plan.trouble is Trouble.WRONG_PLANE:
        right = sagittal.acquisition
        wrong = replace(right, plane="coronal_oblique")
        sagittal = replace(
            sagittal,
            acquisition=wrong,
            frame=planned["coronal_oblique"],
            description="SAG OBL PD FS",
        )
        return [coronal, sagittal, *rest]
    changed = _artefacts(plan, coronal.acquisition)
    if changed is None:
        return series
    return [
        replace(coronal, acquisition=replace(coronal.acquisition, artefacts=changed)),
        *series[1:],
    ]


def _artefacts(plan: ScanPlan, acquisition: Acquisition) -> Artefacts | None:
    """Return the artefacts of a spoiled coronal series, or None when it is not to be spoiled."""
    plain = acquisition.artefacts
    if plan.trouble is Trouble.MISSING_SLICES:
        middle = acquisition.n_slices // 2
        return replace(plain, missing_slices=tuple(range(middle, middle + LOST_SLICES)))
    if plan.trouble is Trouble.MOTION:
        return replace(plain, ghosting=GHOSTS)
    if plan.trouble is Trouble.FAT_SUPPRESSION:
        head = plan.state.head_centre_mm
        return replace(plain, drift=FieldDrift(head, (2.5, 1.0, 2.0), offset_hz=260.0))
    return None
