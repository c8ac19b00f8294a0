"""Identities and invariances the coefficients must have, on random ratings with missing values."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from imgtrack.stats import agreement

LEVELS = (1, 2, 3, 4, 5)
MARGINAL = {
    "percent_agreement": agreement.percent_agreement,
    "conger_kappa": agreement.conger_kappa,
    "fleiss_kappa": agreement.fleiss_kappa,
    "gwet_ac": agreement.gwet_ac,
    "brennan_prediger": agreement.brennan_prediger,
}
SEVERAL = MARGINAL | {"krippendorff_alpha": agreement.krippendorff_alpha}


def make_ratings(seed, subjects=40, readers=3, *, missing=0.15, levels=LEVELS):
    """Ratings of readers who mostly follow one truth; the first two subjects stay complete."""
    rng = np.random.default_rng(seed)
    truth = rng.integers(0, len(levels), size=(subjects, 1))
    noise = rng.integers(-1, 2, size=(subjects, readers)) * (rng.random((subjects, readers)) < 0.5)
    ratings = np.array(levels, dtype=float)[np.clip(truth + noise, 0, len(levels) - 1)]
    ratings[2:][rng.random((subjects - 2, readers)) < missing] = math.nan
    return ratings


SEEDS = st.integers(0, 2**32 - 1)
quick = settings(max_examples=15, deadline=None, derandomize=True)


@pytest.mark.parametrize("name", SEVERAL)
@given(seed=SEEDS)
@quick
def test_order_of_readers_and_subjects_does_not_matter(name, seed):
    ratings = make_ratings(seed)
    rng = np.random.default_rng(seed)
    shuffled = ratings[rng.permutation(len(ratings))][:, rng.permutation(3)]
    before, after = (SEVERAL[name](x, categories=LEVELS) for x in (ratings, shuffled))
    assert after.estimate == pytest.approx(before.estimate, abs=1e-12)
    assert after.se == pytest.approx(before.se, abs=1e-12)


@pytest.mark.parametrize("name", SEVERAL)
@given(seed=SEEDS)
@quick
def test_names_of_categories_do_not_matter_without_weights(name, seed):
    ratings = make_ratings(seed)
    renamed = np.where(np.isnan(ratings), math.nan, (ratings * 3) % 7)  # 3, 6, 2, 5, 1
    before = SEVERAL[name](ratings, categories=LEVELS)
    after = SEVERAL[name](renamed, categories=(1, 2, 3, 5, 6))
    assert after.estimate == pytest.approx(before.estimate, abs=1e-12)
    assert after.se == pytest.approx(before.se, abs=1e-12)


@pytest.mark.parametrize("weights", ["linear", "quadratic", "ordinal"])
@pytest.mark.parametrize("name", MARGINAL)
@given(seed=SEEDS)
@quick
def test_reversed_scale_keeps_weighted_coefficients(name, weights, seed):
    ratings = make_ratings(seed)
    before, after = (
        MARGINAL[name](x, categories=LEVELS, weights=weights) for x in (ratings, 6 - ratings)
    )
    assert after.estimate == pytest.approx(before.estimate, abs=1e-12)


@pytest.mark.parametrize("name", MARGINAL)
@given(seed=SEEDS)
@quick
def test_every_subject_twice(name, seed):
    ratings = make_ratings(seed, missing=0)
    n = len(ratings)
    once, twice = (
        MARGINAL[name](x, categories=LEVELS) for x in (ratings, np.tile(ratings, (2, 1)))
    )
    assert twice.estimate == pytest.approx(once.estimate, abs=1e-12)
    assert twice.se == pytest.approx(once.se * math.sqrt((n - 1) / (2 * n - 1)), rel=1e-9)


@given(seed=SEEDS)
@quick
def test_alpha_is_fleiss_kappa_with_a_small_sample_term(seed):
    # Krippendorff K. Human Communication Research 2004;30:411-433: alpha = 1 - (1 - 1/N)(1 - pi)
    ratings = make_ratings(seed, missing=0)
    alpha = agreement.krippendorff_alpha(ratings)
    kappa = agreement.fleiss_kappa(ratings, categories=LEVELS)
    expected = 1 - (1 - 1 / alpha.n_values) * (1 - kappa.estimate)
    assert alpha.estimate == pytest.approx(expected, abs=1e-12)


@given(seed=SEEDS)
@quick
def test_ordinal_alpha_depends_on_order_only(seed):
    ratings = make_ratings(seed)
    stretched = ratings**3
    before, after = (
        agreement.krippendorff_alpha(x, metric="ordinal") for x in (ratings, stretched)
    )
    assert after.estimate == pytest.approx(before.estimate, abs=1e-12)


@given(seed=SEEDS)
@quick
def test_alpha_metrics_keep_their_units(seed):
    ratings = make_ratings(seed)
    for metric, moved in (("interval", 10 + 2.5 * ratings), ("ratio", 2.5 * ratings)):
        before, after = (agreement.krippendorff_alpha(x, metric=metric) for x in (ratings, moved))
        assert after.estimate == pytest.approx(before.estimate, abs=1e-10)
        assert after.se == pytest.approx(before.se, abs=1e-10)


@given(seed=SEEDS)
@quick
def test_two_readers_conger_is_cohen_and_order_of_readers_does_not_matter(seed):
    a, b = make_ratings(seed, readers=2, missing=0).T
    n = len(a)
    for weights in ("identity", "linear", "quadratic", "ordinal"):
        there, back = (
            agreement.cohen_kappa(x, y, categories=LEVELS, weights=weights)
            for x, y in ((a, b), (b, a))
        )
        both = np.column_stack([a, b])
        conger = agreement.conger_kappa(both, categories=LEVELS, weights=weights)
        assert back.estimate == pytest.approx(there.estimate, abs=1e-12)
        assert back.se_null == pytest.approx(there.se_null, abs=1e-12)
        assert conger.estimate == pytest.approx(there.estimate, abs=1e-12)
        assert conger.se == pytest.approx(there.se * math.sqrt(n / (n - 1)), abs=1e-12)


@given(seed=SEEDS)
@quick
def test_quadratic_kappa_is_the_concordance_correlation(seed):
    # Fleiss JL, Cohen J. Educ Psychol Meas 1973;33:613-619; Lin LI. Biometrics 1989;45:255-268
    a, b = make_ratings(seed, readers=2, missing=0).T
    concordance = 2 * np.cov(a, b, ddof=0)[0, 1] / (a.var() + b.var() + (a.mean() - b.mean()) ** 2)
    kappa = agreement.cohen_kappa(a, b, categories=LEVELS, weights="quadratic")
    assert kappa.estimate == pytest.approx(concordance, abs=1e-12)


@given(seed=SEEDS)
@quick
def test_two_levels(seed):
    a, b = make_ratings(seed, readers=2, levels=(0, 1)).T
    both = np.column_stack([a, b])
    complete = both[~np.isnan(both).any(axis=1)]
    parts = agreement.prevalence_bias(a, b, categories=(0, 1))
    uniform = agreement.brennan_prediger(complete, categories=(0, 1))
    linear = agreement.cohen_kappa(a, b, categories=(0, 1), weights="linear")
    assert parts.pabak.estimate == pytest.approx(uniform.estimate, abs=1e-12)
    assert parts.kappa.estimate == linear.estimate  # all weights are alike with two levels
    assert parts.kappa.estimate <= parts.largest_kappa.estimate + 1e-12
    pi, bi = parts.prevalence_index.estimate, parts.bias_index.estimate
    identity = (parts.pabak.estimate - pi**2 + bi**2) / (1 - pi**2 + bi**2)
    assert parts.kappa.estimate == pytest.approx(identity, abs=1e-12)
    share = agreement.percent_agreement(complete, categories=(0, 1))
    assert parts.pabak.low == pytest.approx(2 * share.low - 1, abs=1e-12)


@given(seed=SEEDS)
@quick
def test_agreement_is_the_mean_of_specific_agreements(seed):
    # weighted by how often each level was used: Cicchetti and Feinstein 1990, for several levels
    ratings = make_ratings(seed, missing=0)
    parts = agreement.specific_agreement(ratings, categories=LEVELS).per_category
    used = [np.mean(ratings == part.category) for part in parts]
    values = [part.estimate if part.defined else 0.0 for part in parts]
    whole = agreement.percent_agreement(ratings, categories=LEVELS)
    assert np.dot(used, values) == pytest.approx(whole.estimate, abs=1e-12)


@pytest.mark.parametrize("name", SEVERAL)
def test_unrated_subjects_and_readers_change_nothing(name):
    ratings = make_ratings(4)
    padded = np.pad(ratings, ((0, 3), (0, 1)), constant_values=math.nan)
    before, after = (SEVERAL[name](x, categories=LEVELS) for x in (ratings, padded))
    assert after.estimate == before.estimate
    assert after.n_readers == before.n_readers == 3
    assert after.n_excluded == before.n_excluded + 3


def test_unused_levels_count_where_the_definition_says_so():
    ratings = make_ratings(8, levels=(1, 2, 3))
    for name in ("percent_agreement", "conger_kappa", "fleiss_kappa", "krippendorff_alpha"):
        few, many = (SEVERAL[name](ratings, categories=c).estimate for c in ((1, 2, 3), LEVELS))
        assert few == pytest.approx(many, abs=1e-12)
    for name in ("gwet_ac", "brennan_prediger"):
        few, many = (SEVERAL[name](ratings, categories=c).estimate for c in ((1, 2, 3), LEVELS))
        assert few < many


@pytest.mark.parametrize("interval", ["wald", "log"])
@given(seed=SEEDS, level=st.floats(0.5, 0.999))
@quick
def test_limits_hold_the_estimate_and_widen_with_the_level(interval, seed, level):
    ratings = make_ratings(seed)
    narrow, wide = (
        agreement.gwet_ac(ratings, categories=LEVELS, level=x, interval=interval)
        for x in (level, (1 + level) / 2)
    )
    assert wide.low < narrow.low < narrow.estimate < narrow.high <= wide.high <= 1
