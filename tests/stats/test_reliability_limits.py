"""Limits of agreement."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from imgtrack.domain.errors import InvalidInput
from imgtrack.stats.reliability import bland_altman

Z = stats.norm.ppf(0.975)


def pairs(seed, n=40, *, bias=0.5, sd=1.0):
    rng = np.random.default_rng(seed)
    truth = rng.uniform(5, 30, n)
    return truth + bias + rng.normal(0, sd, n), truth


def repeated(seed, n=15, *, between=0.8, within=0.5, low=2, high=5):
    rng = np.random.default_rng(seed)
    subjects = np.repeat(np.arange(n), rng.integers(low, high + 1, n))
    gaps = rng.normal(0.3, between, n)[subjects] + rng.normal(0, within, subjects.size)
    return gaps, np.zeros(subjects.size), subjects


def test_one_pair_per_subject_is_mean_and_sd_of_the_differences():
    a, b = pairs(1)
    found = bland_altman(a, b, level=0.9)
    test = stats.ttest_1samp(a - b, 0).confidence_interval(0.9)
    assert (found.bias.low, found.bias.high) == pytest.approx(tuple(test))
    assert found.sd.estimate == pytest.approx(np.std(a - b, ddof=1))
    chi_square = stats.chi2.ppf([0.95, 0.05], 39)
    expected = found.sd.estimate * np.sqrt(39 / chi_square)
    assert (found.sd.low, found.sd.high) == pytest.approx(tuple(expected))
    assert found.upper.estimate == pytest.approx(found.bias.estimate + Z * found.sd.estimate)
    assert (found.n_subjects, found.n_pairs) == (40, 40)


def test_exact_limits_are_quantiles_of_the_noncentral_t():
    a, b = pairs(2, 12)
    found = bland_altman(a, b)
    n, sd = 12, found.sd.estimate
    factors = stats.nct.ppf([0.025, 0.975], n - 1, Z * math.sqrt(n)) / math.sqrt(n)
    expected = found.bias.estimate + factors * sd
    assert (found.upper.low, found.upper.high) == pytest.approx(tuple(expected))
    mirrored = found.bias.estimate - factors[::-1] * sd
    assert (found.lower.low, found.lower.high) == pytest.approx(tuple(mirrored))


def test_exact_and_approximate_limits_meet_in_large_samples():
    a, b = pairs(3, 4000)
    found = bland_altman(a, b)
    assert found.upper.low == pytest.approx(found.upper_approximate.low, abs=2e-3)
    assert found.upper.high == pytest.approx(found.upper_approximate.high, abs=2e-3)


def test_swapping_the_methods_mirrors_everything():
    a, b = pairs(4)
    found, swapped = bland_altman(a, b), bland_altman(b, a)
    assert swapped.bias.estimate == -found.bias.estimate
    assert (swapped.lower.low, swapped.lower.high) == pytest.approx(
        (-found.upper.high, -found.upper.low)
    )
    slope, mirrored = found.by_magnitude.bias_slope, swapped.by_magnitude.bias_slope
    assert mirrored.estimate == pytest.approx(-slope.estimate)
    assert swapped.by_magnitude.spread_slope.estimate == pytest.approx(
        found.by_magnitude.spread_slope.estimate
    )


def test_subjects_with_one_pair_each_change_nothing():
    a, b = pairs(5, 10)
    plain = bland_altman(a, b)
    for replicates in ("linked", "exchangeable"):
        named = bland_altman(a, b, subjects=[f"s{i}" for i in range(10)], replicates=replicates)
        assert named.upper.estimate == pytest.approx(plain.upper.estimate)
        assert named.upper.high == pytest.approx(plain.upper.high)
        assert named.upper.method == plain.upper.method == "limit of agreement, exact"


def test_balanced_linked_pairs_are_a_one_way_analysis_of_variance():
    gaps, zero, subjects = repeated(6, low=3, high=3)
    found = bland_altman(gaps, zero, subjects=subjects)
    grid = gaps.reshape(-1, 3)
    within = grid.var(axis=1, ddof=1).mean()
    between = 3 * grid.mean(axis=1).var(ddof=1)
    assert found.sd.estimate**2 == pytest.approx((between - within) / 3 + within)
    assert found.bias.se == pytest.approx(math.sqrt(between / gaps.size))
    assert (found.n_subjects, found.n_pairs) == (15, 45)


def test_order_of_pairs_and_names_of_subjects_do_not_matter():
    gaps, zero, subjects = repeated(7)
    found = bland_altman(gaps, zero, subjects=subjects)
    order = np.random.default_rng(1).permutation(gaps.size)
    labels = pd.Series([f"subject {99 - s}" for s in subjects])[order]
    again = bland_altman(gaps[order], zero[order], subjects=labels)
    for name in ("bias", "sd", "lower", "upper_approximate"):
        first, second = getattr(found, name), getattr(again, name)
        assert (second.estimate, second.low) == pytest.approx((first.estimate, first.low))


def test_repeated_pairs_are_not_more_subjects():
    """Copies of the same pairs must not narrow the interval of the bias."""
    a, b = pairs(8, 12)
    once = bland_altman(a, b)
    copied = bland_altman(np.tile(a, 3), np.tile(b, 3), subjects=np.tile(np.arange(12), 3))
    assert copied.bias.low == pytest.approx(once.bias.low)
    assert copied.sd.estimate == pytest.approx(once.sd.estimate)
    assert copied.n_subjects == 12


def test_exchangeable_replicates_need_not_be_paired():
    """By hand: subject means 5, 7, 3 against 4, 5.5, 3; pooled variances 0.5 and 0.5 on 1 df."""
    nan = math.nan
    a = [4.5, 5.5, nan, 7.0, nan, 3.0]
    b = [4.0, nan, nan, 5.0, 6.0, 3.0]
    subjects = [1, 1, 1, 2, 2, 3]
    found = bland_altman(a, b, subjects=subjects, replicates="exchangeable")
    gaps = np.array([1.0, 1.5, 0.0])
    assert found.bias.estimate == pytest.approx(gaps.mean())
    unequal = 1 - np.mean([1 / 2, 1, 1])
    assert found.sd.estimate**2 == pytest.approx(gaps.var(ddof=1) + unequal * (0.5 + 0.5))
    assert found.n_subjects == 3
    assert found.n_pairs == 3


def test_subjects_without_a_value_by_both_are_left_out():
    nan = math.nan
    linked = bland_altman([1, nan, 3, 4], [1, 2, 2, nan], subjects=[1, 2, 3, 1])
    assert (linked.n_subjects, linked.bias.n_excluded, linked.n_pairs) == (2, 1, 2)
    found = bland_altman(
        [1, nan, 3, 4], [1, 2, 2, nan], subjects=[1, 2, 3, 1], replicates="exchangeable"
    )
    assert (found.n_subjects, found.bias.n_excluded) == (2, 1)


def test_missing_values_drop_the_pair():
    a, b = pairs(9, 12)
    gappy = np.append(a, [math.nan, 3.0]), np.append(b, [2.0, math.nan])
    found = bland_altman(*gappy)
    assert found.upper.high == pytest.approx(bland_altman(a, b).upper.high)
    assert found.upper.n_excluded == 2


def test_lines_are_least_squares_of_differences_and_absolute_residuals():
    a, b = pairs(10)
    middle, gaps = (a + b) / 2, a - b
    slope, intercept = np.polyfit(middle, gaps, 1)
    residual = np.abs(gaps - intercept - slope * middle)
    spread_slope, spread = np.polyfit(middle, residual, 1)
    lines = bland_altman(a, b).by_magnitude
    assert lines.coefficients == pytest.approx((intercept, slope, spread, spread_slope))
    lower, upper = lines.limits_at(20.0)
    sd = math.sqrt(math.pi / 2) * (spread + 20 * spread_slope)
    centre = intercept + 20 * slope
    assert lines.sd_at(20.0).estimate == pytest.approx(sd)
    assert lines.bias_at(20.0).estimate == pytest.approx(centre)
    assert (lower.estimate, upper.estimate) == pytest.approx((centre - Z * sd, centre + Z * sd))
    assert upper.low < upper.estimate < upper.high


def test_spread_that_grows_is_seen_and_followed():
    rng = np.random.default_rng(12)
    truth = rng.uniform(1, 20, 400)
    a = truth * (1 + 0.1 * rng.normal(size=400))
    lines = bland_altman(a, truth).by_magnitude
    assert lines.spread_slope.low > 0
    assert lines.sd_at(15.0).estimate == pytest.approx(1.5, rel=0.15)
    assert lines.sd_at(-50.0).why_undefined.startswith("the line of the spread")
    assert lines.limits_at(-50.0)[0].why_undefined


def test_constant_spread_is_not_called_growing():
    a, b = pairs(13, 200)
    slope = bland_altman(a, b).by_magnitude.spread_slope
    assert slope.low < 0 < slope.high


def test_jackknife_of_the_bias_slope_is_near_its_classical_error():
    a, b = pairs(14, 300)
    classical = stats.linregress((a + b) / 2, a - b)
    found = bland_altman(a, b).by_magnitude.bias_slope
    assert found.se == pytest.approx(classical.stderr, rel=0.15)


def test_few_subjects():
    none = bland_altman([], [])
    assert none.bias.why_undefined == "no subject with values by both"
    assert none.upper.why_undefined
    one = bland_altman([3.0], [1.0])
    assert one.bias.estimate == 2.0
    assert one.bias.why_no_interval == one.sd.why_undefined == "only one subject"
    assert one.upper.why_undefined == one.lower_approximate.why_undefined == "only one subject"
    several = bland_altman([3.0, 4.0], [1.0, 1.0], subjects=["a", "a"])
    assert several.bias.estimate == 2.5
    assert several.upper.why_undefined == "only one subject"
    assert bland_altman([1, 2, 3], [1, 3, 2]).by_magnitude.why_undefined == "fewer than 4 subjects"
    both = bland_altman([3.0], [1.0], subjects=["a"], replicates="exchangeable")
    assert both.bias.estimate == 2.0
    neither = bland_altman([3.0], [math.nan], subjects=["a"], replicates="exchangeable")
    assert neither.bias.why_undefined


def test_differences_that_are_all_equal():
    uneven = bland_altman([0.1, 0.7, 1.3], [0.4, 1.0, 1.6])  # equal but for rounding
    assert uneven.upper.why_no_interval == "all differences are the same"
    found = bland_altman([2, 3, 4, 5], [1, 2, 3, 4])
    assert found.upper.estimate == found.lower.estimate == found.bias.estimate == 1.0
    assert found.upper.why_no_interval == "all differences are the same"
    assert math.isnan(found.sd.low)


def test_magnitudes_that_are_all_equal_have_no_line():
    found = bland_altman([2, 3, 4, 1, 0], [2, 1, 0, 3, 4]).by_magnitude
    assert "magnitudes are the same" in found.why_undefined
    assert found.bias_slope.why_undefined == found.why_undefined
    assert found.sd_at(2.0).why_undefined == found.why_undefined


def test_faults_are_reported_together():
    with pytest.raises(InvalidInput) as caught:
        bland_altman([1, 2], [1], subjects=[1, None], replicates="both", coverage=1, level=0)
    where = [fault.where for fault in caught.value.faults]
    assert where == ["a, b, subjects", "subjects", "replicates", "coverage", "level"]
    with pytest.raises(InvalidInput, match="infinity"):
        bland_altman([1, math.inf], [1, 2])
    with pytest.raises(InvalidInput, match="not numbers"):
        bland_altman(["x"], [1])


def test_coverage_of_repeated_pairs():
    truth = 0.3 + Z * math.hypot(0.8, 0.5)
    hits = 0
    for seed in range(200):
        gaps, zero, subjects = repeated(seed)
        found = bland_altman(gaps, zero, subjects=subjects)
        hits += found.upper.low <= truth <= found.upper.high
    assert 0.9 <= hits / 200 <= 0.99
