"""Standard errors and limits: against differentiation, the jackknife, and simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from imgtrack.stats import agreement
from imgtrack.stats.agreement.limits import complementary_log, effective_size, wald, wilson

LEVELS = (0, 1, 2, 3)
METRICS = ("nominal", "ordinal", "interval", "ratio")


def make_ratings(seed, subjects, readers=3, missing=0.15):
    rng = np.random.default_rng(seed)
    truth = rng.choice(4, p=[0.5, 0.25, 0.2, 0.05], size=(subjects, 1))
    noise = rng.integers(-1, 2, size=(subjects, readers)) * (rng.random((subjects, readers)) < 0.4)
    ratings = np.clip(truth + noise, 0, 3).astype(float)
    ratings[rng.random((subjects, readers)) < missing] = math.nan
    return ratings


def all_sums(ratings):
    for name in (
        "percent_agreement",
        "conger_kappa",
        "fleiss_kappa",
        "gwet_ac",
        "brennan_prediger",
    ):
        for weights in ("identity", "quadratic"):
            yield getattr(agreement.sums, name)(ratings, categories=LEVELS, weights=weights)
    for metric in METRICS:
        yield agreement.sums.krippendorff_alpha(ratings, metric=metric)
    a, b = ratings[:, :2].T
    yield agreement.sums.cohen_kappa(a, b, categories=LEVELS, weights="linear")


def test_influence_is_the_derivative():
    for sums in all_sums(make_ratings(1, 50)):
        rows = sums.features[sums.enters]
        totals = rows.sum(axis=0)
        step = 1e-6
        slope = (sums.statistic(totals + step * rows) - sums.statistic(totals - step * rows)) / (
            2 * step
        )
        np.testing.assert_allclose(sums.influence(), slope - slope.mean(), atol=1e-9)


def test_standard_error_is_near_the_jackknife():
    # the jackknife (Efron 1982) needs no formula; both estimate the same and differ by O(1/n)
    for sums in all_sums(make_ratings(2, 300)):
        rows = sums.features[sums.enters]
        n = len(rows)
        left_out = sums.statistic(rows.sum(axis=0) - rows)
        jackknife = math.sqrt((n - 1) / n * np.sum((left_out - left_out.mean()) ** 2))
        linearised = math.sqrt(n / (n - 1) * np.sum(sums.influence() ** 2))
        assert linearised == pytest.approx(jackknife, rel=0.03), sums.name


def test_single_ratings_separate_gwets_standard_error_from_the_linearised_one():
    complete = make_ratings(3, 40, missing=0)
    single = np.vstack(
        [complete, np.pad(complete[:20, :1], ((0, 0), (0, 2)), constant_values=math.nan)]
    )
    for function in (agreement.gwet_ac, agreement.fleiss_kappa, agreement.conger_kappa):
        without = function(complete, categories=LEVELS)
        assert without.se_gwet == pytest.approx(without.se, abs=1e-12)
        withal = function(single, categories=LEVELS)
        assert withal.se_gwet > withal.se


def test_null_standard_error_is_that_of_independent_readers():
    # 2,000 tables of 200 subjects from two independent readers: the spread of kappa is se_null
    rng = np.random.default_rng(11)
    p = np.outer([0.5, 0.3, 0.2], [0.4, 0.4, 0.2])
    tables = rng.multinomial(200, p.ravel(), size=2000).reshape(-1, 3, 3) / 200
    rows, columns = tables.sum(axis=2), tables.sum(axis=1)
    for weights in ("identity", "quadratic"):
        w = agreement.agreement_weights(weights, 3)
        chance = np.einsum("si,ij,sj->s", rows, w, columns)
        kappas = ((tables * w).sum(axis=(1, 2)) - chance) / (1 - chance)
        whole = np.round(p * 10000).astype(int)
        a, b = (np.repeat(i.ravel(), whole.ravel()) for i in np.indices((3, 3)))
        exact = agreement.cohen_kappa(a, b, categories=(0, 1, 2), weights=weights)
        assert exact.estimate == pytest.approx(0, abs=1e-9)
        assert kappas.std() == pytest.approx(exact.se_null * math.sqrt(10000 / 200), rel=0.05)


def binary_pairs(n, prevalence, kappa, rng):
    """Two readers with equal prevalence and the given kappa (common-correlation model)."""
    both = prevalence**2 + kappa * prevalence * (1 - prevalence)
    one = prevalence - both
    cells = rng.multinomial(n, [both, one, one, 1 - both - 2 * one])
    return np.repeat([1, 1, 0, 0], cells), np.repeat([1, 0, 1, 0], cells)


def test_log_limits_cover_kappa():
    # 600 samples: 95 % -/+ 2.7 % is three standard errors of the simulation
    rng = np.random.default_rng(3)
    hits = 0
    for _ in range(600):
        a, b = binary_pairs(80, 0.3, 0.7, rng)
        found = agreement.cohen_kappa(a, b, categories=(0, 1), interval="log")
        hits += found.low <= 0.7 <= found.high
    assert hits / 600 == pytest.approx(0.95, abs=0.027)


def test_wilson_limits_cover_agreement_of_several_readers():
    # three readers each right with chance 0.9: two agree with chance 0.9^2 + 0.1^2
    rng = np.random.default_rng(4)
    hits = 0
    for _ in range(600):
        ratings = (rng.random((50, 3)) < 0.9).astype(int)
        found = agreement.percent_agreement(ratings, categories=(0, 1))
        hits += found.low <= 0.82 <= found.high
    assert hits / 600 == pytest.approx(0.95, abs=0.027)


@pytest.mark.parametrize(("x", "n"), [(0, 7), (3, 10), (10, 10), (81, 263)])
def test_wilson_against_scipy(x, n):
    expected = stats.binomtest(x, n).proportion_ci(0.9, method="wilson")
    assert wilson(x / n, n, 0.9) == pytest.approx((expected.low, expected.high), abs=1e-12)


def test_limits():
    assert wald(0.5, 0.1, 0.95) == pytest.approx((0.5 - 0.1959964, 0.5 + 0.1959964), abs=1e-7)
    # t with 10 degrees of freedom: 2.228139 (any t table)
    assert wald(0.9, 0.1, 0.95, df=10, highest=1.0) == pytest.approx((0.6771861, 1.0), abs=1e-7)
    low, high = complementary_log(0.5, 0.1, 0.95)
    assert (1 - low) * (1 - high) == pytest.approx(0.25)
    assert low < 0.5 - 0.1959964 < 0.5 < high < 0.5 + 0.1959964
    assert complementary_log(0.99, 0.9, 0.95, df=1)[0] == -1  # where exp would overflow
    assert effective_size(0.2, 0.16 / 50, 9) == pytest.approx(50)
    assert effective_size(1.0, 0.0, 9) == 9
