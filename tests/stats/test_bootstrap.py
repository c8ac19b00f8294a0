"""The bootstrap engine: what a replicate is, what it does not depend on, and its limits."""

from __future__ import annotations

import math
from functools import partial

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from imgtrack.domain.errors import InvalidInput
from imgtrack.stats import agreement, bootstrap
from imgtrack.stats.reliability import icc

LEVELS = (0, 1, 2, 3)


def make_ratings(seed, subjects=40, readers=3, missing=0.15):
    rng = np.random.default_rng(seed)
    truth = rng.choice(4, p=[0.4, 0.3, 0.2, 0.1], size=(subjects, 1))
    noise = rng.integers(-1, 2, size=(subjects, readers)) * (rng.random((subjects, readers)) < 0.4)
    ratings = np.clip(truth + noise, 0, 3).astype(float)
    ratings[rng.random((subjects, readers)) < missing] = math.nan
    return ratings


def make_lengths(seed, subjects=30, readers=3):
    rng = np.random.default_rng(seed)
    return 50 + 5 * rng.normal(size=(subjects, 1)) + 2 * rng.normal(size=(subjects, readers))


SMALL = agreement.sums.cohen_kappa(*make_ratings(1, readers=2).T, categories=LEVELS)


def estimators():
    """Pairs: sums of the data, and the estimate of resampled data by the usual function."""
    ratings, lengths = make_ratings(2, subjects=39), make_lengths(3, subjects=31)
    weighted = {"categories": LEVELS, "weights": "linear"}
    for name in (
        "percent_agreement",
        "conger_kappa",
        "fleiss_kappa",
        "gwet_ac",
        "brennan_prediger",
    ):
        yield (
            getattr(agreement.sums, name)(ratings, **weighted),
            partial(estimate_by, getattr(agreement, name), ratings, **weighted),
        )
    for metric in ("nominal", "ordinal", "interval", "ratio"):
        yield (
            agreement.sums.krippendorff_alpha(ratings, metric=metric),
            partial(estimate_by, agreement.krippendorff_alpha, ratings, metric=metric),
        )
    yield (
        agreement.sums.cohen_kappa(*ratings[:, :2].T, categories=LEVELS),
        lambda drawn: agreement.cohen_kappa(*ratings[drawn, :2].T, categories=LEVELS).estimate,
    )
    for form in (
        {"model": "oneway"},
        {"model": "twoway", "definition": "agreement"},
        {"model": "twoway-mixed", "definition": "consistency"},
    ):
        for unit in ("single", "average"):
            yield (
                bootstrap.sums.icc(lengths, **form, unit=unit),
                partial(estimate_by, icc, lengths, **form, unit=unit),
            )


def estimate_by(function, data, drawn, **arguments):
    return function(data[drawn], **arguments).estimate


def test_a_replicate_is_the_estimate_of_the_resampled_subjects():
    rng = np.random.default_rng(5)
    for sums, estimate in estimators():
        n = len(sums.features)
        for _ in range(5):
            drawn = rng.integers(0, n, size=n)
            totals = sums.features[drawn].sum(axis=0)
            found = float(sums.statistic(totals))
            assert found == pytest.approx(estimate(drawn), abs=1e-10), sums.name


def test_specific_agreement_can_be_resampled():
    ratings = make_ratings(2)
    sums = agreement.sums.specific_agreement(ratings, category=1, categories=LEVELS)
    expected = agreement.specific_agreement(ratings, categories=LEVELS).per_category[1]
    found = bootstrap.interval(sums, rng=1, replicates=4000)
    assert found.estimate == expected.estimate
    assert found.se == pytest.approx(expected.se, rel=0.1)
    assert (found.n_used, found.n_excluded) == (expected.n_used, expected.n_excluded)


@pytest.mark.parametrize("block", [1, 7, 64, 1000])
def test_block_size_does_not_matter(block):
    for sums, _ in estimators():
        whole = bootstrap.replicate(sums, rng=9, replicates=300)
        parts = bootstrap.replicate(sums, rng=9, replicates=300, block=block)
        np.testing.assert_allclose(parts, whole, rtol=1e-12, atol=1e-12)


