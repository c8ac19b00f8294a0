"""Clustered proportions."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import stats

from imgtrack.domain.errors import InvalidInput
from imgtrack.stats.proportions import clustered_proportion, proportion

METHODS = ("modified-wilson", "rao-scott", "ratio")


def beta_binomial(rng, m, share, correlation, largest):
    scale = (1 - correlation) / correlation
    sizes = rng.integers(1, largest + 1, m)
    return rng.binomial(sizes, rng.beta(share * scale, (1 - share) * scale, m)), sizes


@pytest.mark.parametrize("seed", range(5))
def test_ratio_estimate_is_gee_with_independence(seed):
    """The robust variance of statsmodels' GEE lacks only the factor m / (m - 1)."""
    rng = np.random.default_rng(seed)
    events, sizes = beta_binomial(rng, 40, 0.3, 0.3, 4)
    groups = np.repeat(np.arange(40), sizes)
    outcome = np.concatenate([[1] * e + [0] * (s - e) for e, s in zip(events, sizes, strict=True)])
    gee = sm.GEE(outcome, np.ones(outcome.size), groups, family=sm.families.Binomial()).fit()
    found = clustered_proportion(events, sizes)
    assert found.estimate == pytest.approx(1 / (1 + math.exp(-gee.params[0])), abs=1e-9)
    spread = found.estimate * (1 - found.estimate)
    assert found.se == pytest.approx(spread * gee.bse[0] * math.sqrt(40 / 39), rel=1e-6)


def test_ratio_limits_are_gee_limits_with_t():
    rng = np.random.default_rng(8)
    events, sizes = beta_binomial(rng, 30, 0.4, 0.2, 3)
    found = clustered_proportion(events, sizes, method="ratio", level=0.9)
    centre = math.log(found.estimate / (1 - found.estimate))
    reach = stats.t.ppf(0.95, 29) * found.se / (found.estimate * (1 - found.estimate))
    assert found.low == pytest.approx(1 / (1 + math.exp(reach - centre)))
    assert found.high == pytest.approx(1 / (1 + math.exp(-reach - centre)))


def test_clusters_of_one_are_nearly_independent_units():
    events = np.array([1] * 12 + [0] * 28)
    found = clustered_proportion(events, np.ones(40), method="rao-scott")
    assert found.design_effect == pytest.approx(40 / 39)
    assert math.isnan(found.intracluster_correlation)
    single = proportion(12, 40)
    assert found.low == pytest.approx(single.low, abs=0.005)
    assert found.high == pytest.approx(single.high, abs=0.005)


def test_units_that_always_agree_count_as_one():
    """Pairs with one fate: the design effect is 2 and the correlation 1."""
    events = np.array([2] * 10 + [0] * 20)
    found = clustered_proportion(events, np.full(30, 2))
    assert found.design_effect == pytest.approx(2 * 30 / 29)
    assert found.intracluster_correlation == pytest.approx(1.0, abs=0.01)
    assert found.effective_n == pytest.approx(29)


def test_order_of_clusters_and_of_outcomes_does_not_matter():
    rng = np.random.default_rng(3)
    events, sizes = beta_binomial(rng, 25, 0.3, 0.3, 3)
    found = clustered_proportion(events, sizes)
    order = rng.permutation(25)
    assert clustered_proportion(events[order], sizes[order]).low == pytest.approx(found.low)
    mirrored = clustered_proportion(sizes - events, sizes)
    assert mirrored.low == pytest.approx(1 - found.high)
    assert mirrored.design_effect == pytest.approx(found.design_effect)


def test_more_clusters_of_the_same_kind_halve_the_variance():
    rng = np.random.default_rng(4)
    events, sizes = beta_binomial(rng, 50, 0.3, 0.3, 3)
    once = clustered_proportion(events, sizes)
    twice = clustered_proportion(np.tile(events, 2), np.tile(sizes, 2))
    assert twice.estimate == pytest.approx(once.estimate)
    assert (twice.se / once.se) ** 2 == pytest.approx((100 / 99) / (50 / 49) / 2)


def test_modified_wilson_is_wider_with_few_clusters():
    rng = np.random.default_rng(5)
    events, sizes = beta_binomial(rng, 12, 0.4, 0.3, 4)
    plain = clustered_proportion(events, sizes, method="rao-scott")
    modified = clustered_proportion(events, sizes)
    assert modified.low < plain.low < plain.estimate < plain.high < modified.high


@pytest.mark.parametrize("method", METHODS)
def test_no_event_gives_the_limit_of_the_clusters(method):
    found = clustered_proportion([0] * 20, [2] * 20, method=method)
    assert found.estimate == 0
    assert (found.low, found.high) == (0.0, proportion(0, 20).high)
    assert math.isnan(found.design_effect)
    assert clustered_proportion([2] * 20, [2] * 20).low == proportion(20, 20).low


@pytest.mark.parametrize("method", METHODS)
def test_clusters_that_all_fit_the_share_have_no_limits(method):
    found = clustered_proportion([1, 1, 2], [3, 3, 6], method=method)
    assert found.estimate == pytest.approx(1 / 3)
    assert "no variance" in found.why_no_interval
    assert found.effective_n == math.inf


def test_one_cluster_and_none():
    one = clustered_proportion([1], [3])
    assert one.estimate == pytest.approx(1 / 3)
    assert one.why_no_interval.startswith("one cluster")
    none = clustered_proportion([], [])
    assert none.why_undefined == "no cluster with a unit"


def test_missing_and_empty_clusters_are_left_out_and_counted():
    found = clustered_proportion([1, 0, math.nan, 2, 0], [2, 0, 2, 3, math.nan])
    assert found.clusters == 2
    assert found.n_used == 5
    assert found.n_excluded == 3


@pytest.mark.parametrize(
    ("events", "sizes"),
    [([3], [2]), ([0.5], [2]), ([-1], [2]), ([1, 2], [2]), ([[1]], [[2]]), ([1], [math.inf])],
)
def test_counts_that_are_none_are_refused(events, sizes):
    with pytest.raises(InvalidInput, match="sizes"):
        clustered_proportion(events, sizes)


def test_choices_are_checked():
    with pytest.raises(InvalidInput) as caught:
        clustered_proportion([3, 1], [2, 2], method="wald", level=0)
    assert [f.where for f in caught.value.faults] == ["events, sizes", "method", "level"]
    with pytest.raises(InvalidInput, match="not numbers"):
        clustered_proportion(["one"], [2])


def test_tables_of_pandas():
    frame = pd.DataFrame({"events": [1, 2, None, 0], "sizes": [2, 2, 2, 1]}, dtype="Int64")
    found = clustered_proportion(frame["events"], frame["sizes"])
    assert (found.estimate, found.n_excluded) == (3 / 5, 1)


@pytest.mark.parametrize("method", METHODS)
def test_coverage_with_pairs(method):
    rng = np.random.default_rng(6)
    hits = 0
    for _ in range(400):
        events, sizes = beta_binomial(rng, 40, 0.25, 0.4, 2)
        found = clustered_proportion(events, sizes, method=method)
        hits += found.low <= 0.25 <= found.high
    assert 0.92 <= hits / 400 <= 0.985
