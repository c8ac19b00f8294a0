"""Concordance, measurement error, and limits of sums of mean squares."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from imgtrack.domain.errors import InvalidInput
from imgtrack.stats.reliability import concordance, icc, measurement_error
from imgtrack.stats.reliability.spread import sd_of_sum


def pairs(seed, n=30):
    rng = np.random.default_rng(seed)
    a = rng.normal(20, 4, n)
    return a, 1.5 + 0.8 * a + rng.normal(0, 2, n)


def asymptotic_se(a, b):
    """Delta method with the normal-theory covariance of means, variances and covariance."""
    s = np.cov(a, b, bias=True)
    point = np.array([a.mean(), b.mean(), s[0, 0], s[1, 1], s[0, 1]])

    def coefficient(v):
        return 2 * v[4] / (v[2] + v[3] + (v[0] - v[1]) ** 2)

    covariance = np.zeros((5, 5))
    covariance[:2, :2] = s
    indices = [(0, 0), (1, 1), (0, 1)]
    for x, (i, j) in enumerate(indices):
        for y, (k, m) in enumerate(indices):
            covariance[2 + x, 2 + y] = s[i, k] * s[j, m] + s[i, m] * s[j, k]
    steps = 1e-5 * np.eye(5)
    gradient = np.array([(coefficient(point + d) - coefficient(point - d)) / 2e-5 for d in steps])
    return math.sqrt(gradient @ covariance @ gradient)


@pytest.mark.parametrize("seed", range(5))
def test_corrected_variance_is_the_delta_method(seed):
    """Lin's 2000 formula, times n - 2, is the normal-theory asymptotic variance."""
    a, b = pairs(seed)
    found = concordance(a, b)
    assert found.se * math.sqrt(a.size - 2) == pytest.approx(asymptotic_se(a, b), rel=1e-6)


def test_parts_multiply_to_the_coefficient():
    a, b = pairs(7)
    found = concordance(a, b)
    assert found.pearson == pytest.approx(stats.pearsonr(a, b).statistic)
    assert found.pearson * found.accuracy == pytest.approx(found.estimate)
    assert found.scale_shift == pytest.approx(a.std() / b.std())
    centre, half = math.atanh(found.estimate), 1.959963984540054 * found.se
    assert found.low == pytest.approx(math.tanh(centre - half / (1 - found.estimate**2)))


def test_readers_may_be_swapped_and_the_unit_changed():
    a, b = pairs(8)
    found = concordance(a, b)
    for other in (concordance(b, a), concordance(10 * a - 3, 10 * b - 3)):
        assert (other.estimate, other.low, other.high) == pytest.approx(
            (found.estimate, found.low, found.high)
        )


def test_concordance_is_near_the_agreement_icc():
    a, b = pairs(9, 500)
    assert concordance(a, b).estimate == pytest.approx(
        icc(np.column_stack([a, b])).estimate, abs=0.002
    )


def test_missing_pairs_are_left_out():
    a, b = pairs(10)
    found = concordance(pd.Series([*a, np.nan, 1.0]), pd.Series([*b, 2.0, np.nan]))
    assert found.estimate == pytest.approx(concordance(a, b).estimate)
    assert (found.n_used, found.n_excluded) == (30, 2)


@pytest.mark.parametrize(
    ("a", "b", "estimate", "why"),
    [
        ([1, 2, 3], [1, 2, 3], 1.0, "agreement without exception has no variance"),
        ([0.1, 0.7, 0.3], [0.1, 0.7, 0.3], 1.0, "agreement without exception has no variance"),
        ([-1, 0, 1], [1, 0, -1], -1.0, "agreement without exception has no variance"),
        ([1, 2, 3], [2, 2, 2], 0.0, "one reader's values never vary"),
        ([1, 2], [1, 3], 2 / 3, "fewer than three pairs"),
    ],
)
def test_no_interval(a, b, estimate, why):
    found = concordance(a, b)
    assert found.estimate == pytest.approx(estimate)
    assert found.why_no_interval == why
    assert math.isnan(found.low)
    assert math.isnan(found.se)


def test_concordance_undefined():
    assert concordance([], []).why_undefined == "no complete pair"
    assert concordance([1, 1], [3, 3]).why_undefined == "neither reader's values vary"


def test_concordance_faults():
    with pytest.raises(InvalidInput) as caught:
        concordance([1, 2], [1], level=1)
    assert [fault.where for fault in caught.value.faults] == ["a, b", "level"]