def test_seed_and_order_of_subjects():
    ratings = make_ratings(4)
    shuffled = ratings[np.random.default_rng(0).permutation(len(ratings))]
    first, again, other, moved = (
        bootstrap.replicate(agreement.sums.gwet_ac(x, categories=LEVELS), rng=seed, replicates=100)
        for x, seed in ((ratings, 1), (ratings, 1), (ratings, 2), (shuffled, 1))
    )
    np.testing.assert_array_equal(first, again)
    np.testing.assert_allclose(first, moved, rtol=1e-12)
    assert not np.array_equal(first, other)
    generator = np.random.default_rng(1)
    drawn = bootstrap.replicate(
        agreement.sums.gwet_ac(ratings, categories=LEVELS), rng=generator, replicates=100
    )
    np.testing.assert_array_equal(drawn, first)


def test_draws_are_those_of_the_bootstrap():
    # a mean of n resampled values has variance s^2/n exactly (Efron and Tibshirani, section 5.2)
    events = np.repeat([1, 0], [12, 28])
    drawn = bootstrap.replicate(bootstrap.sums.proportion(events), rng=6, replicates=40_000)
    assert drawn.mean() == pytest.approx(0.3, abs=4 * math.sqrt(0.21 / 40 / 40_000))
    assert drawn.var() == pytest.approx(0.21 / 40, rel=0.03)
    counts = np.rint(drawn * 40).astype(int)
    expected = stats.binom(40, 0.3).pmf(np.arange(5, 20)) * 40_000
    observed = np.bincount(counts, minlength=41)[5:20]
    assert np.sum((observed - expected) ** 2 / expected) < stats.chi2(15).ppf(0.999)


@pytest.mark.parametrize("method", ["bca", "percentile"])
def test_limits_against_scipy(method):
    rng = np.random.default_rng(8)
    x = rng.gamma(2, size=25)
    sums = bootstrap.sums.proportion(x, np.full(25, 30.0))
    drawn = bootstrap.replicate(sums, rng=3, replicates=2000)
    theirs = stats.bootstrap(
        (x,),
        lambda v, axis: v.mean(axis=axis) / 30,
        n_resamples=0,
        method={"bca": "BCa"}.get(method, method),
        confidence_level=0.9,
        bootstrap_result=type("Given", (), {"bootstrap_distribution": drawn})(),
    ).confidence_interval
    found = bootstrap.interval(sums, rng=3, replicates=2000, method=method, level=0.9)
    assert (found.low, found.high) == pytest.approx((theirs.low, theirs.high), abs=1e-10)
    assert math.isnan(found.acceleration) == (method == "percentile")


def test_whole_clusters_are_drawn():
    ratings = make_ratings(7, subjects=30)
    twice, patient = np.repeat(ratings, 2, axis=0), np.repeat(np.arange(30), 2)
    one, clustered, naive = (
        bootstrap.interval(
            agreement.sums.gwet_ac(x, categories=LEVELS), clusters=c, rng=5, replicates=1000
        )
        for x, c in ((ratings, None), (twice, patient), (twice, None))
    )
    assert clustered.n_clusters == 30
    assert clustered.n_used == 60
    # two copies of each subject carry no information beyond one
    assert (clustered.low, clustered.high) == pytest.approx((one.low, one.high), abs=1e-12)
    assert naive.se == pytest.approx(one.se / math.sqrt(2), rel=0.1)


