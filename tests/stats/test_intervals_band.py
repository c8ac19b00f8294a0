"""Confidence limits for survival: known special cases, resampling, refusals, coverage."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.stats import binom, chi2

from imgtrack.domain.errors import InvalidInput
from imgtrack.stats.intervals import confidence_band, npmle


def one_visit(torn, intact, day=365.0):
    """Everybody seen once, on one day: a binomial sample in disguise."""
    left = np.concatenate((np.zeros(torn), np.full(intact, day)))
    return left, np.concatenate((np.full(torn, day), np.full(intact, np.inf)))


def binomial_ratio_limits(intact, n, level):
    """Likelihood-ratio limits of a proportion, from the binomial likelihood."""
    share = intact / n

    def excess(p):
        drop = intact * np.log(share / p) if intact else 0.0
        drop += (n - intact) * np.log((1 - share) / (1 - p)) if intact < n else 0.0
        return drop - chi2.ppf(level, 1) / 2

    low = 0.0 if intact == 0 else brentq(excess, 1e-12, share, xtol=1e-12)
    high = 1.0 if intact == n else brentq(excess, share, 1 - 1e-12, xtol=1e-12)
    return low, high


@pytest.mark.parametrize(("torn", "intact"), [(9, 31), (1, 20), (0, 15), (12, 0)])
@pytest.mark.parametrize("level", [0.8, 0.95])
def test_one_fixed_visit_gives_the_binomial_ratio(torn, intact, level):
    band = confidence_band(*one_visit(torn, intact), 365, level=level)
    low, high = binomial_ratio_limits(intact, torn + intact, level)
    assert band.low[0] == pytest.approx(low, abs=2e-5)
    assert band.high[0] == pytest.approx(high, abs=2e-5)
    assert band.estimate_upper[0] == pytest.approx(intact / (torn + intact))


def test_fixed_visits_without_gaps_collapse_to_the_binomial_ratio():
    """With all visits kept the profile of the multinomial is binomial at every visit."""
    left = np.repeat([0.0, 91, 182, 365], [7, 5, 6, 40])
    right = np.repeat([91.0, 182, 365, np.inf], [7, 5, 6, 40])
    band = confidence_band(left, right, [91, 182, 365])
    for at, intact in enumerate((51, 46, 40)):
        low, high = binomial_ratio_limits(intact, 58, 0.95)
        assert band.low[at] == pytest.approx(low, abs=2e-5)
        assert band.high[at] == pytest.approx(high, abs=2e-5)


def test_between_visits_the_limits_span_both_ends():
    """Inside a place with mass nothing is known: the limits reach from visit to visit."""
    left, right = one_visit(9, 31)
    band = confidence_band(left, right, [0, 100, 365, 500])
    assert band.high[:2] == pytest.approx([1.0, 1.0])
    assert band.low[1] == pytest.approx(band.low[2], abs=1e-5)
    assert band.low[3] == 0
    assert band.high[3] == pytest.approx(band.high[2], abs=1e-5)
    assert band.low[0] == pytest.approx(np.exp(-chi2.ppf(0.95, 1) / 2 / 40), abs=1e-4)


def test_limits_enclose_the_estimate_and_widen_with_the_level():
    rng = np.random.default_rng(1)
    left = np.round(rng.uniform(0, 300, 80))
    right = np.where(rng.random(80) < 0.4, np.inf, left + np.round(rng.uniform(20, 200, 80)))
    times = [0.0, 60.0, 150.0, 300.0, 450.0]
    narrow = confidence_band(left, right, times, level=0.8)
    wide = confidence_band(left, right, times, level=0.99)
    for band in (narrow, wide):
        assert np.all(band.low <= band.estimate_lower + 1e-9)
        assert np.all(band.high >= band.estimate_upper - 1e-9)
    assert np.all(wide.low <= narrow.low + 1e-6)
    assert np.all(wide.high >= narrow.high - 1e-6)
    found = npmle(left, right).survival(times)
    np.testing.assert_allclose(narrow.estimate_lower, found.lower, atol=1e-6)


def test_weights_are_counts():
    left, right = one_visit(9, 31)
    short = confidence_band([0, 365], [365, np.inf], 365, weights=[9, 31])
    assert short.low[0] == pytest.approx(confidence_band(left, right, 365).low[0], abs=1e-5)


def test_bootstrap_of_one_fixed_visit_is_binomial():
    band = confidence_band(
        *one_visit(12, 48), 365, method="bootstrap", rng=4, replicates=1500, level=0.9
    )
    exact = binom.ppf([0.05, 0.95], 60, 0.8) / 60
    np.testing.assert_allclose([band.low[0], band.high[0]], exact, atol=0.025)
    counted = confidence_band(
        [0, 365],
        [365, np.inf],
        365,
        weights=[12, 48],
        method="bootstrap",
        rng=4,
        replicates=1500,
        level=0.9,
    )
    np.testing.assert_allclose([counted.low[0], counted.high[0]], exact, atol=0.025)


def test_bootstrap_is_seeded_and_resamples_whole_patients():
    left, right = one_visit(12, 48)
    arguments = {"method": "bootstrap", "rng": 7, "replicates": 400}
    plain = confidence_band(left, right, 365, **arguments)
    again = confidence_band(left, right, 365, **arguments)
    assert (plain.low[0], plain.high[0]) == (again.low[0], again.high[0])
    # Both shoulders of a patient end alike: thirty patients' worth of information.
    paired = confidence_band(left, right, 365, clusters=np.arange(60) // 2, **arguments)
    assert paired.n_clusters == 30
    assert paired.high[0] - paired.low[0] > 1.15 * (plain.high[0] - plain.low[0])
    alone = confidence_band(left, right, 365, clusters=[f"p{i}" for i in range(60)], **arguments)
    assert alone.low[0] == pytest.approx(plain.low[0], abs=0.05)


def test_bootstrap_says_nothing_where_every_resample_is_the_same():
    band = confidence_band(*one_visit(9, 31), [0, 365], method="bootstrap", rng=1, replicates=50)
    assert np.isnan(band.low[0])
    assert np.isnan(band.high[0])
    assert band.low[1] < band.high[1]


def test_the_caution_speaks_of_theory():
    fixed = confidence_band(*one_visit(3, 7), 365)
    assert "pointwise" in fixed.caution
    drawn = confidence_band(*one_visit(3, 7), 365, method="bootstrap", rng=1, replicates=20)
    assert "inconsistent" in drawn.caution


def test_nothing_observed_gives_a_reason():
    band = confidence_band([np.nan], [1.0], [1.0])
    assert not band.defined
    assert band.why_undefined == "no complete interval"
    assert np.isnan(band.low[0])
    assert band.n_excluded == 1


@pytest.mark.parametrize(
    ("arguments", "wheres"),
    [
        ({"method": "greenwood", "level": 1.0}, ["method", "level"]),
        ({"method": "bootstrap", "replicates": 1}, ["replicates", "rng"]),
        ({"clusters": [1, 1]}, ["clusters"]),
        ({"clusters": [1, None], "method": "bootstrap", "rng": 1}, ["clusters"]),
        ({"clusters": [1], "method": "bootstrap", "rng": 1}, ["clusters"]),
    ],
)
def test_impossible_arguments_are_refused(arguments, wheres):
    with pytest.raises(InvalidInput) as caught:
        confidence_band([0.0, 5.0], [5.0, np.inf], [5.0], **arguments)
    assert [fault.where for fault in caught.value.faults] == wheres


def covered(samples, *, windows):
    """Share of simulated samples whose 95 % limits contain the true survival at one year."""
    rng = np.random.default_rng(20)
    truth, hits = 1 - 0.3 * (1 - np.exp(-3.65)), 0
    for _ in range(samples):
        event = np.where(rng.random(90) < 0.3, rng.exponential(100, 90), np.inf)[:, None]
        spread = np.array([14, 28, 56]) if windows else 0
        days = np.array([91, 182, 365]) + spread * rng.uniform(-1, 1, (90, 3))
        left = np.max(np.where(days < event, days, 0), axis=1)
        right = np.min(np.where(days >= event, days, np.inf), axis=1)
        band = confidence_band(left, right, 365)
        hits += band.low[0] <= truth <= band.high[0]
    return hits / samples


def test_coverage_of_a_small_simulation():
    """Wide enough for chance: 95 % plus or minus four standard errors."""
    assert covered(150, windows=False) > 0.88


@pytest.mark.nightly
@pytest.mark.parametrize("windows", [False, True])
def test_coverage_is_nominal(windows):
    assert 0.93 <= covered(2000, windows=windows) <= 0.985
