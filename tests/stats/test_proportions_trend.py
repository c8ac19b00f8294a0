"""Trend of a proportion over ordered groups."""

from __future__ import annotations

import math

import numpy as np
import pytest
from statsmodels.stats.contingency_tables import Table

from imgtrack.domain.errors import InvalidInput
from imgtrack.stats.proportions import trend

EVENTS, N = np.array([8, 10, 11, 22, 6]), np.array([61, 58, 111, 124, 135])


@pytest.mark.parametrize("seed", range(5))
def test_hypergeometric_variance_equals_statsmodels(seed):
    """statsmodels scores the columns, so its sign is that of the first column."""
    rng = np.random.default_rng(seed)
    n = rng.integers(5, 60, 4)
    events = rng.binomial(n, np.sort(rng.uniform(0.1, 0.9, 4)))
    peer = Table(np.column_stack([n - events, events])).test_ordinal_association()
    found = trend(events, n, variance="hypergeometric")
    assert found.z == pytest.approx(peer.zscore)
    assert found.p_value == pytest.approx(peer.pvalue)


def test_slope_is_weighted_least_squares():
    found = trend(EVENTS, N, level=0.9)
    scores = np.arange(1, 6)
    slope = np.polyfit(scores, EVENTS / N, 1, w=np.sqrt(N))[0]
    assert found.slope.estimate == pytest.approx(slope)
    assert found.slope.estimate / found.slope.se == pytest.approx(found.z)
    assert found.slope.low < slope < found.slope.high
    assert found.groups == 5
    assert found.n_used == N.sum()


def test_scores_may_be_shifted_and_stretched():
    plain, scaled = trend(EVENTS, N), trend(EVENTS, N, scores=[10, 30, 50, 70, 90])
    assert scaled.z == pytest.approx(plain.z)
    assert scaled.slope.estimate == pytest.approx(plain.slope.estimate / 20)
    assert trend(EVENTS[::-1], N[::-1]).z == pytest.approx(-plain.z)
    assert trend(N - EVENTS, N).z == pytest.approx(-plain.z)


def test_two_groups_are_the_two_sample_chi_square():
    """With two groups the statistic is Pearson's, 8 (3 x 3 - 1 x 1)^2 / 4^4 = 2."""
    assert trend([1, 3], [4, 4]).chi_square == pytest.approx(2.0)


def test_an_empty_group_changes_nothing_but_its_score_stays():
    with_gap = trend([1, 0, 6], [20, 0, 20], scores=[1, 2, 3])
    assert with_gap.groups == 2
    assert with_gap.z == pytest.approx(trend([1, 6], [20, 20]).z)


@pytest.mark.parametrize(
    ("events", "n", "scores", "why"),
    [
        ([], [], None, "no unit observed"),
        ([0, 0], [0, 0], None, "no unit observed"),
        ([1, 2], [5, 5], [3, 3], "all units have one score"),
        ([1], [5], None, "all units have one score"),
        ([0, 0], [5, 5], None, "all units or none had the event"),
        ([5, 5], [5, 5], None, "all units or none had the event"),
    ],
)
def test_undefined(events, n, scores, why):
    found = trend(events, n, scores=scores)
    assert found.why_undefined == found.slope.why_undefined == why
    assert math.isnan(found.p_value)


@pytest.mark.parametrize(
    ("events", "n", "scores"),
    [
        ([1, 2], [5], None),
        ([6, 2], [5, 5], None),
        ([1, 2], [5, 5], [1, math.inf]),
        ([1.5], [2], None),
    ],
)
def test_faults(events, n, scores):
    with pytest.raises(InvalidInput) as caught:
        trend(events, n, scores=scores, variance="exact", level=-1)
    assert [f.where for f in caught.value.faults][1:] == ["variance", "level"]
