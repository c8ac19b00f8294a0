"""The same numbers from other programs, and from loops written straight from the definitions.

irrCAC is not run here: its release pins an old scipy. What it prints is in tests/reference.
"""

from __future__ import annotations

import math
import warnings
from fractions import Fraction
from itertools import combinations, permutations

import krippendorff
import numpy as np
import pytest
from sklearn.metrics import cohen_kappa_score
from statsmodels.stats.inter_rater import aggregate_raters, cohens_kappa
from statsmodels.stats.inter_rater import fleiss_kappa as statsmodels_fleiss

from imgtrack.stats import agreement

LEVELS = np.arange(4.0)
NAMES = ("identity", "linear", "quadratic", "ordinal")


def make_ratings(seed, subjects, readers, missing):
    rng = np.random.default_rng(seed)
    truth = rng.choice(4, p=[0.5, 0.25, 0.2, 0.05], size=(subjects, 1))
    noise = rng.integers(-1, 2, size=(subjects, readers)) * (rng.random((subjects, readers)) < 0.4)
    ratings = np.clip(truth + noise, 0, 3).astype(float)
    ratings[rng.random((subjects, readers)) < missing] = math.nan
    return ratings


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize(
    ("weights", "theirs"), [("identity", None), ("linear", "linear"), ("quadratic", "quadratic")]
)
def test_cohen_against_statsmodels_and_scikit_learn(seed, weights, theirs):
    a, b = make_ratings(seed, 60, 2, 0).T
    table = np.histogram2d(a, b, bins=[np.arange(-0.5, 4)] * 2)[0]
    expected = cohens_kappa(table, wt=theirs)
    found = agreement.cohen_kappa(a, b, categories=LEVELS, weights=weights)
    assert found.estimate == pytest.approx(expected.kappa, abs=1e-12)
    assert found.se == pytest.approx(expected.std_kappa, abs=1e-12)
    assert found.se_null == pytest.approx(expected.std_kappa0, abs=1e-12)
    assert found.low == pytest.approx(expected.kappa_low, abs=1e-12)
    assert found.high == pytest.approx(expected.kappa_upp, abs=1e-12)
    assert found.p_null == pytest.approx(expected.pvalue_two_sided, abs=1e-12)
    sklearn = cohen_kappa_score(a, b, labels=LEVELS, weights=theirs)
    assert found.estimate == pytest.approx(sklearn, abs=1e-12)
    assert agreement.confusion(a, b, categories=LEVELS).table.tolist() == table.tolist()


@pytest.mark.parametrize("seed", range(8))
def test_fleiss_and_free_marginal_kappa_against_statsmodels(seed):
    ratings = make_ratings(seed, 50, 4, 0)
    counts, used = aggregate_raters(ratings)
    fleiss = agreement.fleiss_kappa(ratings, categories=LEVELS)
    assert fleiss.estimate == pytest.approx(statsmodels_fleiss(counts), abs=1e-12)
    free = agreement.brennan_prediger(ratings, categories=used)
    assert free.estimate == pytest.approx(statsmodels_fleiss(counts, method="rand"), abs=1e-12)


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("metric", ["nominal", "ordinal", "interval", "ratio"])
@pytest.mark.parametrize("missing", [0.0, 0.3])
def test_alpha_against_krippendorff(seed, metric, missing):
    ratings = make_ratings(seed, 40, 3, missing)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # theirs divides 0 by 0 where two ratings are both 0
        expected = krippendorff.alpha(ratings.T, level_of_measurement=metric)
    found = agreement.krippendorff_alpha(ratings, metric=metric)
    assert found.estimate == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize("metric", ["ordinal", "interval", "ratio"])
def test_alpha_of_measurements_against_krippendorff(metric):
    rng = np.random.default_rng(6)
    lengths = np.round(rng.gamma(4, 5, size=(30, 1)) + rng.normal(0, 2, size=(30, 3)), 1) + 20
    lengths[rng.random(lengths.shape) < 0.2] = math.nan
    expected = krippendorff.alpha(lengths.T, level_of_measurement=metric)
    found = agreement.krippendorff_alpha(lengths, metric=metric)
    assert found.estimate == pytest.approx(expected, abs=1e-12)