def readings(seed, n=20, k=3):
    rng = np.random.default_rng(seed)
    return rng.normal(20, 3, (n, 1)) + rng.normal(0, 0.7, k) + rng.normal(0, 1, (n, k))


def test_within_subject_sd_pools_the_subjects():
    values = readings(1)
    values[0, 1:] = np.nan
    values[3, 0] = np.nan
    found = measurement_error(values).within_subject_sd
    squares = np.nansum((values - np.nanmean(values, axis=1, keepdims=True)) ** 2)
    df = 20 * 3 - 3 - 20
    assert found.estimate == pytest.approx(math.sqrt(squares / df))
    assert found.low == pytest.approx(math.sqrt(squares / stats.chi2.ppf(0.975, df)))
    assert found.high == pytest.approx(math.sqrt(squares / stats.chi2.ppf(0.025, df)))


def test_standard_errors_are_those_of_the_variance_components():
    values = readings(2)
    found, parts = measurement_error(values), icc(values)
    error = parts.residual_variance
    assert found.sem_consistency.estimate == pytest.approx(math.sqrt(error))
    assert found.sem_agreement.estimate == pytest.approx(math.sqrt(error + parts.reader_variance))
    assert found.sem_agreement.estimate == pytest.approx(found.within_subject_sd.estimate)
    assert found.sem_agreement.high > found.within_subject_sd.high


def test_detectable_change_is_a_multiple():
    found = measurement_error(readings(3), change_level=0.9)
    factor = math.sqrt(2) * stats.norm.ppf(0.95)
    for error, change in (
        (found.within_subject_sd, found.repeatability),
        (found.sem_agreement, found.sdc_agreement),
        (found.sem_consistency, found.sdc_consistency),
    ):
        assert change.estimate == pytest.approx(factor * error.estimate)
        assert (change.low, change.high) == pytest.approx((factor * error.low, factor * error.high))
        assert error.method in change.method
    assert found.change_level == 0.9


def test_missing_values_use_reml():
    values = readings(4, 40)
    values[2, 1] = np.nan
    found, parts = measurement_error(values), icc(values)
    assert found.sem_consistency.estimate == pytest.approx(math.sqrt(parts.residual_variance))
    total = parts.residual_variance + parts.reader_variance
    assert found.sem_agreement.estimate == pytest.approx(math.sqrt(total))
    assert found.sem_agreement.method.endswith("by reml")


def test_no_error_at_all():
    for values in (
        np.repeat([[1.0], [2.0], [4.0]], 2, axis=1),
        np.repeat([[0.1], [0.7], [1e6 / 3]], 3, axis=1),
        np.ones((3, 2)),
    ):
        found = measurement_error(values)
        for part in (found.within_subject_sd, found.sem_agreement, found.sdc_consistency):
            assert part.estimate == 0
            assert part.why_no_interval.startswith("no error seen")
    gap = [[2.0, 2.0, 2.0], [2.0, 2.0, np.nan], [2.0, 2.0, 2.0]]
    assert measurement_error(gap).sem_agreement.estimate == 0


def test_undefined_parts():
    single = measurement_error([[1.0], [2.0]])
    assert single.within_subject_sd.why_undefined == "no subject measured twice"
    assert single.repeatability.why_undefined == "no subject measured twice"
    assert single.sem_agreement.why_undefined == "fewer than two readers"
    empty = measurement_error(np.empty((0, 2)))
    assert empty.within_subject_sd.why_undefined
    one = measurement_error([[1.0, 2.0]])
    assert one.within_subject_sd.estimate == pytest.approx(math.sqrt(0.5))
    assert one.sdc_consistency.why_undefined == "fewer than two subjects measured"


def test_measurement_error_faults():
    with pytest.raises(InvalidInput) as caught:
        measurement_error([1, 2], level=0, change_level=1)
    assert [f.where for f in caught.value.faults] == ["values", "level", "change_level"]


def test_limits_of_a_sum_cover():
    rng = np.random.default_rng(5)
    hits = 0
    for _ in range(500):
        squares = rng.chisquare(2) / 2 * 3.0, rng.chisquare(30) / 30
        _, low, high, _ = sd_of_sum(((0.2, squares[0], 2), (0.8, squares[1], 30)), 0.95)
        hits += low <= math.sqrt(0.2 * 3 + 0.8) <= high
    assert 0.93 <= hits / 500 <= 0.98
