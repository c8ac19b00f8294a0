"""Slices that show the defect: counts, lengths and the Y-view's slice."""

from __future__ import annotations

import json

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from synthetic_scans.phantom.cuff import cuff
from synthetic_scans.phantom.lesions import gap
from synthetic_scans.phantom.shoulder import Phantom
from synthetic_scans.phantom.tissue import Tissue
from synthetic_scans.planes import frames, joint_frame
from synthetic_scans.spec import Condition, FullThicknessDefect, MuscleState, ShoulderSpec
from synthetic_scans.truth.sections import SHOWN_MM, SliceStack, crossings, section
from synthetic_scans.truth.shoulder import StackTruth, truth


def stacks(spec: ShoulderSpec, spacing: float, shift: float = 0.0, count: int = 30, turn=None):
    """Three stacks on the planes of the shoulder, ``shift`` mm off along their normals."""
    rotation = turn or Rotation.identity()
    return tuple(
        SliceStack(
            name,
            rotation.apply(frame.row),
            rotation.apply(frame.column),
            frame.centre
            + np.outer(
                (np.arange(count) - (count - 1) / 2) * spacing + shift,
                rotation.apply(frame.normal),
            ),
        )
        for name, frame in frames(spec).items()
    )


def torn(width: float, retraction: float, **more) -> ShoulderSpec:
    return ShoulderSpec(condition=Condition(defect=FullThicknessDefect(width, retraction, **more)))


def of_plane(spec: ShoulderSpec, built, plane: str) -> StackTruth:
    return next(stack for stack in truth(spec, built).stacks if stack.plane == plane)


@pytest.mark.parametrize("shift", [0.0, 0.7, 1.4])
def test_coronal_slices_follow_from_width_and_spacing(shift: float) -> None:
    """Slices 3.3 mm apart across walls 12 mm apart: those whose offset lies between them.

    A gap less than ``SHOWN_MM`` wide does not count, and the U's corners are round, so a slice
    within 0.3 mm of a wall may or may not count; none of these offsets is.
    """
    spec = torn(12, 20, shape="u")
    built = stacks(spec, 3.3, shift)
    found = of_plane(spec, built, "coronal_oblique")
    joint = joint_frame(spec)
    behind = joint.to_joint(built[0].positions)[:, 1]
    assert min(abs(np.abs(behind) - 6.0)) > 0.3
    assert [one.index for one in found.shown] == np.flatnonzero(np.abs(behind) < 6.0).tolist()


def test_sagittal_slices_follow_from_retraction() -> None:
    """Sagittal planes from the footprint edge to the stump, by their lateral coordinate."""
    spec = torn(12, 20, shape="u")
    known, built = truth(spec), stacks(spec, 2.0)
    joint = joint_frame(spec)
    lateral = joint.to_joint(built[1].positions)[:, 0]
    edge = joint.to_joint(np.array(known.landmarks["footprint_lateral_edge"]))[0]
    stump = joint.to_joint(np.array(known.landmarks["medial_stump"]))[0]
    shown = [one.index for one in of_plane(spec, built, "sagittal_oblique").shown]
    surely = np.flatnonzero((lateral < edge - 0.5) & (lateral > stump + 1.0))
    maybe = np.flatnonzero((lateral < edge + 3.5) & (lateral > stump - 1.0))
    assert set(surely) <= set(shown) <= set(maybe)


def test_widest_sagittal_slice_shows_the_stated_width() -> None:
    spec = torn(16, 24, centre_mm=3)
    shown = of_plane(spec, stacks(spec, 1.0, count=90), "sagittal_oblique").shown
    assert max(one.gap_mm for one in shown) == pytest.approx(16, abs=0.01)


def test_coronal_slice_through_the_middle_shows_the_stated_retraction() -> None:
    """With its middle on the crest, the defect's middle plane is a coronal oblique plane."""
    spec = torn(14, 22)
    joint, frame = joint_frame(spec), frames(spec)["coronal_oblique"]
    through = SliceStack("coronal_oblique", frame.row, frame.column, joint.origin[None])
    (one,) = truth(spec, [through]).stacks[0].shown
    assert one.retraction_mm == pytest.approx(22, abs=1e-6)
    arc = truth(spec).value("defect_retraction_arc")
    assert one.retraction_path_mm == pytest.approx(arc, abs=2e-3)
    known = truth(spec).landmarks
    assert np.array(one.retraction_points) == pytest.approx(
        np.array([known["footprint_lateral_edge"], known["medial_stump"]]), abs=1e-5
    )


