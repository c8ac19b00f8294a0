"""Two independent proportions: difference, ratio and odds ratio."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, stats
from statsmodels.stats.proportion import confint_proportions_2indep

from imgtrack.domain.errors import InvalidInput
from imgtrack.stats.proportions import difference, odds_ratio, risk_ratio

SEEDED = settings(deadline=None, derandomize=True)
GROUP = st.integers(1, 80).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))
GROUPS = st.tuples(GROUP, GROUP).map(lambda g: (*g[0], *g[1]))
Z = stats.norm.ppf(0.975)


def log_likelihood(p1, p2, groups):
    e1, n1, e2, n2 = groups
    return stats.binom.logpmf(e1, n1, p1) + stats.binom.logpmf(e2, n2, p2)


def score_of_difference(delta, groups):
    """Score statistic with the constrained maximum found by search, not by formula."""
    e1, n1, e2, n2 = groups
    low, high = max(0.0, -delta), min(1.0, 1.0 - delta)
    found = optimize.minimize_scalar(
        lambda p2: -log_likelihood(p2 + delta, p2, groups),
        bounds=(low, high),
        method="bounded",
        options={"xatol": 1e-12},
    )
    p2 = found.x
    p1 = p2 + delta
    variance = (p1 * (1 - p1) / n1 + p2 * (1 - p2) / n2) * (n1 + n2) / (n1 + n2 - 1)
    return (e1 / n1 - e2 / n2 - delta) / math.sqrt(variance)


@pytest.mark.parametrize(
    "groups", [(56, 70, 48, 80), (9, 10, 3, 10), (6, 42, 11, 40), (2, 25, 9, 31), (40, 41, 17, 20)]
)
def test_score_limits_of_a_difference_against_a_numerical_maximum(groups):
    """statsmodels 0.15.0 cannot serve here: its score interval of a difference is wrong."""
    found = difference(*groups, method="miettinen-nurminen")
    assert score_of_difference(found.low, groups) == pytest.approx(Z, abs=1e-5)
    assert score_of_difference(found.high, groups) == pytest.approx(-Z, abs=1e-5)


@SEEDED
@given(groups=GROUPS)
def test_newcombe_equals_statsmodels(groups):
    found = difference(*groups)
    low, high = confint_proportions_2indep(*groups, method="newcomb", compare="diff")
    assert (found.low, found.high) == pytest.approx((low, high), abs=1e-10)


@SEEDED
@given(groups=GROUPS, method=st.sampled_from(["newcombe", "miettinen-nurminen"]))
def test_difference_is_antisymmetric(groups, method):
    e1, n1, e2, n2 = groups
    found = difference(*groups, method=method)
    swapped = difference(e2, n2, e1, n1, method=method)
    assert (swapped.low, swapped.high) == pytest.approx((-found.high, -found.low), abs=1e-8)
    other = difference(n1 - e1, n1, n2 - e2, n2, method=method)
    assert (other.low, other.high) == pytest.approx((-found.high, -found.low), abs=1e-8)
    assert -1 <= found.low <= found.estimate <= found.high <= 1


def test_standard_error_of_a_difference():
    found = difference(20, 50, 10, 40)
    assert found.se == pytest.approx(math.sqrt(0.4 * 0.6 / 50 + 0.25 * 0.75 / 40))
    assert math.isnan(difference(0, 5, 1, 5).se)


@pytest.mark.parametrize(("method", "limit"), [("newcombe", 1.0), ("miettinen-nurminen", 1.0)])
def test_extreme_tables_stay_inside_their_range(method, limit):
    found = difference(10, 10, 0, 10, method=method)
    assert found.high == pytest.approx(limit)
    single = difference(1, 1, 0, 1, method=method)
    assert single.low < single.estimate == 1.0


@SEEDED
@given(groups=GROUPS.filter(lambda g: 0 < g[0] < g[1] and 0 < g[2] < g[3]))
def test_score_limits_of_a_ratio_equal_statsmodels(groups):
    found = risk_ratio(*groups, method="miettinen-nurminen")
    low, high = confint_proportions_2indep(*groups, method="score", compare="ratio")
    assert found.low == pytest.approx(low, rel=1e-5)
    assert found.high == pytest.approx(high, rel=1e-5)


@SEEDED
@given(groups=GROUPS.filter(lambda g: g[0] > 0 and g[2] > 0))
def test_katz_equals_scipy(groups):
    found = risk_ratio(*groups, method="katz")
    peer = stats.contingency.relative_risk(*groups)
    limits = peer.confidence_interval()
    assert found.estimate == pytest.approx(peer.relative_risk)
    assert (found.low, found.high) == pytest.approx(tuple(limits))


@SEEDED
@given(groups=GROUPS.filter(lambda g: g[0] > 0 and g[2] > 0))
def test_ratio_of_swapped_groups_is_the_reciprocal(groups):
    e1, n1, e2, n2 = groups
    found, swapped = risk_ratio(*groups), risk_ratio(e2, n2, e1, n1)
    assert found.estimate * swapped.estimate == pytest.approx(1)
    assert found.low * swapped.high == pytest.approx(1, rel=1e-6)


def test_koopman_limits_satisfy_their_definition():
    """Pearson chi-square at the constrained maximum, found by search, equals the quantile."""
    groups = (15, 40, 6, 35)
    e1, n1, e2, n2 = groups
    found = risk_ratio(*groups)
    for ratio in (found.low, found.high):
        best = optimize.minimize_scalar(
            lambda p2, r=ratio: -log_likelihood(r * p2, p2, groups),
            bounds=(1e-9, min(1.0, 1.0 / ratio) - 1e-9),
            method="bounded",
            options={"xatol": 1e-13},
        ).x
        p1 = ratio * best
        chi_square = (e1 - n1 * p1) ** 2 / (n1 * p1 * (1 - p1))
        chi_square += (e2 - n2 * best) ** 2 / (n2 * best * (1 - best))
        assert chi_square == pytest.approx(Z**2, rel=1e-5)


@pytest.mark.parametrize("method", ["koopman", "miettinen-nurminen"])
def test_ratio_with_an_empty_cell(method):
    none_first = risk_ratio(0, 20, 5, 20, method=method)
    assert (none_first.estimate, none_first.low) == (0.0, 0.0)
    assert 0 < none_first.high < 2
    none_second = risk_ratio(5, 20, 0, 20, method=method)
    assert none_second.estimate == none_second.high == math.inf
    assert none_second.low == pytest.approx(1 / none_first.high)
    everyone = risk_ratio(10, 10, 10, 10, method=method)
    assert everyone.low < 1 < everyone.high


def test_katz_with_an_empty_cell_has_no_limits():
    found = risk_ratio(0, 20, 5, 20, method="katz")
    assert found.estimate == 0.0
    assert "empty" in found.why_no_interval
    assert risk_ratio(5, 20, 0, 20, method="katz").estimate == math.inf


def conditional_tail(ratio, groups, *, upper):
    e1, n1, e2, n2 = groups
    law = stats.nchypergeom_fisher(n1 + n2, n1, e1 + e2, ratio)
    return law.sf(e1 - 1) if upper else law.cdf(e1)


@pytest.mark.parametrize("groups", [(7, 20, 3, 25), (2, 17, 10, 13), (30, 41, 18, 39)])
def test_exact_odds_ratio_satisfies_its_definition(groups):
    e1, n1, e2, n2 = groups
    found = odds_ratio(*groups, level=0.9)
    assert conditional_tail(found.low, groups, upper=True) == pytest.approx(0.05, abs=1e-6)
    assert conditional_tail(found.high, groups, upper=False) == pytest.approx(0.05, abs=1e-6)
    mean = stats.nchypergeom_fisher.mean(n1 + n2, n1, e1 + e2, found.estimate)
    assert mean == pytest.approx(e1, abs=1e-6)


def test_woolf():
    found = odds_ratio(10, 30, 5, 40, method="woolf")
    assert found.estimate == pytest.approx((10 * 35) / (20 * 5))
    se = math.sqrt(1 / 10 + 1 / 20 + 1 / 5 + 1 / 35)
    assert found.se == pytest.approx(se)
    assert found.low == pytest.approx(3.5 * math.exp(-Z * se))
    assert odds_ratio(0, 30, 5, 40, method="woolf").why_no_interval
    assert odds_ratio(5, 30, 0, 40, method="woolf").estimate == math.inf


def test_odds_ratio_with_an_empty_cell():
    found = odds_ratio(0, 10, 6, 12)
    assert (found.estimate, found.low) == (0.0, 0.0)
    assert math.isfinite(found.high)
    assert odds_ratio(6, 12, 0, 10).estimate == math.inf


@pytest.mark.parametrize(
    ("function", "groups", "why"),
    [
        (difference, (0, 0, 1, 5), "one group has no unit"),
        (risk_ratio, (1, 5, 0, 0), "one group has no unit"),
        (odds_ratio, (0, 0, 1, 5), "one group has no unit"),
        (risk_ratio, (0, 5, 0, 7), "no event in either group"),
        (odds_ratio, (0, 5, 0, 7), "no event in either group"),
        (odds_ratio, (5, 5, 7, 7), "every unit had the event"),
    ],
)
def test_undefined(function, groups, why):
    assert function(*groups).why_undefined == why


@pytest.mark.parametrize("function", [difference, risk_ratio, odds_ratio])
def test_all_faults_are_reported_together(function):
    with pytest.raises(InvalidInput) as caught:
        function(6, 5, 1, -2, method="wald", level=1.5)
    assert [f.where for f in caught.value.faults] == ["e1", "n2", "method", "level"]
