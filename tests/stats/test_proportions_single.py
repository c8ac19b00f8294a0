"""One proportion, and what missing answers could change about it."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from imgtrack.domain.errors import InvalidInput
from imgtrack.stats.proportions import bounds_for_missing, proportion

SEEDED = settings(deadline=None, derandomize=True)
METHODS = ("wilson", "clopper-pearson", "agresti-coull", "jeffreys", "midp")
COUNTS = st.integers(1, 300).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))


@pytest.mark.parametrize(
    ("method", "peer"),
    [
        ("wilson", "wilson"),
        ("clopper-pearson", "beta"),
        ("agresti-coull", "agresti_coull"),
        ("jeffreys", "jeffreys"),
    ],
)
@SEEDED
@given(counts=COUNTS, level=st.floats(0.5, 0.999))
def test_limits_equal_statsmodels(method, peer, counts, level):
    events, n = counts
    found = proportion(events, n, method=method, level=level)
    low, high = proportion_confint(events, n, alpha=1 - level, method=peer)
    if method == "jeffreys":  # statsmodels leaves out the closed ends of Brown, Cai and DasGupta
        low, high = (0.0 if events == 0 else low), (1.0 if events == n else high)
    assert found.low == pytest.approx(low, abs=1e-9)
    assert found.high == pytest.approx(high, abs=1e-9)


@SEEDED
@given(counts=COUNTS, level=st.floats(0.5, 0.999))
def test_midp_limits_satisfy_their_definition(counts, level):
    events, n = counts
    found = proportion(events, n, method="midp", level=level)
    tail = (1 - level) / 2
    if events > 0:
        upper_tail = (
            stats.binom.sf(events, n, found.low) + stats.binom.pmf(events, n, found.low) / 2
        )
        assert upper_tail == pytest.approx(tail, abs=1e-9)
    if events < n:
        lower_tail = stats.binom.cdf(events, n, found.high)
        lower_tail -= stats.binom.pmf(events, n, found.high) / 2
        assert lower_tail == pytest.approx(tail, abs=1e-9)


@pytest.mark.parametrize("method", METHODS)
@SEEDED
@given(counts=COUNTS)
def test_counting_the_other_outcome_mirrors_the_limits(method, counts):
    events, n = counts
    found, mirrored = (proportion(x, n, method=method) for x in (events, n - events))
    assert found.estimate == pytest.approx(1 - mirrored.estimate)
    assert found.low == pytest.approx(1 - mirrored.high, abs=1e-9)
    assert 0 <= found.low <= found.estimate <= found.high <= 1


@pytest.mark.parametrize("method", METHODS)
def test_limits_rise_with_the_events_and_widen_with_the_level(method):
    found = [proportion(x, 40, method=method) for x in range(41)]
    assert np.all(np.diff([e.low for e in found]) >= 0)
    assert np.all(np.diff([e.high for e in found]) >= 0)
    wider = proportion(13, 40, method=method, level=0.99)
    assert wider.low < found[13].low
    assert wider.high > found[13].high


def test_exact_limits_never_cover_less_than_the_level():
    n, shares = 25, np.linspace(0.001, 0.999, 333)
    found = [proportion(x, n, method="clopper-pearson") for x in range(n + 1)]
    low, high = np.array([e.low for e in found]), np.array([e.high for e in found])
    inside = (low <= shares[:, None]) & (shares[:, None] <= high)
    covered = (stats.binom.pmf(np.arange(n + 1), n, shares[:, None]) * inside).sum(axis=1)
    assert covered.min() >= 0.95


@pytest.mark.parametrize("method", ["wilson", "jeffreys", "midp", "agresti-coull"])
def test_other_limits_cover_the_level_on_average(method):
    n, shares = 60, np.linspace(0.05, 0.5, 200)
    found = [proportion(x, n, method=method) for x in range(n + 1)]
    low, high = np.array([e.low for e in found]), np.array([e.high for e in found])
    inside = (low <= shares[:, None]) & (shares[:, None] <= high)
    covered = (stats.binom.pmf(np.arange(n + 1), n, shares[:, None]) * inside).sum(axis=1)
    assert 0.94 < covered.mean() < 0.97


def test_standard_error():
    assert proportion(30, 100).se == pytest.approx(math.sqrt(0.3 * 0.7 / 100))
    assert math.isnan(proportion(0, 100).se)
    assert math.isnan(proportion(100, 100).se)


@pytest.mark.parametrize("method", METHODS)
def test_nothing_observed_is_undefined(method):
    found = proportion(0, 0, method=method)
    assert not found.defined
    assert found.why_undefined == "no unit observed"


def test_numpy_counts_are_counts():
    assert proportion(np.int64(3), np.float64(10.0)).n_used == 10


@pytest.mark.parametrize(
    ("events", "n"),
    [(-1, 10), (11, 10), (2.5, 10), (math.nan, 10), (1, -1), ("1", 10), (True, 1), (1, math.inf)],
)
def test_counts_that_are_none_are_refused(events, n):
    with pytest.raises(InvalidInput):
        proportion(events, n)


def test_all_faults_are_reported_together():
    with pytest.raises(InvalidInput) as caught:
        proportion(-1, 2.5, method="wald", level=1)
    assert [fault.where for fault in caught.value.faults] == ["events", "n", "method", "level"]
    assert "'wilson'" in str(caught.value)


def test_bounds_hold_every_completion():
    found = bounds_for_missing(15, 80, 20)
    assert found.assessed_only.estimate == 15 / 80
    assert (found.lowest.estimate, found.highest.estimate) == (0.15, 0.35)
    completions = [proportion(15 + hidden, 100) for hidden in range(21)]
    assert found.low == min(e.low for e in completions)
    assert found.high == max(e.high for e in completions)
    assert found.missing == 20


def test_bounds_without_missing_are_the_proportion():
    found = bounds_for_missing(4, 30, 0, method="midp", level=0.9)
    assert found.lowest == found.highest == found.assessed_only
    assert found.assessed_only == proportion(4, 30, method="midp", level=0.9)


def test_bounds_when_nobody_was_assessed():
    found = bounds_for_missing(0, 0, 12)
    assert not found.assessed_only.defined
    assert (found.low, found.high) == (0.0, 1.0)
    assert math.isnan(bounds_for_missing(0, 0, 0).low)


def test_bounds_refuse_impossible_counts():
    with pytest.raises(InvalidInput) as caught:
        bounds_for_missing(5, 4, -1, method="wald", level=2)
    assert [f.where for f in caught.value.faults] == ["events", "missing", "method", "level"]
