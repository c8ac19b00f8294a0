"""What the agreement functions accept, and what they refuse by naming it."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from imgtrack.domain.errors import InvalidInput
from imgtrack.stats import agreement

NAN = math.nan
TYPES = ("I", "II", "III", "IV", "V")
A = ["I", "IV", "V", "II", "III", "IV", None, "V"]
B = ["I", "V", "V", "I", "III", "IV", "II", None]


def refused(call, *args, **kwargs):
    with pytest.raises(InvalidInput) as caught:
        call(*args, **kwargs)
    return caught.value.faults


def test_labels_numbers_and_tables_give_the_same():
    place = {name: float(i) for i, name in enumerate(TYPES)} | {None: NAN}
    numbers = np.array([[place[x] for x in A], [place[x] for x in B]]).T
    frame = pd.DataFrame({"first": A, "second": B})
    nullable = pd.DataFrame(numbers, columns=["first", "second"]).astype("Int64")
    expected = agreement.gwet_ac(numbers, categories=range(5), weights="quadratic")
    for ratings, levels in ((frame, TYPES), (nullable, range(5)), (numbers.tolist(), range(5))):
        found = agreement.gwet_ac(ratings, categories=levels, weights="quadratic")
        assert found.estimate == expected.estimate
        assert found.se == expected.se
        assert (found.n_used, found.n_single) == (8, 2)
    kappa = agreement.cohen_kappa(frame["first"], frame["second"], categories=TYPES)
    assert kappa.estimate == agreement.cohen_kappa(A, B, categories=TYPES).estimate
    assert kappa.categories == TYPES
    assert (kappa.n_used, kappa.n_excluded) == (6, 2)


def test_yes_and_no_may_be_booleans():
    a, b = np.array([True, False, True, True]), np.array([True, False, False, True])
    assert (
        agreement.cohen_kappa(a, b, categories=(0, 1)).estimate
        == agreement.cohen_kappa(a, b, categories=(False, True)).estimate
    )
    assert agreement.gwet_ac(np.column_stack([a, b]), categories=(False, True)).n_used == 4


def test_level_order_decides_weighted_kappa():
    forward = agreement.cohen_kappa(A, B, categories=TYPES, weights="linear")
    shuffled = agreement.cohen_kappa(
        A, B, categories=("III", "I", "V", "II", "IV"), weights="linear"
    )
    assert forward.estimate != shuffled.estimate


def test_confusion_keeps_declared_order_and_counts_the_left_out():
    cross = agreement.confusion(A, B, categories=TYPES)
    assert cross.counts[3] == (0, 0, 0, 1, 1)
    assert cross.table.sum() == cross.n_used == 6
    assert cross.n_excluded == 2
    assert agreement.confusion(A, B).categories == ("I", "II", "III", "IV", "V")


def test_stranger_is_named():
    (fault,) = refused(agreement.cohen_kappa, ["I", "VI"], ["I", "I"], categories=TYPES)
    assert fault.where == "a, b"
    assert "'VI'" in fault.found
    (fault,) = refused(agreement.gwet_ac, np.arange(14).reshape(7, 2), categories=(0, 1))
    assert fault.where == "ratings"
    assert "and 7 more" in fault.found


@pytest.mark.parametrize(
    ("categories", "what"),
    [((), "no level"), ((1, 1, 2), "twice"), ((1, NAN), "missing value"), ((1, None), "missing")],
)
def test_unsuitable_levels(categories, what):
    (fault,) = refused(agreement.fleiss_kappa, [[1, 1]], categories=categories)
    assert fault.where == "categories"
    assert what in fault.what


def test_unsuitable_shapes():
    (fault,) = refused(agreement.gwet_ac, [1, 2, 3], categories=(1, 2, 3))
    assert fault.where == "ratings"
    assert fault.found == "shape (3,)"
    (fault,) = refused(agreement.cohen_kappa, [1, 2, 3], [1, 2], categories=(1, 2, 3))
    assert fault.where == "a, b"
    (fault,) = refused(agreement.confusion, [[1, 2]], [[1, 2]])
    assert "one length" in fault.expected


def test_mixed_kinds_have_no_order():
    mixed = np.array([[1, "I"], [2, "II"]], dtype=object)
    (fault,) = refused(agreement.specific_agreement, mixed)
    assert "no order" in fault.what


@pytest.mark.parametrize("function", [agreement.gwet_ac, agreement.krippendorff_alpha])
def test_level_and_interval_are_refused_together(function):
    faults = refused(function, [[1, 1]], categories=(1, 2), level=95, interval="exact")
    assert [fault.where for fault in faults] == ["level", "interval"]
    assert "wald" in faults[1].expected


@pytest.mark.parametrize("function", [agreement.percent_agreement, agreement.specific_agreement])
def test_level_alone(function):
    (fault,) = refused(function, [[1, 1]], categories=(1, 2), level=1.0)
    assert fault.where == "level"


def test_weights():
    (fault,) = refused(agreement.gwet_ac, [[1, 2]], categories=(1, 2), weights="cubic")
    assert "quadratic" in fault.expected
    (fault,) = refused(agreement.gwet_ac, [[1, 2]], categories=(1, 2), weights=np.eye(3))
    assert "(2, 2)" in fault.expected
    wrong = [[0.5, 2], [0, 1]]
    faults = refused(agreement.gwet_ac, [[1, 2]], categories=(1, 2), weights=wrong)
    assert [f.what for f in faults] == [
        "weight out of range",
        "equal levels must agree fully",
        "weights differ by direction",
    ]
    lopsided = np.array([[1, 0.5], [0, 1]])
    assert agreement.cohen_kappa([1, 2], [2, 2], categories=(1, 2), weights=lopsided).defined
    assert len(refused(agreement.fleiss_kappa, [[1, 2]], categories=(1, 2), weights=lopsided)) == 1


def test_named_weights():
    # Gwet 2014: 1 - C(d + 1, 2)/C(q, 2); for q = 4 the off-diagonals are 5/6, 1/2 and 0
    np.testing.assert_allclose(agreement.agreement_weights("ordinal", 4)[0], [1, 5 / 6, 0.5, 0])
    np.testing.assert_allclose(agreement.agreement_weights("linear", 4)[0], [1, 2 / 3, 1 / 3, 0])
    np.testing.assert_allclose(agreement.agreement_weights("quadratic", 3)[0], [1, 0.75, 0])
    assert agreement.agreement_weights("linear", 1).tolist() == [[1.0]]


def test_metric():
    alpha = agreement.krippendorff_alpha
    (fault,) = refused(alpha, [[1, 2]], metric="euclidean")
    assert "ordinal" in fault.expected
    (fault,) = refused(alpha, [[1, 2]], metric=np.zeros((3, 3)))
    assert "(2, 2)" in fault.expected
    faults = refused(alpha, [[1, 2]], metric=[[1, -1], [2, 0]])
    assert [f.where for f in faults] == ["metric", "metric"]
    (fault,) = refused(alpha, [["a", "b"]], metric="interval")
    assert "numbers" in fault.expected
    (fault,) = refused(alpha, [[1, math.inf]], metric="interval")
    assert fault.found == "infinity"
    (fault,) = refused(alpha, [[-1, 2]], metric="ratio")
    assert fault.found == "negative"
    (fault,) = refused(alpha, [["mild", "severe"]], metric="ordinal")
    assert fault.where == "categories"
    ordered = alpha(
        [["mild", "severe"], ["mild", "mild"]], metric="ordinal", categories=("mild", "severe")
    )
    assert ordered.estimate == alpha([[0, 1], [0, 0]], metric="ordinal").estimate


def test_ratio_with_zero_values():
    # ((0 - 0)/(0 + 0))^2 counts as no difference; krippendorff 0.9.0 does the same
    import krippendorff

    ratings = np.array([[0, 0], [0, 3], [2, 2], [4, 3]])
    expected = krippendorff.alpha(ratings.T, level_of_measurement="ratio")
    found = agreement.krippendorff_alpha(ratings, metric="ratio").estimate
    assert found == pytest.approx(expected, abs=1e-12)


def test_prevalence_bias_needs_two_levels():
    (fault,) = refused(agreement.prevalence_bias, [0, 1], [1, 2])
    assert fault.where == "categories"
    assert "3" in fault.found


def test_result_is_frozen_and_describes_itself():
    result = agreement.fleiss_kappa([[0, 1], [0, 0], [1, 1]], categories=(0, 1), interval="log")
    assert result.method == "Fleiss' kappa, identity weights; t limits of log(1 - value), cut at -1"
    with pytest.raises(AttributeError):
        result.estimate = 1
