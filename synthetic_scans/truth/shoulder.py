"""What is true of a shoulder: measurements with their points, gap slices, implied grades."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from synthetic_scans.phantom.cuff import cuff
from synthetic_scans.phantom.lesions import Gap, gap
from synthetic_scans.planes import JointFrame, joint_frame
from synthetic_scans.truth.grades import Evidence, Grade, implied_grades
from synthetic_scans.truth.implants import AnchorTruth, anchors
from synthetic_scans.truth.measurements import Measurement
from synthetic_scans.truth.muscle import muscle_measurements
from synthetic_scans.truth.sections import (
    SHOWN_MM,
    Run,
    SliceGeometry,
    retraction,
    runs,
    section,
)
from synthetic_scans.truth.tendon import acromiohumeral, landmarks, tendon_measurements

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from synthetic_scans.spec import ShoulderSpec


@dataclass(frozen=True, slots=True)
class SliceTruth:
    """The defect on one slice.

    Attributes
    ----------
    index
        Position of the slice in the stack, from 0.
    gap_mm, gap_path_mm
        Straight and along-the-sheet length of the longest stretch of defect in
        the slice's middle plane, at mid-thickness of the tendon.
    gap_points
        Its two ends, patient LPS mm.
    retraction_mm, retraction_path_mm
        From the lateral footprint edge to the medial stump on the head's
        surface, straight and along it; coronal oblique slices only.
    retraction_points
        Its two ends, patient LPS mm.
    """

    index: int
    gap_mm: float
    gap_path_mm: float
    gap_points: tuple[tuple[float, ...], ...]
    retraction_mm: float | None = None
    retraction_path_mm: float | None = None
    retraction_points: tuple[tuple[float, ...], ...] = ()


@dataclass(frozen=True, slots=True)
class StackTruth:
    """One stack of slices.

    Attributes
    ----------
    plane
        Its plane.
    slices
        Number of slices.
    shown
        Slices whose middle plane crosses at least ``SHOWN_MM`` of the defect.
    y_index, y_offset_mm
        Slice nearest the Y-view and its signed distance along the slice
        normal; None for other planes than the sagittal oblique.
    """

    plane: str
    slices: int
    shown: tuple[SliceTruth, ...]
    y_index: int | None = None
    y_offset_mm: float | None = None

    @property
    def gap_slices(self) -> int:
        """Number of slices that show the defect."""
        return len(self.shown)


@dataclass(frozen=True, slots=True)
class Truth:
    """Everything that is true of one scan of one shoulder.

    Attributes
    ----------
    side
        Side.
    measurements
        By name; see :class:`Measurement`.
    landmarks
        Named places, patient LPS mm.
    stacks
        One per acquired stack.
    anchors
        One per anchor.
    grades
        What each scale's criteria imply.
    """

    side: str
    measurements: tuple[Measurement, ...]
    landmarks: dict[str, tuple[float, ...]]
    stacks: tuple[StackTruth, ...]
    anchors: tuple[AnchorTruth, ...]
    grades: tuple[Grade, ...]

    def value(self, name: str) -> float | None:
        """Value of a measurement, or None where it does not exist in this shoulder."""
        return next((m.value for m in self.measurements if m.name == name), None)

    def grade(self, scale: str) -> str | int | float | bool | None:
        """Grade on a scale; None where the scale does not apply or gives none."""
        return next((g.value for g in self.grades if g.scale == scale), None)

    def to_json(self) -> dict[str, Any]:
        """Plain values for a JSON file; lengths keep full precision."""
        return asdict(self)


def truth(spec: ShoulderSpec, stacks: Sequence[SliceGeometry] = ()) -> Truth:
    """Truth of a shoulder and of the stacks acquired of it.

    Parameters
    ----------
    spec
        The shoulder with its condition.
    stacks
        Geometry of the acquired slices; grades that count slices need a
        coronal and a sagittal oblique stack (the first of each counts).
    """
    sheet, joint = cuff(spec), joint_frame(spec)
    defect = spec.condition.defect
    laid = gap(sheet, defect) if defect else None
    seen = tuple(_stack(spec, joint, laid, stack) for stack in stacks)
    measured = (
        *tendon_measurements(spec, sheet, joint, laid),
        *muscle_measurements(spec, sheet, joint),
        acromiohumeral(spec, joint),
    )
    places = landmarks(spec, sheet, joint, laid)
    placed = anchors(spec)
    evidence = Evidence(
        spec=spec,
        values={m.name: m.value for m in measured},
        places=places,
        gap_slices={s.plane: s.gap_slices for s in reversed(seen)},
        anchors=placed,
    )
    return Truth(spec.side, measured, places, seen, placed, implied_grades(evidence))


def _stack(
    spec: ShoulderSpec, joint: JointFrame, laid: Gap | None, stack: SliceGeometry
) -> StackTruth:
    normal = np.cross(stack.row, stack.column)
    shown = _shown(joint, laid, stack, normal) if laid else ()
    y_index = y_offset = None
    if stack.plane == "sagittal_oblique":
        y_place = landmarks(spec, cuff(spec), joint, None)["y_view_fork"]
        offsets = (stack.positions - np.array(y_place)) @ normal
        y_index = int(np.argmin(np.abs(offsets)))
        y_offset = float(offsets[y_index])
    return StackTruth(stack.plane, len(stack.positions), shown, y_index, y_offset)


def _shown(
    joint: JointFrame, laid: Gap, stack: SliceGeometry, normal: NDArray[np.float64]
) -> tuple[SliceTruth, ...]:
    """Slices that show the defect; planes far from it are not looked into."""
    centre = joint.to_patient(np.array(laid.frame.cuff.head))
    reach = 60.0
    near = np.flatnonzero(np.abs((stack.positions - centre) @ normal) < reach)
    found = (_slice(joint, laid, stack, int(index)) for index in near)
    return tuple(one for one in found if one is not None)


def _slice(joint: JointFrame, laid: Gap, stack: SliceGeometry, index: int) -> SliceTruth | None:
    axes = np.stack([stack.row, stack.column])
    place = stack.positions[index]
    middle = section(laid, joint, place, axes, 0.5 * laid.frame.cuff.thinned)
    stretches = runs(middle)
    if not stretches or stretches[0].path < SHOWN_MM:
        return None
    pulled = None
    if stack.plane == "coronal_oblique":
        pulled = retraction(section(laid, joint, place, axes, 0.0))
    longest = stretches[0]
    return SliceTruth(
        index,
        longest.chord,
        longest.path,
        _ends(joint, longest),
        pulled.chord if pulled else None,
        pulled.path if pulled else None,
        _ends(joint, pulled) if pulled else (),
    )


def _ends(joint: JointFrame, run: Run) -> tuple[tuple[float, ...], ...]:
    return tuple(tuple(joint.to_patient(point).tolist()) for point in (run.start, run.end))
