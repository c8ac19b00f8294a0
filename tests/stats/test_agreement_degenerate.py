"""Data that leave a coefficient undefined or without limits, each with its documented reason."""

from __future__ import annotations

import math

import numpy as np
import pytest

from imgtrack.stats import agreement

NAN = math.nan
TWO = (0, 1)
SEVERAL = {
    "percent_agreement": agreement.percent_agreement,
    "conger_kappa": agreement.conger_kappa,
    "fleiss_kappa": agreement.fleiss_kappa,
    "gwet_ac": agreement.gwet_ac,
    "brennan_prediger": agreement.brennan_prediger,
    "krippendorff_alpha": agreement.krippendorff_alpha,
}
CORRECTED = [name for name in SEVERAL if name != "percent_agreement"]
NEEDS_TWO_CATEGORIES = ["conger_kappa", "fleiss_kappa", "krippendorff_alpha"]


def assert_undefined(result, why):
    assert math.isnan(result.estimate)
    assert math.isnan(result.low)
    assert math.isnan(result.high)
    assert why in result.why_undefined
    assert not result.defined


@pytest.mark.parametrize("name", SEVERAL)
@pytest.mark.parametrize(
    ("ratings", "why", "used", "excluded"),
    [
        (np.empty((0, 2)), "no subject", 0, 0),
        (np.empty((3, 0)), "no subject", 0, 3),
        (np.full((3, 2), NAN), "no subject", 0, 3),
        (np.array([[0.0], [1.0]]), "no subject was rated by two readers", 2, 0),
        (np.array([[0.0, NAN], [NAN, 1.0]]), "no subject was rated by two readers", 2, 0),
    ],
    ids=["no subjects", "no readers", "all missing", "one reader", "no pair"],
)
def test_nothing_to_compare(name, ratings, why, used, excluded):
    result = SEVERAL[name](ratings, categories=TWO)
    assert_undefined(result, why)
    if name == "krippendorff_alpha":  # subjects with one rating do not enter alpha
        used, excluded = 0, used + excluded
    assert (result.n_used, result.n_excluded) == (used, excluded)


@pytest.mark.parametrize("name", NEEDS_TWO_CATEGORIES)
@pytest.mark.parametrize("subjects", [1, 5])
def test_one_category_used_leaves_margin_based_coefficients_undefined(name, subjects):
    result = SEVERAL[name](np.ones((subjects, 3)), categories=TWO)
    assert_undefined(result, "one category only")
    assert result.n_used == subjects


@pytest.mark.parametrize("name", ["gwet_ac", "brennan_prediger"])
def test_one_category_used_is_full_agreement_where_chance_needs_no_margins(name):
    result = SEVERAL[name](np.ones((5, 3)), categories=TWO)
    assert result.estimate == 1
    assert result.se == 0
    assert math.isnan(result.low)
    assert "no spread" in result.why_no_interval


@pytest.mark.parametrize("name", ["conger_kappa", "fleiss_kappa", "gwet_ac", "brennan_prediger"])
def test_one_declared_level(name):
    assert_undefined(SEVERAL[name](np.ones((5, 2)), categories=(1,)), "only one level is declared")


def test_cohen_one_category_and_no_complete_pair():
    assert_undefined(agreement.cohen_kappa([1, 1], [1, 1], categories=TWO), "one category only")
    assert math.isnan(agreement.cohen_kappa([1, 1], [1, 1], categories=TWO).se_null)
    nobody = agreement.cohen_kappa([1, NAN], [NAN, 0], categories=TWO)
    assert_undefined(nobody, "no subject has a rating that can be used")
    assert (nobody.n_used, nobody.n_excluded) == (0, 2)
    assert math.isnan(nobody.se_null)
    assert math.isnan(nobody.z_null)
    assert math.isnan(nobody.p_null)


def test_weights_that_call_all_used_levels_equal():
    merged = np.array([[1, 1, 0], [1, 1, 0], [0, 0, 1]])
    result = agreement.cohen_kappa([0, 1, 0], [1, 1, 0], categories=(0, 1, 2), weights=merged)
    assert_undefined(result, "one category only")


@pytest.mark.parametrize("name", CORRECTED)
@pytest.mark.parametrize("interval", ["wald", "log"])
def test_perfect_agreement_has_no_limits(name, interval):
    perfect = np.repeat([[0], [1], [1], [0]], 3, axis=1)
    result = SEVERAL[name](perfect, categories=TWO, interval=interval)
    assert result.estimate == 1
    assert result.se == pytest.approx(0, abs=1e-12)
    assert math.isnan(result.low)
    assert math.isnan(result.high)
    assert "no spread" in result.why_no_interval