@pytest.mark.parametrize("remnant", [0.0, 9.0])
def test_gap_of_every_slice_is_in_the_voxels(remnant: float) -> None:
    """0.02 mm inside its ends, along the tendon in the slice, there is fluid; outside, none."""
    spec = torn(15, 22, centre_mm=2, shape="u", remnant_mm=remnant)
    phantom, joint, sheet = Phantom(spec), joint_frame(spec), cuff(spec)
    laid = gap(sheet, spec.condition.defect)
    built = stacks(spec, 3.1, 0.4, turn=Rotation.from_rotvec(np.deg2rad([2.0, -1.5, 2.5])))
    counted = 0
    for stack, known in zip(built, truth(spec, built).stacks, strict=True):
        for one in known.shown:
            axes = np.stack([stack.row, stack.column])
            place = stack.positions[one.index]
            curve = section(laid, joint, place, axes, 0.5 * spec.tendon_mm)
            for start, end in crossings(curve.in_gap):
                radii = np.linalg.norm(
                    curve.point(np.array([start, end])) - curve.foot[:, None], axis=0
                )
                nudge = np.array([1.0, -1.0]) * 0.02 / radii
                edge = np.array([start, end])
                inside, outside = (
                    phantom.sample(joint.to_patient(curve.point(angle).T)).tissue
                    for angle in (edge + nudge, edge - nudge)
                )
                assert inside.tolist() == [Tissue.FLUID] * 2
                assert Tissue.FLUID not in outside
                counted += 1
    assert counted > 10


def test_a_gap_narrower_than_shown_does_not_count() -> None:
    spec = torn(4, 6)
    for stack in truth(spec, stacks(spec, 0.5, count=80)).stacks:
        assert all(one.gap_path_mm >= SHOWN_MM for one in stack.shown)


@pytest.mark.parametrize(("width", "behind"), [(36, 24.6), (44, 24.8)])
def test_slice_without_a_stump_has_a_gap_but_no_retraction(width: float, behind: float) -> None:
    """Far behind, a coronal slice runs along a wide defect from footprint edge to edge."""
    spec = torn(width, 44, centre_mm=8 if width == 36 else 14, shape="u")
    frame, joint = frames(spec)["coronal_oblique"], joint_frame(spec)
    place = joint.to_patient(np.array([[0.0, behind, 0.0]]))
    stack = SliceStack("coronal_oblique", frame.row, frame.column, place)
    (one,) = truth(spec, [stack]).stacks[0].shown
    assert one.gap_mm > 5
    assert one.retraction_mm is None
    assert one.retraction_points == ()


def test_planes_that_pass_the_cuff_by_show_nothing() -> None:
    spec = torn(36, 44, centre_mm=8, shape="u")
    frame = frames(spec)["coronal_oblique"]
    radius = spec.head_radius_mm + spec.cartilage_mm + spec.tendon_mm
    offsets = np.array([radius - 1.0, radius + 2.0, 45.0, 90.0, -45.0])
    places = joint_frame(spec).origin + np.outer(offsets, frame.normal)
    stack = SliceStack("coronal_oblique", frame.row, frame.column, places)
    assert not truth(spec, [stack]).stacks[0].shown


def test_intact_shoulder_shows_no_gap_and_its_y_slice() -> None:
    spec = ShoulderSpec()
    known = truth(spec, stacks(spec, 3.3))
    assert [stack.gap_slices for stack in known.stacks] == [0, 0, 0]
    coronal, sagittal, _ = known.stacks
    assert (coronal.y_index, coronal.y_offset_mm) == (None, None)
    built = stacks(spec, 3.3)[1]
    place = built.positions[sagittal.y_index]
    fork = np.array(known.landmarks["y_view_fork"])
    normal = np.cross(built.row, built.column)
    assert (place - fork) @ normal == pytest.approx(sagittal.y_offset_mm)
    assert abs(sagittal.y_offset_mm) <= 3.3 / 2


def test_far_retracted_stump_lies_over_the_glenoid() -> None:
    """Patte stage 3: at the level of the glenoid (Patte, Clin Orthop 1990;254:81)."""
    spec = torn(30, 48, centre_mm=7, shape="u")
    known = truth(spec, stacks(spec, 3.0))
    assert known.grade("patte") == 3
    assert known.value("defect_retraction") == pytest.approx(48, abs=1e-6)
    assert max(one.retraction_mm or 0 for one in known.stacks[0].shown) > 46


def test_truth_is_plain_json() -> None:
    spec = torn(15, 22, remnant_mm=8)
    spec = spec.with_condition(
        Condition(
            defect=spec.condition.defect, supraspinatus=MuscleState(0.5, 0.3), joint_fluid_mm=1
        )
    )
    known = truth(spec, stacks(spec, 3.3))
    back = json.loads(json.dumps(known.to_json(), allow_nan=False))
    assert back["side"] == "right"
    width = next(m for m in back["measurements"] if m["name"] == "defect_width")
    assert width["value"] == known.value("defect_width")
    assert np.linalg.norm(np.diff(width["points"], axis=0)) == pytest.approx(15)
    assert known.value("tendon_thickness") is None
    assert known.grade("ellman") is None
