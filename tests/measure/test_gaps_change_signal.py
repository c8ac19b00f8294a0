"""Slices with a gap in millimetres, detectable change, signal of regions."""

from __future__ import annotations

import math
import statistics

import numpy as np
import pytest

from imgtrack.domain.errors import InvalidInput, Refused
from imgtrack.measure.change import Direction, compare, smallest_detectable_change
from imgtrack.measure.gaps import gap_slices, same_slicing
from imgtrack.measure.signal import (
    RegionSignal,
    region_signal,
    signal_noise_quotient,
    signal_ratio,
)


@pytest.mark.parametrize(
    ("thickness", "gap", "tissue", "pitch"), [(4, 0.4, 8.4, 8.8), (3, 0.3, 6.3, 6.6)]
)
def test_two_slices_stand_for_the_millimetres_of_the_trade(thickness, gap, tissue, pitch):
    # At 4 mm + 0.4 mm two slices are 8.4 mm of tissue and 8.8 mm of pitch; at 3 + 0.3, 6.3 and 6.6.
    found = gap_slices([5, 6], pitch_mm=thickness + gap, thickness_mm=thickness)
    assert found.count == 2
    assert found.tissue_extent_mm == pytest.approx(tissue, abs=1e-12)
    assert found.pitch_extent_mm == pytest.approx(pitch, abs=1e-12)


def test_runs_are_kept_apart_and_the_longest_is_measured():
    found = gap_slices([9, 3, 4, 5, 11, 4], pitch_mm=3.3, thickness_mm=3.0)
    assert found.count == 5
    assert found.runs == ((3, 5), (9, 9), (11, 11))
    assert found.pitch_extent_mm == pytest.approx(9.9)
    assert found.tissue_extent_mm == pytest.approx(9.6)


def test_no_gap_is_no_millimetre():
    found = gap_slices([], pitch_mm=3.3, thickness_mm=3.0)
    assert (found.count, found.runs) == (0, ())
    extents = found.pitch_extent_mm, found.tissue_extent_mm, found.at_least_mm, found.at_most_mm
    assert extents == (0, 0, 0, 0)


@pytest.mark.parametrize(
    ("pitch", "thickness"), [(4.4, 4.0), (3.3, 3.0), (3.0, 3.0), (2.0, 3.0), (5.0, 2.0)]
)
def test_bounds_hold_for_every_place_of_a_gap(pitch, thickness):
    # Slices counted by brute force: a slice shows a gap when its slab overlaps it.
    rng = np.random.default_rng(11)
    centres = pitch * np.arange(60)
    for length in rng.uniform(0.1, 40, 300):
        start = rng.uniform(30, 70)
        shown = (centres + thickness / 2 > start) & (centres - thickness / 2 < start + length)
        found = gap_slices(np.flatnonzero(shown).tolist(), pitch_mm=pitch, thickness_mm=thickness)
        if found.count:
            assert found.at_least_mm <= length <= found.at_most_mm


def test_impossible_slices_are_refused_together():
    with pytest.raises(InvalidInput) as caught:
        gap_slices([-1, -2, 3], pitch_mm=0, thickness_mm=math.nan)
    assert len(caught.value.faults) == 4


def test_counts_of_differently_cut_scans_are_not_alike():
    def cut(pitch, thickness):
        return gap_slices([1], pitch_mm=pitch, thickness_mm=thickness)

    assert same_slicing(cut(3.3, 3.0), cut(3.35, 3.0))
    assert not same_slicing(cut(3.3, 3.0), cut(4.4, 4.0))
    assert not same_slicing(cut(3.3, 3.0), cut(3.3, 2.5))


def test_smallest_detectable_change_of_the_trade():
    # SEM 1.5 mm -> 4.16 mm (1.96 sqrt 2 SEM).
    assert round(smallest_detectable_change(1.5), 2) == 4.16
    assert smallest_detectable_change(0) == 0
    # Peer: 90 % quantile 1.6449 from tables of the normal distribution.
    assert smallest_detectable_change(1, level=0.9) == pytest.approx(
        1.6449 * math.sqrt(2), abs=1e-4
    )


@pytest.mark.parametrize(
    ("sem", "level"), [(-1, 0.95), (math.inf, 0.95), (1, 0), (1, 1), (math.nan, 0.9)]
)
def test_impossible_errors_are_refused(sem, level):
    with pytest.raises(InvalidInput):
        smallest_detectable_change(sem, level=level)


@pytest.mark.parametrize(
    ("later", "direction"),
    [
        (16.0, Direction.LARGER),
        (14.0, Direction.NOT_DETECTABLE),
        (6.0, Direction.NOT_DETECTABLE),
        (5.9, Direction.SMALLER),
    ],
)
def test_a_change_counts_beyond_the_smallest_detectable(later, direction):
    change = compare(10.0, later, smallest_detectable=4.0)
    assert change.direction is direction
    assert change.difference == pytest.approx(later - 10)
    assert change.smallest_detectable == 4.0


@pytest.mark.parametrize("numbers", [(math.nan, 1, 1), (1, math.inf, 1), (1, 1, -0.1)])
def test_a_change_needs_numbers(numbers):
    with pytest.raises(InvalidInput):
        compare(*numbers[:2], smallest_detectable=numbers[2])


def test_region_signal_is_the_mean_and_sample_deviation_of_its_voxels():
    # Peer: the standard library's statistics module.
    rng = np.random.default_rng(3)
    image = rng.integers(0, 500, (4, 20, 30))
    mask = rng.random(image.shape) > 0.7
    found = region_signal(image, mask)
    inside = image[mask].tolist()
    assert found.mean == pytest.approx(statistics.mean(inside), rel=1e-12)
    assert found.sd == pytest.approx(statistics.stdev(inside), rel=1e-12)
    assert found.voxels == len(inside)


def test_a_single_voxel_has_no_deviation():
    assert region_signal([7.0]) == RegionSignal(7.0, None, 1)


@pytest.mark.parametrize(
    ("values", "mask", "what"),
    [([1, 2], [True], "fit"), ([1, 2], [False, False], "empty"), ([1, math.nan], None, "finite")],
)
def test_what_is_no_region_is_refused(values, mask, what):
    with pytest.raises(InvalidInput, match=what):
        region_signal(values, mask)


def region(mean: float) -> RegionSignal:
    return RegionSignal(mean, 1.0, 20)


def test_ratio_and_quotient():
    # Weiler A et al. Am J Sports Med 2001;29:751-61: (tendon - reference) / background.
    assert signal_noise_quotient(region(130), region(80), region(10)) == 5.0
    assert signal_ratio(region(130), region(65)) == 2.0


@pytest.mark.parametrize("mean", [0.0, -2.0])
def test_a_blanked_background_or_reference_is_refused(mean):
    with pytest.raises(Refused, match="use the signal ratio"):
        signal_noise_quotient(region(130), region(80), region(mean))
    with pytest.raises(Refused, match="no signal"):
        signal_ratio(region(130), region(mean))
