"""Paired proportions and McNemar's test."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, stats
from statsmodels.stats.contingency_tables import mcnemar as statsmodels_mcnemar

from imgtrack.domain.errors import InvalidInput
from imgtrack.stats.proportions import difference, mcnemar, paired_difference

SEEDED = settings(deadline=None, derandomize=True)
CELL = st.integers(0, 40)
TABLE = st.tuples(CELL, CELL, CELL, CELL).filter(lambda t: sum(t) > 0)
Z = stats.norm.ppf(0.975)


def as_table(cells):
    return np.reshape(cells, (2, 2))


@SEEDED
@given(cells=TABLE.filter(lambda t: t[1] + t[2] > 0))
def test_mcnemar_equals_statsmodels(cells):
    table = as_table(cells)
    exact = statsmodels_mcnemar(table, exact=True)
    assert mcnemar(table, method="exact").p_value == pytest.approx(min(1.0, exact.pvalue))
    plain = statsmodels_mcnemar(table, exact=False, correction=False)
    found = mcnemar(table, method="asymptotic")
    assert (found.statistic, found.p_value) == pytest.approx((plain.statistic, plain.pvalue))
    if cells[1] != cells[2]:  # at equality statsmodels corrects 0 to 1
        corrected = statsmodels_mcnemar(table, exact=False, correction=True)
        assert mcnemar(table, method="corrected").statistic == pytest.approx(corrected.statistic)


@pytest.mark.parametrize(("b", "c"), [(1, 7), (4, 4), (0, 6), (12, 9)])
def test_midp_is_the_probability_of_rarer_tables_and_half_of_equal_ones(b, c):
    p = stats.binom.pmf(np.arange(b + c + 1), b + c, 0.5)
    rarer, equal = p < p[b] * (1 - 1e-9), np.isclose(p, p[b])
    found = mcnemar([[3, b], [c, 5]], method="midp")
    assert found.p_value == pytest.approx(p[rarer].sum() + p[equal].sum() / 2)
    assert math.isnan(found.statistic)
    assert (found.first_only, found.second_only, found.n_used) == (b, c, 8 + b + c)


def test_no_unit_that_differs():
    for method in ("exact", "midp", "asymptotic", "corrected"):
        found = mcnemar([[5, 0], [0, 9]], method=method)
        assert math.isnan(found.p_value)
        assert found.why_undefined == found.odds_ratio.why_undefined != ""
    assert paired_difference([[5, 0], [0, 9]]).estimate == 0
    assert math.isnan(paired_difference([[5, 0], [0, 9]]).se)


def test_odds_ratio_of_discordant_units():
    found = mcnemar([[10, 12], [3, 20]]).odds_ratio
    assert found.estimate == 4
    exact = stats.binomtest(12, 15).proportion_ci(method="exact")
    assert found.low == pytest.approx(exact.low / (1 - exact.low))
    assert mcnemar([[1, 3], [0, 1]]).odds_ratio.estimate == math.inf
    assert mcnemar([[1, 3], [0, 1]]).odds_ratio.high == math.inf


@SEEDED
@given(rows=st.integers(1, 8), columns=st.integers(1, 8), scale=st.integers(1, 9))
def test_newcombe_of_unrelated_answers_is_that_of_two_groups(rows, columns, scale):
    """With ad = bc, phi is 0 and the interval is the one for independent proportions."""
    cells = (rows * columns, rows * scale, columns * scale, scale * scale)
    a, b, c, _ = cells
    found = paired_difference(as_table(cells))
    groups = difference(a + b, sum(cells), a + c, sum(cells))
    assert (found.low, found.high) == pytest.approx((groups.low, groups.high))


@pytest.mark.parametrize("cells", [(1, 1, 7, 12), (43, 0, 1, 0), (59, 6, 16, 80), (10, 5, 5, 10)])
def test_tango_limits_against_a_numerical_maximum(cells):
    _, b, c, _ = cells
    n = sum(cells)
    same = n - b - c
    found = paired_difference(as_table(cells), method="tango")
    for delta, target in ((found.low, Z), (found.high, -Z)):

        def minus_log_likelihood(q, d=delta):
            counts, shares = (b, c, same), (q + d, q, 1 - 2 * q - d)
            return -sum(k * math.log(p) for k, p in zip(counts, shares, strict=True) if k)

        low, high = max(0.0, -delta), (1 - delta) / 2
        q = optimize.minimize_scalar(
            minus_log_likelihood, bounds=(low, high), method="bounded", options={"xatol": 1e-13}
        ).x
        score = (b - c - n * delta) / math.sqrt(n * (2 * q + delta * (1 - delta)))
        assert score == pytest.approx(target, abs=1e-4)


@pytest.mark.parametrize("method", ["newcombe", "tango"])
@SEEDED
@given(cells=TABLE)
def test_swapping_the_answers_changes_the_sign(method, cells):
    table = as_table(cells)
    found, swapped = (paired_difference(t, method=method) for t in (table, table.T))
    assert (swapped.low, swapped.high) == pytest.approx((-found.high, -found.low), abs=1e-8)
    relabelled = paired_difference(table[::-1, ::-1], method=method)
    assert (relabelled.low, relabelled.high) == pytest.approx((-found.high, -found.low), abs=1e-8)
    assert -1 <= found.low <= found.estimate <= found.high <= 1


def test_standard_error():
    found = paired_difference([[30, 12], [4, 54]])
    assert found.se == pytest.approx(math.sqrt(16 - 64 / 100) / 100)


def test_empty_table_is_undefined():
    assert paired_difference([[0, 0], [0, 0]]).why_undefined == "no unit observed"
    assert mcnemar([[0, 0], [0, 0]]).why_undefined


@pytest.mark.parametrize(
    "table",
    [[[1, 2]], [[1, -1], [0, 2]], [[0.5, 1], [1, 1]], [1, 2, 3, 4], [["a", 1], [1, 1]]],
)
@pytest.mark.parametrize("function", [paired_difference, mcnemar])
def test_faults_are_reported_together(function, table):
    with pytest.raises(InvalidInput) as caught:
        function(table, method="wald", level=1)
    assert [f.where for f in caught.value.faults] == ["table", "method", "level"]
