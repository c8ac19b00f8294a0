"""Imaging planes: orthonormal, directed as the trade expects, mirrored between sides."""

from __future__ import annotations

import numpy as np
import pytest

from synthetic_scans.planes import PLANES, frames, joint_frame
from synthetic_scans.spec import ShoulderSpec

MIRROR = np.array([-1.0, 1.0, 1.0])


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("seed", range(5))
def test_axes_are_orthonormal_and_point_the_conventional_way(side, seed: int) -> None:
    """Coronal rows run towards patient left, sagittal rows and axial columns towards the back,
    other columns towards the feet (DICOM PS3.3 C.7.6.2.1.1: +x left, +y posterior, +z head)."""
    x, y, z = np.eye(3)
    towards = {"coronal_oblique": (x, -z), "sagittal_oblique": (y, -z), "axial": (x, y)}
    built = frames(ShoulderSpec.vary(seed, side))
    assert tuple(built) == PLANES
    for name, frame in built.items():
        axes = np.stack([frame.row, frame.column, frame.normal])
        assert axes @ axes.T == pytest.approx(np.eye(3), abs=1e-12)
        row, column = towards[name]
        assert frame.row @ row > 0.7
        assert frame.column @ column > 0.7


@pytest.mark.parametrize("side", ["left", "right"])
def test_joint_axes_point_laterally_backwards_and_up(side) -> None:
    lateral, posterior, superior = joint_frame(ShoulderSpec.vary(2, side)).axes
    assert lateral[0] * (1 if side == "left" else -1) > 0.7
    assert posterior[1] > 0.7
    assert superior[2] > 0.9


def test_scapular_angle_is_the_angle_to_the_coronal_plane() -> None:
    spec = ShoulderSpec(scapular_angle_deg=33, upward_rotation_deg=0, anterior_tilt_deg=0)
    lateral = joint_frame(spec).axes[0]
    assert np.degrees(np.arcsin(-lateral[1])) == pytest.approx(33)


def test_sides_are_mirror_images() -> None:
    left, right = (frames(ShoulderSpec.vary(3, side)) for side in ("left", "right"))
    for name in PLANES:
        assert left[name].centre == pytest.approx(right[name].centre * MIRROR)
        turned = np.cross(right[name].row, right[name].column) * MIRROR
        assert np.abs(left[name].normal @ turned) == pytest.approx(1)


def test_patient_and_joint_coordinates_are_inverse() -> None:
    joint = joint_frame(ShoulderSpec.vary(1, "right"))
    points = np.random.default_rng(0).normal(0, 50, (20, 3))
    assert joint.to_joint(joint.to_patient(points)) == pytest.approx(points)
    assert joint.to_patient(np.zeros(3)) == pytest.approx(joint.origin)
