"""Rigid motion between scans, and implants that move in the bone."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import SimpleITK

from imgtrack.domain.errors import InvalidInput
from imgtrack.measure.motion import RigidTransform, migration
from synthetic_scans.spec import Anchor, Condition, ShoulderSpec
from synthetic_scans.truth.implants import anchors

STILL = RigidTransform(((1, 0, 0), (0, 1, 0), (0, 0, 1)), (0, 0, 0))
POINTS = np.array([(1.0, 2.0, 3.0), (-40.0, 8.0, 120.0), (0.0, 0.0, 0.0)])


def moved(degrees=37.0) -> RigidTransform:
    return RigidTransform.about((10, -20, 90), axis=(1, 2, -2), degrees=degrees, shift=(3, -4, 12))


def test_a_turn_about_a_point_moves_points_as_simpleitk_does():
    # Peer: SimpleITK VersorRigid3DTransform with the same centre, axis, angle and shift.
    peer = SimpleITK.VersorRigid3DTransform()
    peer.SetCenter((10, -20, 90))
    peer.SetRotation((1, 2, -2), math.radians(37.0))
    peer.SetTranslation((3, -4, 12))
    expected = [peer.TransformPoint(point.tolist()) for point in POINTS]
    np.testing.assert_allclose(moved().apply(POINTS), expected, atol=1e-9)


@pytest.mark.parametrize("degrees", [0.0, 1e-5, 37.0, 90.0, 180.0])
def test_the_angle_of_a_turn_is_given_back(degrees):
    assert moved(degrees).degrees == pytest.approx(degrees, abs=1e-9)


def test_there_and_back_and_two_in_a_row():
    motion, other = moved(), RigidTransform.about((0, 0, 0), axis=(0, 0, 1), degrees=-70)
    np.testing.assert_allclose(motion.inverse.apply(motion.apply(POINTS)), POINTS, atol=1e-9)
    np.testing.assert_allclose(
        motion.then(other).apply(POINTS), other.apply(motion.apply(POINTS)), atol=1e-9
    )
    difference = motion.apply(POINTS)[1] - motion.apply(POINTS)[0]
    np.testing.assert_allclose(motion.turn(POINTS[1] - POINTS[0]), difference, atol=1e-9)


@pytest.mark.parametrize(
    ("rotation", "what"),
    [
        (((2, 0, 0), (0, 1, 0), (0, 0, 1)), "no rotation"),
        (((-1, 0, 0), (0, 1, 0), (0, 0, 1)), "mirrors"),
        (((math.nan, 0, 0), (0, 1, 0), (0, 0, 1)), "no rotation"),
        (((1, 0), (0, 1)), "no rotation"),
    ],
)
def test_what_is_no_rotation_is_refused(rotation, what):
    with pytest.raises(InvalidInput, match=what):
        RigidTransform(rotation, (0, 0, 0))


def test_a_shift_must_be_finite():
    with pytest.raises(InvalidInput, match="translation"):
        RigidTransform(STILL.rotation, (0, math.inf, 0))


def test_backing_out_is_positive_along_the_axis():
    # Hand-worked: 3 mm along, 4 mm across, 5 mm in space.
    found = migration(
        (0, 0, 0), (3, 4, 0), axis=(2, 0, 0), to_first=STILL, residual_mm=0.4, slice_pitch_mm=3.3
    )
    assert (found.along_mm, found.across_mm, found.distance_mm) == (3.0, 4.0, 5.0)
    assert found.residual_mm == 0.4
    assert found.is_detectable
    sunk = migration(
        (0, 0, 0), (-3, 0, 0), axis=(1, 0, 0), to_first=STILL, residual_mm=0.4, slice_pitch_mm=3.3
    )
    assert (sunk.along_mm, sunk.across_mm) == (-3.0, 0.0)


def test_motion_of_the_whole_bone_is_no_migration():
    tip = np.array([[12.0, 30.0, -5.0]])
    bone = moved()
    found = migration(
        tip[0],
        bone.apply(tip)[0],
        axis=(1, 1, 0),
        to_first=bone.inverse,
        residual_mm=0.0,
        slice_pitch_mm=3.0,
    )
    assert found.distance_mm == pytest.approx(0, abs=1e-9)
    assert not found.is_detectable


@pytest.mark.parametrize(("distance", "detectable"), [(1.64, False), (1.65, True)])
def test_less_than_half_a_slice_cannot_be_told_from_none(distance, detectable):
    found = migration(
        (0, 0, 0),
        (0, distance, 0),
        axis=(1, 0, 0),
        to_first=STILL,
        residual_mm=0,
        slice_pitch_mm=3.3,
    )
    assert found.detectable_from_mm == 1.65
    assert found.is_detectable is detectable


def test_a_motion_within_the_error_of_the_registration_is_not_detectable():
    # Hand-worked: half of 2.4 mm and twice 0.8 mm are 1.2 and 1.6 mm, together 2.0 mm.
    found = {
        moved_mm: migration(
            (0, 0, 0),
            (0, moved_mm, 0),
            axis=(1, 0, 0),
            to_first=STILL,
            residual_mm=0.8,
            slice_pitch_mm=2.4,
        )
        for moved_mm in (1.5, 2.1)
    }
    assert found[1.5].detectable_from_mm == pytest.approx(2.0)
    assert not found[1.5].is_detectable
    assert found[2.1].is_detectable


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("anchor", [Anchor(0.0, 3.0), Anchor(12.0, -6.0, tilt_deg=-15.0)])
def test_an_anchor_of_the_phantom_backs_out_by_what_it_was_pulled(side, anchor):
    # Truth: the phantom's own pull-out of 4 mm along the anchor, outwards; the shoulder has
    # been moved as a whole meanwhile, which the registration undoes.
    spec = ShoulderSpec.vary(5, side)
    pulled = replace(anchor, pull_out_mm=4.0)
    (before,), (after,) = (
        anchors(spec.with_condition(Condition(anchors=(each,)))) for each in (anchor, pulled)
    )
    bone = moved(12.0)
    found = migration(
        before.head,
        bone.apply([after.head])[0],
        axis=np.subtract(before.head, before.tip),
        to_first=bone.inverse,
        residual_mm=0.2,
        slice_pitch_mm=3.3,
    )
    assert after.displacement_mm == pytest.approx(4.0)
    assert found.along_mm == pytest.approx(4.0, abs=1e-6)
    assert found.across_mm == pytest.approx(0.0, abs=1e-6)
    assert found.is_detectable


@pytest.mark.parametrize(
    ("residual", "pitch"), [(-0.1, 3), (0.1, 0), (math.nan, 3), (0.1, math.inf)]
)
def test_migration_needs_its_limits(residual, pitch):
    with pytest.raises(InvalidInput):
        migration(
            (0, 0, 0),
            (1, 0, 0),
            axis=(1, 0, 0),
            to_first=STILL,
            residual_mm=residual,
            slice_pitch_mm=pitch,
        )
