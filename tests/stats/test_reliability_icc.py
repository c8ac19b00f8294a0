"""Intraclass correlations."""

from __future__ import annotations

import itertools
import math
import warnings

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from imgtrack.domain.errors import InvalidInput
from imgtrack.stats.reliability import icc
from imgtrack.stats.reliability.reml import reml

FORMS = [
    ("oneway", "agreement", "ICC(1,1)"),
    ("twoway", "agreement", "ICC(A,1)"),
    ("twoway-mixed", "consistency", "ICC(C,1)"),
]
ALL = [
    (model, definition, unit)
    for model, definition, unit in itertools.product(
        ("oneway", "twoway", "twoway-mixed"), ("agreement", "consistency"), ("single", "average")
    )
    if (model, definition) != ("oneway", "consistency")
]


def readings(seed, n=20, k=3, *, subject=2.0, reader=0.5, error=1.0):
    rng = np.random.default_rng(seed)
    values = rng.normal(20, subject, (n, 1)) + rng.normal(0, reader, k)
    return values + rng.normal(0, error, (n, k))


def with_gaps(values, share, seed=1):
    gaps = np.random.default_rng(seed).random(values.shape) < share
    return np.where(gaps, np.nan, values)


@pytest.mark.parametrize(("n", "k", "seed"), [(8, 2, 1), (20, 3, 2), (35, 5, 3)])
def test_complete_values_equal_pingouin(n, k, seed):
    pingouin = pytest.importorskip("pingouin")
    values = readings(seed, n, k)
    long = pd.DataFrame(
        {
            "s": np.repeat(np.arange(n), k),
            "r": np.tile(np.arange(k), n),
            "y": values.ravel(),
        }
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        peer = pingouin.intraclass_corr(long, targets="s", raters="r", ratings="y")
    found = [
        icc(values, model=m, definition=d, unit=u)
        for u in ("single", "average")
        for m, d, _ in FORMS
    ]
    assert [e.estimate for e in found] == pytest.approx(list(peer["ICC"]))
    assert [e.f_value for e in found] == pytest.approx(list(peer["F"]))
    p_values = next(peer[name] for name in ("pval", "p_val") if name in peer)
    assert [e.p_value for e in found] == pytest.approx(list(p_values))
    intervals = next(peer[name] for name in ("CI95%", "CI95") if name in peer)
    for estimate, interval in zip(found, intervals, strict=True):  # printed with two decimals
        assert (estimate.low, estimate.high) == pytest.approx(tuple(interval), abs=0.00501)


@pytest.mark.parametrize("seed", range(4))
def test_oneway_reml_equals_statsmodels(seed):
    values = with_gaps(readings(seed), 0.25, seed)
    subject, reader = np.nonzero(~np.isnan(values))
    data = pd.DataFrame({"y": values[subject, reader], "s": subject})
    fit = smf.mixedlm("y ~ 1", data, groups="s").fit(reml=True)
    found = icc(values, model="oneway")
    assert found.subject_variance == pytest.approx(fit.cov_re.iloc[0, 0], rel=1e-3)
    assert found.residual_variance == pytest.approx(fit.scale, rel=1e-3)
    assert found.reader_variance == 0
    assert found.method == "ICC(1) by reml"


@pytest.mark.parametrize("model", ["oneway", "twoway", "twoway-mixed"])
@pytest.mark.parametrize("seed", range(4))
def test_reml_on_complete_values_is_the_analysis_of_variance(model, seed):
    """A theorem for balanced data without negative components (Searle and colleagues 1992)."""
    values = readings(seed, 15, 4, reader=1.0)
    found = icc(values, model=model)
    assert found.method.endswith("mean squares")
    fitted = reml(values, model)
    expected = (found.subject_variance, found.reader_variance, found.residual_variance)
    if model == "oneway":
        assert (fitted[0], fitted[2]) == pytest.approx((expected[0], expected[2]), rel=1e-5)
    else:
        assert fitted == pytest.approx(expected, rel=1e-5)


def test_negative_components_become_zero_with_missing_values():
    values = np.array([[1.0, 5.0], [5.0, 1.0], [2.0, 4.0], [4.0, 2.0], [3.0, np.nan]])
    found = icc(values)
    assert found.estimate == 0
    assert found.low < 0 < found.high
    assert icc(values[:4]).estimate < 0


def test_one_missing_value_changes_little():
    values = readings(5, 60, 3)
    gap = values.copy()
    gap[7, 1] = np.nan
    whole, partial = icc(values), icc(gap)
    for name in ("estimate", "low", "high"):
        assert getattr(partial, name) == pytest.approx(getattr(whole, name), abs=0.02)
    assert partial.n_used == 60


@pytest.mark.parametrize(("model", "definition", "unit"), ALL)
@pytest.mark.parametrize("gaps", [0.0, 0.2])
def test_order_unit_and_origin_do_not_matter(model, definition, unit, gaps):
    values = with_gaps(readings(6, 14, 4), gaps)
    rng = np.random.default_rng(2)
    moved = 3.5 * values[rng.permutation(14)][:, rng.permutation(4)] - 100
    choice = {"model": model, "definition": definition, "unit": unit}
    found, again = icc(values, **choice), icc(moved, **choice)
    for name in ("estimate", "low", "high", "f_value"):
        assert getattr(again, name) == pytest.approx(getattr(found, name), abs=1e-5)
    assert again.subject_variance == pytest.approx(3.5**2 * found.subject_variance, rel=1e-4)
    assert found.low < found.estimate < found.high <= 1


@pytest.mark.parametrize("definition", ["agreement", "consistency"])
def test_average_is_the_single_form_stepped_up(definition):
    values = readings(7)
    single = icc(values, definition=definition)
    average = icc(values, definition=definition, unit="average")
    for name in ("estimate", "low", "high"):
        rho = getattr(single, name)
        assert getattr(average, name) == pytest.approx(3 * rho / (1 + 2 * rho))


def test_systematic_differences_count_only_as_disagreement():
    values = readings(8, reader=0.0)
    shifted = values + np.array([0.0, 3.0, -2.0])
    consistency = {"definition": "consistency"}
    before, after = icc(values, **consistency), icc(shifted, **consistency)
    assert after.estimate == pytest.approx(before.estimate)
    assert icc(shifted).estimate < icc(values).estimate - 0.1


def test_names_of_the_forms():
    found = [icc(readings(1), model=m, definition=d, unit=u) for m, d, u in ALL]
    assert [(e.form, e.shrout_fleiss) for e in found] == [
        ("ICC(1)", "ICC(1,1)"),
        ("ICC(k)", "ICC(1,k)"),
        ("ICC(A,1)", "ICC(2,1)"),
        ("ICC(A,k)", "ICC(2,k)"),
        ("ICC(C,1)", ""),
        ("ICC(C,k)", ""),
        ("ICC(A,1)", ""),
        ("ICC(A,k)", ""),
        ("ICC(C,1)", "ICC(3,1)"),
        ("ICC(C,k)", "ICC(3,k)"),
    ]


def test_subjects_and_readers_without_values_are_ignored():
    values = readings(9, 10, 3)
    padded = np.full((12, 4), np.nan)
    padded[1:11, :3] = values
    found, plain = icc(pd.DataFrame(padded)), icc(values)
    assert found.estimate == plain.estimate
    assert (found.n_used, found.n_excluded, found.n_readers) == (10, 2, 3)


def test_nullable_integers_of_pandas():
    frame = pd.DataFrame({"a": [1, 4, 6, 9], "b": [2, 4, None, 8]}, dtype="Int64")
    expected = icc([[1, 2], [4, 4], [6, np.nan], [9, 8]])
    assert icc(frame).estimate == expected.estimate


@pytest.mark.parametrize(("model", "definition", "unit"), ALL)
def test_readers_who_never_differ(model, definition, unit):
    values = np.repeat([[1.0], [4.0], [6.5]], 3, axis=1)
    for shown in (values, np.vstack([values, [8.0, 8.0, np.nan]])):
        found = icc(shown, model=model, definition=definition, unit=unit)
        assert found.estimate == pytest.approx(1)
        assert found.why_no_interval
        assert math.isnan(found.low)


def test_readers_who_differ_by_a_constant():
    values = np.array([[1.0, 3.0], [4.0, 6.0], [6.5, 8.5]])
    for shown in (values, np.vstack([values, [8.0, np.nan]])):
        consistency = icc(shown, definition="consistency")
        assert consistency.estimate == pytest.approx(1)
        assert "constant" in consistency.why_no_interval
        agreement = icc(shown)
        assert 0 < agreement.low < agreement.estimate < agreement.high <= 1
        assert agreement.reader_variance == pytest.approx(2.0)


def test_subjects_who_do_not_differ():
    values = [[1, 5], [5, 1], [2, 4], [4, 2]]
    single = icc(values, definition="consistency")
    assert single.estimate == pytest.approx(-1)
    assert single.why_no_interval == "the means of subjects do not differ"
    average = icc(values, definition="consistency", unit="average")
    assert average.why_undefined == "the means of subjects differ too little"
    assert icc([[0, 2], [2, 0]]).why_undefined == "the means of subjects differ too little"
    nothing = icc([[2, 1], [2, 1]], definition="consistency")
    assert nothing.why_undefined == "the means of subjects differ too little"
    assert math.isnan(nothing.f_value)


def test_fixed_readers_who_differ_less_than_by_chance():
    values = [[3.0, 2.0], [3.0, np.nan], [np.nan, 2.0], [2.0, 3.0], [0.0, np.nan]]
    found = icc(values, model="twoway-mixed")
    assert found.reader_variance == 0
    assert found.low <= found.estimate <= found.high


@pytest.mark.parametrize(
    ("values", "why"),
    [
        (np.empty((0, 2)), "fewer than two subjects measured"),
        ([[1, 2]], "fewer than two subjects measured"),
        ([[np.nan, np.nan]] * 3, "fewer than two subjects measured"),
        ([[1], [2], [3]], "fewer than two readers"),
        ([[1, np.nan], [2, np.nan], [4, np.nan]], "fewer than two readers"),
        ([[1, np.nan], [np.nan, 2], [3, np.nan]], "no subject measured twice"),
        ([[2, 2], [2, 2]], "all values are the same"),
        ([[2, 2], [2, np.nan]], "no degree of freedom left for error"),
        (
            [[1, 2, None, None], [2, 4, None, None], [None, None, 3, 1], [None, None, 3, 4]],
            "readers are not linked by common subjects",
        ),
    ],
)
def test_undefined(values, why):
    found = icc(values)
    assert found.why_undefined == why
    assert math.isnan(found.subject_variance)


def test_unlinked_readers_do_not_matter_one_way():
    blocks = [[1, 2, np.nan, np.nan], [7, 8, np.nan, np.nan], [np.nan, np.nan, 3, 4]]
    assert icc(blocks, model="oneway").defined
    same = icc([[2, 2], [2, np.nan]], model="oneway")
    assert same.why_undefined == "all values are the same"


def test_faults_are_reported_together():
    with pytest.raises(InvalidInput) as caught:
        icc([1, 2], model="threeway", definition="same", unit="one", level=1)
    where = [fault.where for fault in caught.value.faults]
    assert where == ["values", "model", "definition", "unit", "level"]
    with pytest.raises(InvalidInput, match="infinity"):
        icc([[1, np.inf], [2, 3]])
    with pytest.raises(InvalidInput, match="not numbers"):
        icc([["a", "b"], ["c", "d"]])
    with pytest.raises(InvalidInput, match="one-way"):
        icc([[1, 2], [2, 3]], model="oneway", definition="consistency")


@settings(deadline=None, derandomize=True, max_examples=40)
@given(
    values=arrays(
        float,
        st.tuples(st.integers(1, 6), st.integers(1, 4)),
        elements=st.sampled_from([0.0, 1.0, 2.0, 3.0, math.nan]),
    )
)
def test_small_and_gappy_tables_have_limits_or_a_reason(values):
    for model, definition, unit in ALL:
        found = icc(values, model=model, definition=definition, unit=unit)
        if found.defined and not found.why_no_interval:
            assert found.low <= found.estimate + 1e-9
            assert found.estimate - 1e-9 <= found.high <= 1 + 1e-9


@pytest.mark.parametrize(("model", "definition", "_"), FORMS)
@pytest.mark.parametrize("gaps", [0.0, 0.15])
def test_coverage(model, definition, _, gaps):
    rng = np.random.default_rng(11)
    hits, replicates = 0, 120
    for _ in range(replicates):
        values = rng.normal(0, 1.5, (25, 1)) + rng.normal(0, 1, (25, 3))
        values[rng.random((25, 3)) < gaps] = np.nan
        found = icc(values, model=model, definition=definition)
        hits += found.low <= 2.25 / 3.25 <= found.high
    assert 0.88 <= hits / replicates <= 0.995


@pytest.mark.parametrize(("model", "definition", "unit"), ALL)
def test_readers_who_never_differ_leave_no_error_but_rounding(model, definition, unit):
    """By definition: without error the coefficient is 1, and nothing can set its limits."""
    once = np.random.default_rng(3).normal(4.8, 0.7, 26)
    found = icc(np.column_stack([once, once]), model=model, definition=definition, unit=unit)
    assert found.estimate == pytest.approx(1.0)
    assert "no error to set limits from" in found.why_no_interval
