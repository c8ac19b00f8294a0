"""Noise against the Rice distribution of scipy, the NEMA difference method and closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import rice

from synthetic_scans.phantom.tissue import Tissue
from synthetic_scans.planes import PlaneFrame
from synthetic_scans.scanner import Acquisition, Artefacts, Stack, Weighting, acquire
from synthetic_scans.scanner.noise import magnitude, rician_mean
from synthetic_scans.scanner.signal import reference_signal
from synthetic_scans.scanner.targets import uniform

FRAME = PlaneFrame("axial", np.array([1.0, 0, 0]), np.array([0, 1.0, 0]), np.zeros(3))


def block(snr: float, seed: int = 0, tissue: Tissue = Tissue.MUSCLE, **how: object) -> Stack:
    usual = {"n_slices": 4, "matrix": (128, 128), "samples": 1, "gain": 4000.0}
    acquisition = Acquisition("axial", snr=snr, **(usual | how))
    return acquire(uniform(tissue), acquisition, FRAME, np.random.default_rng(seed))


@pytest.mark.parametrize("ratio", [0.0, 0.5, 1.0, 2.0, 3.0, 10.0])
def test_closed_form_mean_is_that_of_the_rice_distribution(ratio: float) -> None:
    """Gudbjartsson and Patz 1995; reference: scipy.stats.rice."""
    assert rician_mean(ratio * 1.7, 1.7) == pytest.approx(rice(ratio).mean() * 1.7, rel=1e-9)


def test_closed_form_mean_tends_to_the_signal_without_overflow() -> None:
    """For strong signal the mean is A + sigma^2 / (2 A) (Gudbjartsson and Patz 1995)."""
    assert rician_mean(2000.0, 1.0) == pytest.approx(2000.0 + 1 / 4000, rel=1e-9)


def test_mean_without_signal_is_that_of_rayleigh() -> None:
    assert rician_mean(0.0, 2.0) == pytest.approx(2.0 * math.sqrt(math.pi / 2), rel=1e-12)
    with pytest.raises(ValueError, match="above 0"):
        rician_mean(1.0, 0.0)


@pytest.mark.parametrize(
    ("weighting", "tissue", "snr"),
    [
        (Weighting.PD_FAT_SUPPRESSED, Tissue.MUSCLE, 20.0),
        (Weighting.PD_FAT_SUPPRESSED, Tissue.FLUID, 60.0),
        (Weighting.T1, Tissue.FAT, 35.0),
        (Weighting.STIR, Tissue.CARTILAGE, 15.0),
    ],
)
def test_snr_by_the_difference_of_two_images_is_as_requested(
    weighting: Weighting, tissue: Tissue, snr: float
) -> None:
    """NEMA MS 1, method 1: sqrt(2) times the mean over the deviation of the difference."""
    how = {"weighting": weighting, "snr_tissue": tissue}
    first, second = (block(snr, seed, tissue, **how).pixels.astype(np.float64) for seed in (1, 2))
    region = np.s_[:, 16:112, 16:112]
    found = math.sqrt(2) * first[region].mean() / (first - second)[region].std(ddof=1)
    # 36 864 pixels: relative standard error of the deviation 0.4 %; Rician bias below 0.3 %.
    assert found == pytest.approx(snr, rel=0.02)


@pytest.mark.parametrize("snr", [1.0, 2.0, 3.0, 8.0])
def test_bias_of_weak_signal_is_rician(snr: float) -> None:
    stack = block(snr)
    expected = rice(snr).mean() * stack.sigma
    error = stack.sigma / math.sqrt(stack.pixels.size)
    assert stack.pixels.mean() == pytest.approx(expected, abs=4 * error)


def test_background_is_rayleigh() -> None:
    stack = block(10.0, tissue=Tissue.AIR)
    pixels = stack.pixels.astype(np.float64)
    assert pixels.mean() == pytest.approx(stack.sigma * math.sqrt(math.pi / 2), rel=0.01)
    assert pixels.var() == pytest.approx((2 - math.pi / 2) * stack.sigma**2, rel=0.02)


def test_sigma_is_the_reference_signal_over_the_snr() -> None:
    stack = block(25.0)
    assert stack.sigma == pytest.approx(reference_signal(stack.acquisition) / 25 * 4000)


def test_without_noise_the_pixels_are_the_signal_and_negative_signal_is_folded() -> None:
    acquisition = Acquisition(
        "axial", Weighting.STIR, snr=None, n_slices=1, matrix=(8, 8), inversion_ms=100.0
    )
    fat = acquire(uniform(Tissue.FAT), acquisition, FRAME, np.random.default_rng(0))
    assert fat.sigma == 0
    assert np.unique(fat.pixels).size == 1
    assert fat.pixels[0, 0, 0] > 100
    assert magnitude(np.float32([-2.0]), 0.0, np.random.default_rng(0)) == 2


def test_noise_depends_on_the_seed_only() -> None:
    """Not on the number of threads, nor on slices that were lost."""
    frame, target = FRAME, uniform(Tissue.MUSCLE)
    acquisition = Acquisition("axial", n_slices=9, matrix=(16, 16))
    lost_two = Artefacts(missing_slices=(2, 5))
    gappy = Acquisition("axial", n_slices=9, matrix=(16, 16), artefacts=lost_two)
    one, two = (
        acquire(target, acquisition, frame, np.random.default_rng(5), workers=n) for n in (1, 3)
    )
    lost = acquire(target, gappy, frame, np.random.default_rng(5))
    assert np.array_equal(one.pixels, two.pixels)
    assert np.array_equal(lost.pixels, one.pixels[[0, 1, 3, 4, 6, 7, 8]])
    assert not np.array_equal(one.pixels[0], one.pixels[1])


def test_bright_signal_saturates_at_twelve_bits() -> None:
    assert block(1000.0, tissue=Tissue.FLUID, gain=20000.0).pixels.max() == 4095
