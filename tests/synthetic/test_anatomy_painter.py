"""The phantom is one function of position, however it is asked."""

from __future__ import annotations

import numpy as np
import pytest

from synthetic_scans.phantom.shoulder import Phantom
from synthetic_scans.phantom.tissue import Tissue
from synthetic_scans.planes import frames
from synthetic_scans.spec import (
    Anchor,
    Condition,
    FullThicknessDefect,
    MuscleState,
    PartialDefect,
    ShoulderSpec,
    SignalChange,
)

TORN = Condition(
    defect=FullThicknessDefect(16, 24, centre_mm=1, shape="u"),
    bursal_fluid_mm=1.5,
    joint_fluid_mm=1.0,
    supraspinatus=MuscleState(0.6, 0.3, 8),
    anchors=(
        Anchor(-4, 6, material="titanium", bloom_mm=3),
        Anchor(5, -6, fluid_mm=8, fluid_length_mm=12, tunnel_mm=6),
    ),
)
HEALING = Condition(
    partial=PartialDefect("articular", 2, 10, 9),
    signal=SignalChange(0.6),
    thickness_mm=4.0,
    scar_mm=12,
)


def lattice(spec: ShoulderSpec, plane: str, offset: float, shape=(70, 76, 3)):
    frame = frames(spec)[plane]
    steps = (frame.column * 1.9, frame.row * 1.7, frame.normal * 0.8)
    centre = frame.centre + offset * frame.normal
    origin = centre - sum(0.5 * n * step for n, step in zip(shape, steps, strict=True))
    index = np.stack(np.meshgrid(*map(np.arange, shape), indexing="ij"), -1).reshape(-1, 3)
    return origin, steps, shape, origin + index @ np.stack(steps)


@pytest.mark.parametrize("plane", ["coronal_oblique", "sagittal_oblique", "axial"])
@pytest.mark.parametrize(
    "spec",
    [
        ShoulderSpec(condition=TORN),
        ShoulderSpec.vary(11, "left").with_condition(HEALING),
    ],
    ids=["torn", "healing"],
)
def test_lattice_and_points_agree(spec: ShoulderSpec, plane: str) -> None:
    """Block culling must not change a single sample more than 0.1 micrometre from a surface."""
    phantom = Phantom(spec)
    for offset in (-20.0, 3.0, 16.0):
        origin, steps, shape, points = lattice(spec, plane, offset)
        by_block = phantom.sample_lattice(origin, *steps, shape)
        by_point = phantom.sample(points)
        assert by_block.tissue.shape == by_point.tissue.shape == (np.prod(shape),)
        same = by_block.tissue == by_point.tissue
        at_surface = {
            (int(index), int(tissue))
            for shift in np.vstack([np.eye(3), -np.eye(3)]) * 1e-4
            for index, tissue in zip(
                np.flatnonzero(~same), phantom.sample(points[~same] + shift).tissue, strict=True
            )
        }
        assert {(int(i), int(by_block.tissue[i])) for i in np.flatnonzero(~same)} <= at_surface
        assert same.mean() > 0.999
        for one, other in (
            (by_block.fat_fraction, by_point.fat_fraction),
            (by_block.tendon_signal, by_point.tendon_signal),
        ):
            assert np.quantile(np.abs(one - other)[same], 0.999) < 1e-3


def test_a_lattice_may_be_smaller_than_a_block() -> None:
    phantom = Phantom(ShoulderSpec())
    step = np.array([0.5, 0, 0]), np.array([0, 0.5, 0]), np.array([0, 0, 0.5])
    one = phantom.sample_lattice(phantom.joint.origin, *step, (1, 1, 1))
    assert one.tissue.tolist() == [Tissue.MARROW]


def test_a_repeated_lattice_row_needs_no_step() -> None:
    phantom = Phantom(ShoulderSpec())
    step = np.array([0.5, 0, 0]), np.array([0, 0.5, 0]), np.zeros(3)
    flat = phantom.sample_lattice(phantom.joint.origin, *step, (4, 4, 2))
    assert flat.tissue.tolist() == [Tissue.MARROW] * 32


def test_samples_have_their_stated_types_and_ranges() -> None:
    spec = ShoulderSpec(condition=HEALING)
    origin, steps, shape, _ = lattice(spec, "coronal_oblique", 0.0)
    sample = Phantom(spec).sample_lattice(origin, *steps, shape)
    assert (sample.tissue.dtype, sample.fat_fraction.dtype, sample.tendon_signal.dtype) == (
        np.uint8,
        np.float32,
        np.float32,
    )
    for share in (sample.fat_fraction, sample.tendon_signal):
        assert 0 <= share.min() < share.max() <= 1
    muscle = sample.tissue == Tissue.MUSCLE
    tendon = np.isin(sample.tissue, (Tissue.TENDON, Tissue.SCAR))
    assert not sample.fat_fraction[~muscle].any()
    assert not sample.tendon_signal[~tendon].any()


def test_left_and_right_are_mirror_images() -> None:
    left = ShoulderSpec.vary(6, "left").with_condition(TORN)
    right = ShoulderSpec.vary(6, "right").with_condition(TORN)
    points = left.head_centre_mm + np.random.default_rng(3).uniform(-70, 70, (40000, 3))
    one, other = Phantom(left).sample(points), Phantom(right).sample(points * [-1, 1, 1])
    assert np.mean(one.tissue != other.tissue) < 2e-4


def test_every_tissue_of_a_shoulder_is_present() -> None:
    spec = ShoulderSpec(condition=TORN)
    found = set()
    for plane in frames(spec):
        for offset in (-24.0, -12.0, -4.0, 0.0, 4.0, 12.0, 24.0):
            origin, steps, shape, _ = lattice(spec, plane, offset)
            found |= set(Phantom(spec).sample_lattice(origin, *steps, shape).tissue.tolist())
    assert set(Tissue) - {Tissue(code) for code in found} == {Tissue.SCAR, Tissue.GRANULATION}
