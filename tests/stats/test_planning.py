"""Sizes of studies."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.inter_rater import cohens_kappa
from statsmodels.stats.proportion import samplesize_confint_proportion

from imgtrack.domain.errors import InvalidInput
from imgtrack.stats.planning import (
    Inflation,
    power_of_two_proportions,
    readers_for_average,
    size_for_cohen_kappa_test,
    size_for_icc_precision,
    size_for_icc_test,
    size_for_kappa_limit,
    size_for_kappa_precision,
    size_for_kappa_test,
    size_for_proportion_precision,
    size_for_two_proportions,
)
from imgtrack.stats.planning.kappa_model import cohen_variance
from imgtrack.stats.proportions import proportion
from imgtrack.stats.reliability import icc


def test_nothing_to_inflate():
    found = size_for_proportion_precision(0.2, 0.05, method="wald")
    assert found.needed == found.recruited == (246,)
    assert found.readers == found.readings == 0
    assert found.recruited_clusters == 246


def test_attrition_and_clusters():
    """By hand: 100 x (1 + 0.2 x 0.5) / 0.8 = 137.5 shoulders, in 138 / 1.2 = 115 patients."""
    inflation = Inflation(attrition=0.2, cluster_size=1.2, cluster_correlation=0.5)
    half_width = 1.959963984540054 * math.sqrt(0.25 / 100)
    found = size_for_proportion_precision(0.5, half_width, method="wald", inflation=inflation)
    assert found.needed == (100,)
    assert found.recruited == (138,)
    assert found.recruited_clusters == 115
    assert inflation.design_effect == pytest.approx(1.1)


@pytest.mark.parametrize(
    "wrong",
    [
        {"attrition": 1.0},
        {"attrition": -0.1},
        {"cluster_size": 0.5},
        {"cluster_correlation": 1.5},
        {"cluster_correlation": math.nan},
    ],
)
def test_impossible_inflation(wrong):
    with pytest.raises(InvalidInput, match=next(iter(wrong))):
        Inflation(**wrong)


def test_readings_are_counted():
    found = size_for_kappa_test(0.4, 0.7, 0.3, readers=3, inflation=Inflation(attrition=0.1))
    assert found.readings == 3 * found.recruited[0]


@pytest.mark.parametrize("prevalence", [0.1, 0.3, 0.5])
def test_a_null_of_zero_does_not_depend_on_prevalence(prevalence):
    found = size_for_kappa_test(0.0, 0.5, prevalence).unrounded[0]
    assert found == pytest.approx(size_for_kappa_test(0.0, 0.5, 0.25).unrounded[0])
    z = stats.norm.ppf(0.975) + stats.norm.ppf(0.8)
    assert found == pytest.approx((z / 0.5) ** 2, rel=1e-4)


def test_two_categories_are_a_binary_answer():
    binary = size_for_kappa_test(0.3, 0.6, 0.2).unrounded
    assert size_for_kappa_test(0.3, 0.6, (0.2, 0.8)).unrounded == pytest.approx(binary)


def test_more_readers_and_more_power():
    sizes = [size_for_kappa_test(0.4, 0.6, 0.2, readers=k).needed for k in (2, 3, 4)]
    assert sizes == sorted(sizes, reverse=True)
    powers = [size_for_kappa_test(0.4, 0.6, 0.2, power=p).needed for p in (0.7, 0.8, 0.9)]
    assert powers == sorted(powers)
    one_sided = size_for_kappa_test(0.4, 0.6, 0.2, sides=1, alpha=0.025)
    assert one_sided.unrounded == pytest.approx(size_for_kappa_test(0.4, 0.6, 0.2).unrounded)


def simulate_kappa(rng, kappa, prevalence, readers, n):
    """Common-correlation answers: all readers copy one answer with probability kappa."""
    answers = rng.random((n, readers)) < prevalence
    copied = rng.random(n) < kappa
    answers[copied] = answers[copied, :1]
    events = answers.sum(axis=1)
    share = events.mean() / readers
    disagreeing = (events * (readers - events)).mean() / (readers * (readers - 1))
    return 1 - disagreeing / (share * (1 - share))


@pytest.mark.parametrize("readers", [2, 3])
def test_precision_of_kappa_by_simulation(readers):
    found = size_for_kappa_precision(0.6, 0.1, 0.3, readers=readers)
    rng = np.random.default_rng(1)
    kappas = [simulate_kappa(rng, 0.6, 0.3, readers, found.needed[0]) for _ in range(1500)]
    assert 1.96 * np.std(kappas) == pytest.approx(0.1, rel=0.06)


@pytest.mark.parametrize(("kappa", "prevalence"), [(0.8, 0.2), (0.6, 0.2), (0.3, 0.45)])
def test_precision_of_kappa_with_two_readers_is_the_closed_formula(kappa, prevalence):
    """Bloch and Kraemer 1989."""
    variance = (1 - kappa) * (1 - 2 * kappa)
    variance += kappa * (2 - kappa) / (2 * prevalence * (1 - prevalence))
    variance *= 1 - kappa
    expected = stats.norm.ppf(0.975) ** 2 * variance / 0.1**2
    assert size_for_kappa_precision(kappa, 0.1, prevalence).unrounded[0] == pytest.approx(expected)


def test_limit_of_kappa_is_where_the_fit_just_fails():
    n = size_for_kappa_limit(0.6, 0.4, 0.3).unrounded[0]
    shares = [0.3**2 + k * 0.21 for k in (0.6, 0.4)], [0.7**2 + k * 0.21 for k in (0.6, 0.4)]
    cells = np.array([[both, none, 1 - both - none] for both, none in zip(*shares, strict=True)])
    chi_square = n * ((cells[0] - cells[1]) ** 2 / cells[1]).sum()
    assert chi_square == pytest.approx(stats.chi2.ppf(0.95, 1))


def test_cohen_kappa_with_equal_shares_is_near_the_common_correlation_model():
    cohen = size_for_cohen_kappa_test(0.4, 0.6, (0.3, 0.3)).unrounded[0]
    assert cohen == pytest.approx(size_for_kappa_test(0.4, 0.6, 0.3).unrounded[0], rel=0.1)


def cohen_cells(kappa, first, second):
    chance = first * second + (1 - first) * (1 - second)
    agree = kappa * (1 - chance) + chance
    both = (agree - 1 + first + second) / 2
    return np.array([[both, first - both], [second - both, agree - both]])


@pytest.mark.parametrize(
    ("kappa", "shares"), [(0.7, (0.3, 0.4)), (0.4, (0.5, 0.3)), (0.0, (0.1, 0.6))]
)
def test_variance_of_cohen_kappa_equals_statsmodels(kappa, shares):
    peer = cohens_kappa(1000 * cohen_cells(kappa, *shares))
    assert peer.kappa == pytest.approx(kappa)
    assert cohen_variance(kappa, shares) == pytest.approx(1000 * peer.std_kappa**2)


def test_cohen_kappa_by_simulation():
    """The power promised is the power obtained, for readers who differ in share."""
    shares, null, kappa = (0.3, 0.4), 0.4, 0.7
    n = size_for_cohen_kappa_test(null, kappa, shares).needed[0]
    cells = cohen_cells(kappa, *shares).ravel()
    a, b, c, d = np.random.default_rng(2).multinomial(n, cells, 4000).T / n
    chance = (a + b) * (a + c) + (c + d) * (b + d)
    kappas = (a + d - chance) / (1 - chance)
    z = (kappas - null) / math.sqrt(cohen_variance(null, shares) / n)
    assert (z > stats.norm.ppf(0.975)).mean() == pytest.approx(0.8, abs=0.05)


def test_icc_test_by_simulation():
    found = size_for_icc_test(0.5, 0.75, readers=2)
    n, rng = found.needed[0], np.random.default_rng(3)
    ratio_null, ratio = (1 + 2 * rho / (1 - rho) for rho in (0.5, 0.75))
    f_values = ratio * rng.f(n - 1, n, 20000)
    rejected = f_values > ratio_null * stats.f.ppf(0.95, n - 1, n)
    assert rejected.mean() == pytest.approx(0.8, abs=0.01)


def test_icc_precision_by_simulation():
    found = size_for_icc_precision(0.8, 0.2, readers=3)
    rng = np.random.default_rng(4)
    widths = []
    for _ in range(200):
        values = rng.normal(0, 2, (found.needed[0], 1)) + rng.normal(0, 1, (found.needed[0], 3))
        estimate = icc(values, model="oneway")
        widths.append(estimate.high - estimate.low)
    assert np.mean(widths) == pytest.approx(0.2, rel=0.06)


def test_readers_for_an_average():
    assert readers_for_average(0.6, 0.9) == 6
    assert readers_for_average(0.9, 0.5) == 1
    single = 0.6
    assert 6 * single / (1 + 5 * single) == pytest.approx(0.9)


@pytest.mark.parametrize("share", [0.02, 0.17, 0.5])
def test_proportion_precision(share):
    wald = size_for_proportion_precision(share, 0.05, method="wald")
    assert wald.unrounded[0] == pytest.approx(samplesize_confint_proportion(share, 0.05))
    n = size_for_proportion_precision(share, 0.05).needed[0]
    found = proportion(round(share * n), n)
    assert (found.high - found.low) / 2 == pytest.approx(0.05, abs=0.002)


@pytest.mark.parametrize(("p1", "p2"), [(0.5, 0.75), (0.25, 0.1)])
@pytest.mark.parametrize("allocation", [1.0, 2.0])
@pytest.mark.parametrize("sides", [1, 2])
def test_two_proportions_have_the_power_asked_for(p1, p2, allocation, sides):
    found = size_for_two_proportions(p1, p2, allocation=allocation, sides=sides)
    power = power_of_two_proportions(p1, p2, *found.needed, sides=sides)
    assert 0.8 <= power < 0.82
    assert found.needed[1] == pytest.approx(allocation * found.needed[0], abs=2)


def test_groups_may_be_swapped():
    for method in ("pooled", "continuity", "unpooled", "arcsine"):
        found = size_for_two_proportions(0.3, 0.1, allocation=2.0, method=method)
        swapped = size_for_two_proportions(0.1, 0.3, allocation=0.5, method=method)
        assert swapped.unrounded == pytest.approx(found.unrounded[::-1])


@pytest.mark.parametrize(
    ("function", "arguments", "where"),
    [
        (size_for_kappa_test, (0.4, 0.4, 0.3), ["kappa"]),
        (size_for_kappa_test, (-0.1, 1.0, 0.0), ["null", "kappa", "prevalence"]),
        (size_for_kappa_test, (0.1, 0.5, (0.5, 0.4)), ["prevalence"]),
        (size_for_kappa_test, (0.1, 0.5, (0.5, 1.5)), ["prevalence[1]"]),
        (size_for_kappa_limit, (0.4, 0.6, 0.3), ["lower"]),
        (size_for_kappa_precision, (0.4, 0.0, 1.0), ["half_width", "prevalence"]),
        (size_for_cohen_kappa_test, (0.4, 0.6, (0.0, 0.5)), ["shares[0]"]),
        (size_for_cohen_kappa_test, (0.4, 0.9, (0.1, 0.5)), ["null", "kappa"]),
        (size_for_icc_test, (0.8, 0.6), ["null"]),
        (size_for_icc_precision, (1.0, 2.0), ["icc", "width"]),
        (readers_for_average, (0.0, 1.0), ["icc", "target"]),
        (size_for_proportion_precision, (0.0, 0.6), ["share", "half_width"]),
        (size_for_two_proportions, (0.2, 0.2), ["p2"]),
        (power_of_two_proportions, (0.2, 1.0, 0, 2.5), ["p2", "n1", "n2"]),
    ],
)
def test_faults(function, arguments, where):
    with pytest.raises(InvalidInput) as caught:
        function(*arguments)
    assert [fault.where for fault in caught.value.faults] == where


def test_faults_of_the_test_design():
    with pytest.raises(InvalidInput) as caught:
        size_for_kappa_test(0.4, 0.6, (0.5, 0.5), readers=3, power=0.01, alpha=0.05, sides=3)
    assert [f.where for f in caught.value.faults] == ["readers", "power", "sides"]
    with pytest.raises(InvalidInput) as caught:
        size_for_icc_test(0.4, 0.6, readers=1, power=1.0, alpha=0.7)
    assert [f.where for f in caught.value.faults] == ["readers", "alpha", "power"]
    with pytest.raises(InvalidInput) as caught:
        size_for_two_proportions(0.1, 0.2, allocation=0.0, method="exact")
    assert [f.where for f in caught.value.faults] == ["allocation", "method"]
