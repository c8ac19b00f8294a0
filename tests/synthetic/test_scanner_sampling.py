"""Partial volume and geometry: analytic voxel fractions, the NEMA wedge, points found again."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from scipy.special import erf

from synthetic_scans.phantom.tissue import Tissue
from synthetic_scans.planes import PLANES, PlaneFrame, frames
from synthetic_scans.scanner import Acquisition, Artefacts, Stack, Weighting, acquire
from synthetic_scans.scanner.sampling import voxel_offsets
from synthetic_scans.scanner.signal import tissue_signals
from synthetic_scans.scanner.targets import Target, ball, fatty_ramp, half_space, uniform
from synthetic_scans.spec import ShoulderSpec

FRAME = PlaneFrame("axial", np.array([1.0, 0, 0]), np.array([0, 1.0, 0]), np.array([3.0, -2, 7]))
CLEAN = {"snr": None, "gain": 4000.0, "weighting": Weighting.PD}


def scan(target: Target, acquisition: Acquisition, frame: PlaneFrame = FRAME) -> Stack:
    return acquire(target, acquisition, frame, np.random.default_rng(0))


def share_below(level: np.ndarray, widths: tuple[float, float, float]) -> np.ndarray:
    """Share of a box with projected widths a, b, c that lies below a plane at `level`.

    Distribution of the sum of three uniform variables (Feller, An Introduction to Probability
    Theory, volume II, section I.9).
    """
    total = np.zeros_like(level)
    for signs in itertools.product((-1, 1), repeat=3):
        reach = level + sum(s * w for s, w in zip(signs, widths, strict=True)) / 2
        total += math.prod(signs) * np.maximum(reach, 0) ** 3
    return total / (6 * math.prod(widths))


@pytest.mark.parametrize("normal", [(0.6, 0.3, 0.742), (-0.2, 0.9, 0.387), (0.3, -0.25, -0.92)])
def test_voxels_cut_by_an_oblique_plane_hold_their_analytic_share(
    normal: tuple[float, float, float],
) -> None:
    direction = np.array(normal) / np.linalg.norm(normal)
    sampling = {"matrix": (40, 48), "fov_mm": (40.0, 60.0), "n_slices": 3, "thickness_mm": 3.5}
    target = half_space(FRAME.centre, direction, Tissue.FLUID)
    errors = {}
    for samples in (8, 64, 512):
        stack = scan(target, Acquisition("axial", samples=samples, **sampling, **CLEAN))
        slices, rows, columns = np.indices(stack.pixels.shape)
        centres = stack.to_patient(np.stack((slices, rows, columns), axis=-1))
        level = -(centres - FRAME.centre) @ direction
        widths = tuple(np.abs(direction) * (60 / 48, 1.0, 3.5))
        full = float(tissue_signals(stack.acquisition).water[Tissue.FLUID]) * 4000
        share = stack.pixels / full
        expected = share_below(level, widths)
        cut = (expected > 0.001) & (expected < 0.999)
        assert cut.sum() > 200
        assert np.abs(share - expected)[~cut].max() < 1.1 / samples
        errors[samples] = np.sqrt(np.mean((share - expected)[cut] ** 2))
    assert errors[8] < 0.08
    assert errors[64] < 0.02
    assert errors[512] < 0.005


@pytest.mark.parametrize(
    "gradient", [(0.004, 0, 0), (0, 0.003, 0), (0, 0, 0.05), (0.002, -0.001, 0.03)]
)
def test_a_linear_ramp_is_seen_at_the_voxel_centre(gradient: tuple[float, float, float]) -> None:
    """The mean of a linear function over any symmetric voxel is its value at the centre."""
    acquisition = Acquisition("axial", n_slices=3, matrix=(32, 32), samples=8, **CLEAN)
    stack = scan(fatty_ramp(FRAME.centre, gradient), acquisition)
    centres = stack.to_patient(np.stack(np.indices(stack.pixels.shape), axis=-1))
    fat = 0.5 + (centres - FRAME.centre) @ np.array(gradient)
    signals = tissue_signals(acquisition)
    muscle = float(signals.water[Tissue.MUSCLE])
    expected = (muscle + fat * sum(signals.fat_in_muscle)) * 4000
    assert stack.pixels == pytest.approx(expected, abs=0.51)


def wedge_profile(acquisition: Acquisition, slope: float) -> tuple[np.ndarray, np.ndarray]:
    """Positions (mm through the slice) and edge response of a wedge seen in one slice."""
    normal = np.array([-slope, 0.0, 1.0]) / math.hypot(slope, 1.0)
    stack = scan(half_space(FRAME.centre, normal, Tissue.FLUID), acquisition)
    full = float(tissue_signals(acquisition).water[Tissue.FLUID]) * acquisition.gain
    along = stack.to_patient(np.column_stack((np.zeros(256), np.zeros(256), np.arange(256))))
    return (along[:, 0] - FRAME.centre[0]) * slope, stack.pixels[0].mean(axis=0) / full


@pytest.mark.parametrize("thickness", [2.0, 4.0])
def test_wedge_gives_back_the_slice_thickness(thickness: float) -> None:
    """NEMA MS 5: full width at half maximum of the derivative of a wedge's edge response."""
    acquisition = Acquisition(
        "axial", n_slices=1, matrix=(2, 256), fov_mm=(1.0, 64.0), thickness_mm=thickness,
        samples=256, **CLEAN,
    )  # fmt: skip
    place, response = wedge_profile(acquisition, slope=0.2)
    profile = np.gradient(response, place)
    inside = place[profile > profile.max() / 2]
    width = inside[-1] - inside[0] + (place[1] - place[0])
    assert width == pytest.approx(thickness, abs=0.1)
    ramp = np.clip(0.5 + place / thickness, 0, 1)
    assert response == pytest.approx(ramp, abs=0.01)