def test_interval_alpha_keeps_its_digits_far_from_zero():
    # readers who differ by 0.001 on lengths of 1,000 to 2,000: 1 - alpha from exact fractions
    lengths = [1000 + Fraction(i * 37 % 1000) for i in range(20)]
    pairs = [(x, x + Fraction(i % 3, 1000)) for i, x in enumerate(lengths)]
    values = [x for pair in pairs for x in pair]
    within = sum((x - y) ** 2 for x, y in pairs) / Fraction(len(pairs))
    apart = sum((x - y) ** 2 for x, y in permutations(values, 2)) / Fraction(40 * 39)
    found = agreement.krippendorff_alpha(np.array(pairs, dtype=float), metric="interval")
    assert found.observed_disagreement == pytest.approx(float(within), rel=1e-9)
    assert 1 - found.estimate == pytest.approx(float(within / apart), rel=1e-6)


def by_definition(name, ratings, w):
    """Gwet's coefficients by loops over subjects and pairs of readers (Handbook 2014)."""
    given = ~np.isnan(ratings)
    rated = [row[row >= 0].astype(int) for row in ratings if (row >= 0).any()]
    agreed = [np.mean([w[x, y] for x, y in permutations(r, 2)]) for r in rated if len(r) > 1]
    shares = np.mean([[np.mean(r == k) for k in range(4)] for r in rated], axis=0)
    if name == "conger_kappa":
        margins = [
            [np.mean(ratings[given[:, g], g] == k) for k in range(4)]
            for g in range(ratings.shape[1])
        ]
        chance = np.mean([x @ w @ y for x, y in combinations(np.array(margins), 2)])
    else:
        chance = {
            "percent_agreement": 0.0,
            "fleiss_kappa": sum(
                w[i, j] * shares[i] * shares[j] for i in range(4) for j in range(4)
            ),
            "gwet_ac": w.sum() / 12 * sum(p * (1 - p) for p in shares),
            "brennan_prediger": w.sum() / 16,
        }[name]
    return (np.mean(agreed) - chance) / (1 - chance), np.mean(agreed), chance


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("weights", NAMES)
@pytest.mark.parametrize(
    "name",
    ["percent_agreement", "conger_kappa", "fleiss_kappa", "gwet_ac", "brennan_prediger"],
)
def test_missing_ratings_against_loops(seed, weights, name):
    ratings = make_ratings(seed, 30, 4, 0.45)
    expected = by_definition(name, ratings, agreement.agreement_weights(weights, 4))
    found = getattr(agreement, name)(ratings, categories=LEVELS, weights=weights)
    assert (found.estimate, found.observed, found.expected) == pytest.approx(expected, abs=1e-12)
    rated = np.isfinite(ratings).sum(axis=1)
    assert found.n_used == (rated > 0).sum()
    assert found.n_single == (rated == 1).sum() > 0


def test_specific_agreement_against_loops():
    ratings = make_ratings(5, 40, 4, 0.3)
    rows = [row[row >= 0] for row in ratings]
    pairs = [pair for row in rows for pair in permutations(row, 2)]
    weights = [1 for row in rows for _ in permutations(row, 2)]
    for part in agreement.specific_agreement(ratings, categories=LEVELS).per_category:
        first = [w for (x, _), w in zip(pairs, weights, strict=True) if x == part.category]
        both = [w for p, w in zip(pairs, weights, strict=True) if p == (part.category,) * 2]
        assert part.estimate == pytest.approx(sum(both) / sum(first), abs=1e-12)


@pytest.mark.parametrize("weights", NAMES)
def test_category_kappa_is_fleiss_kappa_of_the_collapsed_scale(weights):
    ratings = make_ratings(9, 40, 3, 0.2)
    whole = agreement.fleiss_kappa(ratings, categories=LEVELS, weights=weights)
    for part in whole.per_category:
        collapsed = np.where(np.isnan(ratings), math.nan, ratings == part.category)
        alone = agreement.fleiss_kappa(collapsed, categories=(0, 1))
        assert part.estimate == pytest.approx(alone.estimate, abs=1e-12)
        assert part.se == pytest.approx(alone.se, abs=1e-12)
