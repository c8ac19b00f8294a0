"""Two-point Dixon: fat fraction, echo arithmetic and noise against closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest

from synthetic_scans.phantom.tissue import Tissue
from synthetic_scans.planes import PlaneFrame
from synthetic_scans.scanner import (
    Acquisition,
    Artefacts,
    Content,
    DixonStacks,
    FieldDrift,
    Ghosting,
    Weighting,
    acquire,
    acquire_dixon,
)
from synthetic_scans.scanner.signal import signal_fat_fraction
from synthetic_scans.scanner.targets import Target, fatty_ramp, uniform

FRAME = PlaneFrame("axial", np.array([1.0, 0, 0]), np.array([0, 1.0, 0]), np.zeros(3))


def scan(target: Target, snr: float | None = None, **how: object) -> DixonStacks:
    usual = {"n_slices": 2, "matrix": (80, 80), "samples": 2, "gain": 4000.0}
    acquisition = Acquisition("axial", Weighting.DIXON, snr=snr, **(usual | how))
    return acquire_dixon(target, acquisition, FRAME, np.random.default_rng(3))


@pytest.mark.parametrize("fat", [0.0, 0.033, 0.073, 0.3, 0.5, 1.0])
def test_fat_fraction_is_the_closed_form(fat: float) -> None:
    """3.3 and 7.3 %: controls and full tears of Davis 2019, AJR 213:1307."""
    stacks = scan(uniform(Tissue.MUSCLE, fat))
    water, oil = (stack.pixels.astype(float) for stack in (stacks.water, stacks.fat))
    expected = signal_fat_fraction(fat, stacks.water.acquisition)
    assert oil / (oil + water) == pytest.approx(expected, abs=0.001)


def test_fat_fraction_of_muscle_survives_noise() -> None:
    stacks = scan(uniform(Tissue.MUSCLE, 0.4), snr=30.0)
    water, oil = stacks.water.pixels.mean(), stacks.fat.pixels.mean()
    expected = signal_fat_fraction(0.4, stacks.water.acquisition)
    assert oil / (oil + water) == pytest.approx(expected, abs=0.003)


def test_echoes_are_sum_and_difference() -> None:
    """Dixon 1984; opposed-phase is a magnitude, so it turns up again past 50 % fat."""
    stacks = scan(fatty_ramp((0, 0, 0), (0.01, 0, 0)))
    water, fat, in_phase, opposed = (s.pixels.astype(float) for s in stacks.images)
    assert in_phase == pytest.approx(water + fat, abs=1.5)
    assert opposed == pytest.approx(np.abs(water - fat), abs=1.5)
    assert (fat > water).any()
    assert (fat < water).any()


def test_separation_averages_the_noise_of_two_echoes() -> None:
    stacks = scan(uniform(Tissue.MUSCLE), snr=40.0)
    assert stacks.water.sigma == pytest.approx(stacks.in_phase.sigma / math.sqrt(2))
    for stack in (stacks.water, stacks.in_phase):
        # 12 800 pixels: relative standard error of the deviation 0.6 %.
        assert stack.pixels.std() == pytest.approx(stack.sigma, rel=0.025)
    background = stacks.fat.pixels.mean()
    assert background == pytest.approx(stacks.fat.sigma * math.sqrt(math.pi / 2), rel=0.02)
    assert [s.content for s in stacks.images] == [
        Content.WATER, Content.FAT, Content.IN_PHASE, Content.OPPOSED_PHASE,
    ]  # fmt: skip


def test_artefacts_reach_both_images_and_suppression_none() -> None:
    ghosted = scan(uniform(Tissue.FAT), artefacts=Artefacts(ghosting=Ghosting(0.2, 7)))
    plain = scan(uniform(Tissue.FAT))
    for with_ghosts, without in zip(ghosted.images, plain.images, strict=True):
        assert with_ghosts.pixels == pytest.approx(without.pixels * 1.2, abs=1.0)
    drift = Artefacts(drift=FieldDrift((0, 0, 0), (9.0, 0, 0)))
    assert np.array_equal(scan(uniform(Tissue.FAT), artefacts=drift).fat.pixels, plain.fat.pixels)


def test_each_entry_refuses_the_other_weighting() -> None:
    rng = np.random.default_rng(0)
    with pytest.raises(ValueError, match="found dixon"):
        acquire(uniform(Tissue.FAT), Acquisition("axial", Weighting.DIXON), FRAME, rng)
    with pytest.raises(ValueError, match="found t1"):
        acquire_dixon(uniform(Tissue.FAT), Acquisition("axial", Weighting.T1), FRAME, rng)