def test_gaussian_profile_has_an_error_function_edge() -> None:
    acquisition = Acquisition(
        "axial", n_slices=1, matrix=(2, 256), fov_mm=(1.0, 64.0), thickness_mm=4.0,
        samples=512, profile="gaussian", **CLEAN,
    )  # fmt: skip
    place, response = wedge_profile(acquisition, slope=0.2)
    deviation = 4.0 / math.sqrt(8 * math.log(2))
    assert response == pytest.approx(0.5 + 0.5 * erf(place / deviation / math.sqrt(2)), abs=0.01)


def test_offsets_average_to_the_centre_and_fill_the_voxel() -> None:
    acquisition = Acquisition("axial", samples=32, thickness_mm=4.0, fov_mm=(320.0, 640.0))
    offsets = voxel_offsets(acquisition)
    assert offsets.mean(axis=0) == pytest.approx((0, 0, 0), abs=1e-12)
    # Standard deviation of a uniform distribution: width / sqrt(12).
    assert offsets.std(axis=0) == pytest.approx(np.array([4, 1, 2]) / math.sqrt(12), rel=0.05)


@pytest.mark.parametrize("side", ["right", "left"])
@pytest.mark.parametrize("plane", PLANES)
def test_a_ball_is_found_where_it_is_in_the_patient(plane: str, side: str) -> None:
    frame = frames(ShoulderSpec.vary(3, side))[plane]
    centre = frame.centre + 6.3 * frame.row - 9.1 * frame.column + 4.4 * frame.normal
    acquisition = Acquisition(
        plane, n_slices=10, matrix=(64, 80), fov_mm=(64.0, 80.0), samples=16, **CLEAN
    )
    stack = scan(ball(centre, 9.0, Tissue.FLUID), acquisition, frame)
    points = stack.to_patient(np.stack(np.indices(stack.pixels.shape), axis=-1))
    weight = stack.pixels / stack.pixels.sum()
    found = np.tensordot(weight, points, axes=3)
    assert found == pytest.approx(centre, abs=0.08)
    volume = stack.pixels.sum() / stack.pixels.max() * 1.0 * 1.0 * stack.spacing
    assert volume == pytest.approx(4 / 3 * math.pi * 9**3, rel=0.03)


def test_patient_and_index_are_inverse() -> None:
    frame = frames(ShoulderSpec())["sagittal_oblique"]
    acquisition = Acquisition("sagittal_oblique", n_slices=4, matrix=(32, 48), samples=1)
    stack = scan(uniform(Tissue.MUSCLE), acquisition, frame)
    point = stack.to_patient([2, 10.25, 30.5]) + 0.7 * stack.normal
    assert stack.to_index(point[None])[2, 0] == pytest.approx((10.25, 30.5, 0.7), abs=1e-9)
    assert stack.to_index(point[None])[1, 0, 2] == pytest.approx(0.7 + stack.spacing)
    assert (stack.thickness, stack.spacing) == (3.0, pytest.approx(3.3))


def test_lost_slices_leave_a_gap_in_the_positions() -> None:
    acquisition = Acquisition(
        "axial", n_slices=6, matrix=(8, 8), artefacts=Artefacts(missing_slices=(2, 3))
    )
    stack = scan(uniform(Tissue.MUSCLE), acquisition)
    assert stack.slice_numbers == (0, 1, 4, 5)
    steps = np.diff(stack.positions @ stack.normal)
    assert steps == pytest.approx((3.3, 9.9, 3.3))


def test_frame_and_prescription_must_agree() -> None:
    with pytest.raises(ValueError, match=r"coronal_oblique, found axial"):
        scan(uniform(Tissue.MUSCLE), Acquisition("coronal_oblique"))


def test_target_answers_points_and_lattices_alike() -> None:
    target = fatty_ramp((0, 0, 0), (0.01, 0.02, 0.03))
    steps = np.diag([1.0, 2.0, 3.0])
    lattice = target.sample_lattice(np.ones(3), *steps, (2, 3, 4))
    points = np.stack(np.meshgrid(*map(np.arange, (2, 3, 4)), indexing="ij"), -1).reshape(-1, 3)
    single = target.sample(points @ steps + 1)
    assert np.array_equal(lattice.fat_fraction, single.fat_fraction)