def test_clustered_proportion_has_the_ratio_estimators_spread():
    # Cochran WG. Sampling Techniques, 3rd ed. 1977, eq. 2.39: sum (y - p m)^2 n/(n - 1)/M^2
    rng = np.random.default_rng(2)
    sizes = rng.integers(1, 4, size=80)
    events = rng.binomial(sizes, rng.beta(1, 3, size=80))
    p = events.sum() / sizes.sum()
    expected = math.sqrt(80 / 79 * np.sum((events - p * sizes) ** 2)) / sizes.sum()
    labels = np.repeat(np.arange(80), sizes)
    single = np.concatenate(
        [np.repeat([1, 0], [e, m - e]) for e, m in zip(events, sizes, strict=True)]
    )
    for sums, clusters in (
        (bootstrap.sums.proportion(events, sizes), None),
        (bootstrap.sums.proportion(single), labels.astype(str)),
    ):
        found = bootstrap.interval(sums, clusters=clusters, rng=1, replicates=4000)
        assert found.estimate == pytest.approx(p)
        assert found.n_clusters == 80
        assert found.se == pytest.approx(expected, rel=0.05)


def test_missing_subjects_are_not_resampled():
    events = np.array([1, 0, math.nan, 1, 0])
    found = bootstrap.interval(bootstrap.sums.proportion(events), rng=1, replicates=200)
    assert (found.n_used, found.n_excluded, found.n_clusters) == (4, 1, 4)
    lengths = make_lengths(1)
    lengths[0, 1] = math.nan
    sums = bootstrap.sums.icc(lengths)
    assert sums.value() == pytest.approx(icc(lengths[1:]).estimate, abs=1e-12)
    patients = np.repeat(["p", "q"], [1, 29])
    assert bootstrap.interval(sums, clusters=patients, rng=1).n_clusters == 1


def test_tables_with_missing_values_are_read():
    lengths = pd.DataFrame(np.round(make_lengths(1)), columns=list("abc"))
    lengths.iloc[0, 1] = math.nan
    plain, nullable = (bootstrap.sums.icc(x) for x in (lengths, lengths.astype("Int64")))
    assert plain.value() == pytest.approx(nullable.value(), abs=1e-12)
    assert nullable.enters.sum() == len(lengths) - 1
    events = pd.Series([1, 0, None], dtype="Int64")
    assert bootstrap.sums.proportion(events).value() == 0.5


def test_interval_reports_how_it_was_made():
    found = bootstrap.interval(SMALL, rng=1, replicates=500, level=0.9)
    assert found.method == "Cohen's kappa; bca bootstrap of clusters"
    assert (found.replicates, found.undefined_replicates, found.level) == (500, 0, 0.9)
    drawn = bootstrap.replicate(SMALL, rng=1, replicates=500)
    assert found.bias == pytest.approx(drawn.mean() - found.estimate)
    assert found.se == pytest.approx(drawn.std(ddof=1))
    assert found.low < found.estimate < found.high


def no_limits(sums, why, **arguments):
    found = bootstrap.interval(sums, **({"rng": 1, "replicates": 200} | arguments))
    assert math.isnan(found.low)
    assert math.isnan(found.high)
    assert why in found.why_no_interval
    return found


def test_no_limits_when_nothing_varies_or_nothing_is_left():
    perfect = np.repeat([[0, 0], [1, 1]], 15, axis=0)
    found = no_limits(agreement.sums.gwet_ac(perfect, categories=(0, 1)), "same value")
    assert found.estimate == 1
    empty = agreement.sums.gwet_ac(np.full((3, 2), math.nan), categories=(0, 1))
    found = no_limits(empty, "undefined")
    assert found.why_undefined
    assert (found.n_clusters, found.undefined_replicates) == (0, 200)
    assert math.isnan(found.bias)
    no_limits(SMALL, "one cluster", clusters=["p"] * 40)


def test_no_limits_when_many_replicates_are_undefined():
    rare = np.zeros((20, 2))
    rare[0] = [1, 1]
    rare[1] = [1, 0]
    found = no_limits(agreement.sums.cohen_kappa(*rare.T, categories=(0, 1)), "undefined")
    # neither of two subjects is drawn with chance (18/20)^20 = 0.122
    assert found.undefined_replicates / 200 == pytest.approx(0.122, abs=0.08)


def custom(features, statistic):
    return bootstrap.SubjectSums(
        name="custom", features=np.array(features, dtype=float), statistic=statistic, why_nan="none"
    )