@pytest.mark.parametrize("name", ["conger_kappa", "fleiss_kappa", "gwet_ac", "brennan_prediger"])
def test_one_subject_has_no_limits(name):
    result = SEVERAL[name](np.array([[0, 1, 1]]), categories=TWO)
    assert result.defined
    assert "one subject" in result.why_no_interval
    assert math.isnan(result.se)
    assert math.isnan(result.se_gwet)


def test_percent_agreement_always_has_limits():
    full = agreement.percent_agreement(np.ones((10, 2)), categories=TWO)
    none = agreement.percent_agreement(np.tile([0, 1], (10, 1)), categories=TWO)
    # Wilson at 10/10 and 0/10: z^2/(n + z^2) = 0.2775 (Wilson EB. JASA 1927;22:209-212)
    assert (full.estimate, full.high) == (1, 1)
    assert full.low == pytest.approx(1 - 0.2775, abs=1e-4)
    assert (none.estimate, none.low) == (0, 0)
    assert none.high == pytest.approx(0.2775, abs=1e-4)


def test_fleiss_category_nobody_used():
    result = agreement.fleiss_kappa([[0, 1], [0, 0], [1, 1]], categories=(0, 1, 2))
    assert_undefined(result.per_category[2], "one category only")
    assert result.per_category[2].prevalence == 0
    assert math.isnan(result.per_category[2].se_null)
    assert result.per_category[0].estimate == pytest.approx(result.estimate)


def test_fleiss_null_error_needs_equal_numbers_of_ratings():
    even = agreement.fleiss_kappa([[0, 1], [0, 0], [1, 1]], categories=TWO)
    uneven = agreement.fleiss_kappa([[0, 1, 1], [0, 0, NAN], [1, 1, 0]], categories=TWO)
    weighted = agreement.fleiss_kappa(
        [[0, 1], [0, 2], [1, 1]], categories=(0, 1, 2), weights="linear"
    )
    assert even.se_null > 0
    assert math.isnan(uneven.se_null)
    assert math.isnan(weighted.se_null)


def test_fleiss_without_any_rating():
    result = agreement.fleiss_kappa(np.full((2, 2), NAN), categories=TWO)
    assert_undefined(result, "no subject")
    assert math.isnan(result.per_category[0].prevalence)


def test_specific_agreement_at_its_ends():
    result = agreement.specific_agreement(
        [[0, 0], [0, 0], [1, 1], [2, 3], [3, 2], [0, NAN]], categories=(0, 1, 2, 3, 4)
    )
    zero, one, two, three, four = result.per_category
    assert (result.n_used, result.n_excluded) == (5, 1)
    assert (zero.estimate, zero.high, zero.n_in_category) == (1, 1, 2)
    # s = 2/2 by Wilson from z^2 = 3.8415: low 2/(2 + z^2) = 0.3424, carried back 2s/(1 + s)
    assert zero.low == pytest.approx(2 * 0.34238 / 1.34238, abs=1e-4)
    assert one.n_in_category == 1
    assert (two.estimate, two.low, three.estimate) == (0, 0, 0)
    assert_undefined(four, "no subject with two ratings was put in 4")


def test_prevalence_bias_without_data_or_spread():
    nobody = agreement.prevalence_bias([NAN], [1], categories=TWO)
    for part in (nobody.prevalence_index, nobody.bias_index, nobody.pabak, nobody.largest_kappa):
        assert_undefined(part, "rated by both")
    one_sided = agreement.prevalence_bias([1, 1, 1], [1, 1, 1], categories=TWO)
    assert one_sided.prevalence_index.estimate == 1
    assert "no spread" in one_sided.prevalence_index.why_no_interval
    assert one_sided.bias_index.estimate == 0
    assert one_sided.pabak.high == 1
    assert_undefined(one_sided.largest_kappa, "one and the same level")
    assert_undefined(one_sided.kappa, "one category only")


def test_confusion_without_subjects():
    cross = agreement.confusion([], [], categories=TWO)
    assert cross.table.tolist() == [[0, 0], [0, 0]]
    assert agreement.confusion([NAN], [NAN]).table.shape == (0, 0)


def test_alpha_without_any_level():
    for metric in ("nominal", "ordinal", "interval", "ratio"):
        result = agreement.krippendorff_alpha(np.full((2, 2), NAN), metric=metric)
        assert_undefined(result, "no subject")
        assert result.n_values == 0