def test_no_bca_limits_when_the_correction_breaks_down():
    ten = np.column_stack([np.ones(10), np.arange(10.0)])
    roots = np.column_stack([np.ones(10), np.sqrt(np.arange(10.0))])
    whole = roots[:, 1].sum()
    lowest = custom(roots, lambda t: np.where(np.abs(t[..., 1] - whole) < 1e-9, 0.0, 1 + t[..., 1]))
    no_limits(lowest, "one side", rng=4, replicates=20)
    fragile = custom(ten, lambda t: np.where(t[..., 0] == 9, np.nan, t[..., 1]))
    no_limits(fragile, "leaving one cluster out")
    steep = np.column_stack([np.ones(10), np.r_[np.zeros(9), 1.0]])
    assert bootstrap.interval(
        custom(steep, lambda t: t[..., 1]), rng=1, level=0.9, method="percentile"
    ).defined
    no_limits(custom(steep, lambda t: t[..., 1]), "too large", level=1 - 1e-12)


def test_refusals():
    def refused(call, *args, **kwargs):
        with pytest.raises(InvalidInput) as caught:
            call(*args, **kwargs)
        return [fault.where for fault in caught.value.faults]

    assert refused(
        bootstrap.interval, SMALL, rng=1, method="basic", level=2, replicates=0, block=0
    ) == ["method", "level", "replicates", "block"]
    assert refused(bootstrap.replicate, SMALL, rng=1, replicates=1.5, block=-1) == [
        "replicates",
        "block",
    ]
    assert refused(bootstrap.interval, SMALL, rng=1, clusters=[1, 2]) == ["clusters"]
    missing = np.r_[math.nan, np.arange(39)]
    assert refused(bootstrap.interval, SMALL, rng=1, clusters=missing) == ["clusters"]
    proportion = bootstrap.sums.proportion
    assert refused(proportion, [1, 2], [2, 1]) == ["events"]
    assert refused(proportion, [1, -1], [2, 1]) == ["events"]
    assert refused(proportion, [1, 1], [2]) == ["events"]
    assert refused(bootstrap.sums.icc, [1, 2]) == ["values"]
    assert refused(bootstrap.sums.icc, [[1], [2]]) == ["values"]
    assert refused(bootstrap.sums.icc, [[1, math.inf], [2, 3]]) == ["values"]
    assert refused(proportion, [1, 1], [2, math.inf]) == ["events"]
    assert refused(
        bootstrap.sums.icc, [[1, 2]], model="threeway", definition="exact", unit="all"
    ) == ["model", "definition", "unit"]
    assert refused(bootstrap.sums.icc, [[1, 2]], model="oneway", definition="consistency") == [
        "definition"
    ]


def test_unknown_level_of_specific_agreement():
    with pytest.raises(InvalidInput, match="no such level"):
        agreement.sums.specific_agreement([[0, 1]], category=2, categories=(0, 1))


def test_icc_without_variation():
    assert math.isnan(bootstrap.sums.icc(np.full((5, 3), 7.3)).value())
    assert math.isnan(bootstrap.sums.icc([[1.0, 2.0]]).value())
    assert math.isnan(bootstrap.sums.icc(np.empty((0, 2))).value())


def test_bca_limits_of_kappa_cover():
    # 200 samples: 95 % -/+ 4.7 % is three standard errors of the simulation
    rng = np.random.default_rng(12)
    hits = 0
    for _ in range(200):
        cells = rng.multinomial(80, [0.237, 0.063, 0.063, 0.637])  # prevalence 0.3, kappa 0.7
        a, b = np.repeat([1, 1, 0, 0], cells), np.repeat([1, 0, 1, 0], cells)
        sums = agreement.sums.cohen_kappa(a, b, categories=(0, 1))
        found = bootstrap.interval(sums, rng=rng, replicates=1000)
        hits += found.low <= 0.7 <= found.high
    assert hits / 200 == pytest.approx(0.95, abs=0.047)
