"""The NPMLE: what it must satisfy, other programs, degenerate data and refusals."""

from __future__ import annotations

import warnings
from importlib.metadata import version

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from imgtrack.domain.errors import InvalidInput
from imgtrack.stats.intervals import maximum, npmle
from imgtrack.stats.intervals.likelihood import Likelihood
from imgtrack.stats.intervals.observations import observe, turnbull_cliques


def visits(n, seed, *, whole=True):
    """(last visit without, first visit with] of n repairs seen at five visits with windows."""
    rng = np.random.default_rng(seed)
    days = np.array([42, 91, 182, 365, 730]) + rng.uniform(-1, 1, (n, 5)) * [7, 14, 28, 56, 84]
    days = np.where(rng.random((n, 5)) < 0.8, np.round(days) if whole else days, np.nan)
    event = np.where(rng.random(n) < 0.3, np.inf, 250 * rng.weibull(0.8, n))[:, None]
    left = np.max(np.where(days < event, days, 0.0), axis=1)
    return left, np.min(np.where(days >= event, days, np.inf), axis=1)


def covering(left, right, fit):
    """Which observation covers which Turnbull interval, from the definition."""
    exact = (left == right)[:, None] & (fit.left == left[:, None]) & (fit.right == right[:, None])
    inside = (left[:, None] <= fit.left) & (fit.right <= right[:, None])
    # An exact event at t is not in (t, ...].
    return exact | (inside & ~((fit.left == fit.right) & (fit.left <= left[:, None])))


bounds = st.tuples(st.integers(0, 8), st.integers(1, 6), st.booleans(), st.booleans())


def unpack(rows):
    left = np.array([row[0] for row in rows], dtype=float)
    width = np.array([0 if row[2] else row[1] for row in rows], dtype=float)
    return left, np.where([row[3] for row in rows], np.inf, left + width)


@settings(max_examples=60, deadline=None)
@given(st.lists(bounds, min_size=1, max_size=25))
def test_optimality_conditions_by_definition(rows):
    """Gentleman and Geyer 1994: derivatives at most n, and equal to n where there is mass."""
    left, right = unpack(rows)
    fit = npmle(left, right)
    cover = covering(left, right, fit)
    probability = cover @ fit.masses
    derivative = (cover / probability[:, None]).sum(axis=0) / left.size
    assert fit.converged
    assert fit.kkt == pytest.approx(derivative.max() - 1, abs=1e-9)
    assert derivative.max() <= 1 + 1e-7
    assert fit.masses.min() >= 0
    assert fit.masses.sum() == pytest.approx(1, abs=1e-12)
    assert fit.masses @ np.abs(derivative - 1) < 1e-7
    assert fit.loglik == pytest.approx(np.sum(np.log(probability)), abs=1e-9)
    # Some observation ends at every Turnbull interval, so the masses are unique.
    assert np.linalg.matrix_rank(cover.astype(float)) == fit.left.size


@settings(max_examples=30, deadline=None)
@given(st.lists(bounds, min_size=2, max_size=20), st.randoms(use_true_random=False))
def test_order_copies_weights_and_units_do_not_matter(rows, random):
    left, right = unpack(rows)
    fit = npmle(left, right, tol=1e-11)
    order = list(range(left.size))
    random.shuffle(order)
    for other in (
        npmle(left[order], right[order], tol=1e-11),
        npmle(np.tile(left, 3), np.tile(right, 3), tol=1e-11),
        npmle(left, right, weights=np.full(left.size, 2.5), tol=1e-11),
        npmle(np.append(left, -np.inf), np.append(right, np.inf), tol=1e-11),
    ):
        np.testing.assert_array_equal(other.left, fit.left)
        np.testing.assert_allclose(other.masses, fit.masses, atol=1e-6)
    later = npmle(7 + 30 * left, 7 + 30 * right, tol=1e-11)
    np.testing.assert_allclose(later.right, 7 + 30 * fit.right)
    np.testing.assert_allclose(later.masses, fit.masses, atol=1e-6)


def test_weights_stand_for_copies():
    left, right = visits(40, 3)
    copies = np.random.default_rng(3).integers(0, 4, 40)
    weighted = npmle(left, right, weights=copies)
    repeated = npmle(np.repeat(left, copies), np.repeat(right, copies))
    np.testing.assert_array_equal(weighted.left, repeated.left)
    np.testing.assert_allclose(weighted.masses, repeated.masses, atol=1e-7)
    assert weighted.loglik == pytest.approx(repeated.loglik)
    assert weighted.n_excluded == np.sum(copies == 0)


@pytest.mark.parametrize("seed", range(6))
def test_agrees_with_a_plain_self_consistency_iteration(seed):
    """Turnbull's own algorithm on the covering matrix, run long."""
    left, right = visits(25, seed)
    fit = npmle(left, right, tol=1e-10)
    cover = covering(left, right, fit).astype(float)
    masses = np.full(fit.left.size, 1 / fit.left.size)
    for _ in range(20000):
        masses *= (cover / (cover @ masses)[:, None]).mean(axis=0)
    assert fit.loglik == pytest.approx(np.sum(np.log(cover @ masses)), abs=1e-5)
    np.testing.assert_allclose(fit.masses, masses, atol=2e-3)


@pytest.mark.parametrize("whole", [True, False])
def test_agrees_with_surpyval(whole):
    surpyval = pytest.importorskip("surpyval")
    if tuple(map(int, version("surpyval").split(".")[:2])) < (0, 25):
        pytest.skip("the Turnbull estimate of surpyval before 0.25 stops far from the maximum")
    left, right = visits(300, 5, whole=whole)
    informative = (left > 0) | np.isfinite(right)
    fit = npmle(left[informative], right[informative])
    other = surpyval.Turnbull.fit(
        xl=left[informative],
        xr=right[informative],
        turnbull_estimator="Kaplan-Meier",
        tol=1e-10,
    )
    ends = np.unique(fit.right[np.isfinite(fit.right)])
    found = fit.survival(ends)
    flat = found.upper - found.lower < 1e-12
    np.testing.assert_allclose(np.ravel(other.sf(ends))[flat], found.upper[flat], atol=1e-5)


def test_lifelines_closes_intervals_and_is_wrong_for_visits():
    """(0, 3], (3, 6] and (0, 6]: one half on each interval; lifelines puts all on day 3."""
    lifelines = pytest.importorskip("lifelines")
    left, right = np.array([0.0, 3.0, 0.0]), np.array([3.0, 6.0, 6.0])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        other = lifelines.KaplanMeierFitter().fit_interval_censoring(left, right)
    half = np.abs(other.survival_function_.to_numpy() - 0.5)
    assert half.min() == pytest.approx(0.5)
    assert npmle(left, right).survival(3).upper[0] == pytest.approx(0.5)


def test_exact_and_right_censored_times_give_kaplan_meier():
    """statsmodels as oracle; ties between events and censorings included."""
    survfunc = pytest.importorskip("statsmodels.duration.survfunc")
    rng = np.random.default_rng(8)
    event, censoring = rng.integers(1, 40, 300), rng.integers(5, 60, 300)
    time, seen = np.minimum(event, censoring).astype(float), event <= censoring
    fit = npmle(time, np.where(seen, time, np.inf))
    other = survfunc.SurvfuncRight(time, seen.astype(int))
    found = fit.survival(other.surv_times)
    np.testing.assert_allclose(found.upper, other.surv_prob, atol=1e-7)


def test_many_places_with_mass_are_left_to_em_icm(monkeypatch):
    left, right = visits(400, 9)
    quick = npmle(left, right)
    monkeypatch.setattr(maximum, "NEWTON_PLACES", 0)
    slow = npmle(left, right)
    assert slow.converged
    assert slow.iterations > quick.iterations
    np.testing.assert_allclose(slow.masses, quick.masses, atol=1e-4)
    assert slow.loglik == pytest.approx(quick.loglik, abs=400 * 2e-8)


@pytest.mark.parametrize("warm", [1, 2])
def test_newton_steps_alone_arrive_too(monkeypatch, warm):
    """Far from the maximum, where the active set changes at every step."""
    samples = [visits(n, seed, whole=False) for seed, n in enumerate((400, 400, 400, 3000, 3000))]
    usual = [npmle(*sample) for sample in samples]
    monkeypatch.setattr(maximum, "WARM_STEPS", warm)
    for sample, fit in zip(samples, usual, strict=True):
        early = npmle(*sample)
        assert early.converged
        np.testing.assert_allclose(early.masses, fit.masses, atol=1e-4)


def test_a_singular_curvature_is_left_to_em_icm(monkeypatch):
    def fail(*arguments, **options):
        raise maximum.LinAlgError

    left, right = visits(100, 9)
    usual = npmle(left, right, tol=1e-6)
    monkeypatch.setattr(maximum, "cho_factor", fail)
    fit = npmle(left, right, tol=1e-6)
    assert fit.converged
    assert fit.loglik == pytest.approx(usual.loglik, abs=2e-4)


def test_a_minorant_that_does_not_climb_leaves_the_em_step(monkeypatch):
    monkeypatch.setattr(maximum, "_convex_minorant", lambda _, masses, __: masses[::-1] - 5)
    left, right = np.array([0.0, 1, 0, 1]), np.array([1.0, 2, 2, 3])
    fit = npmle(left, right, tol=1e-6)
    assert fit.converged
    monkeypatch.undo()
    np.testing.assert_allclose(fit.masses, npmle(left, right).masses, atol=1e-4)


def test_a_tolerance_out_of_reach_is_reported(monkeypatch):
    from imgtrack.stats.intervals import estimate

    monkeypatch.setattr(estimate, "MAX_ITERATIONS", 3)
    fit = npmle(*visits(200, 2), tol=1e-9)
    assert not fit.converged
    assert 1e-9 < fit.kkt < 1


def test_larger_samples_converge_quadratically_at_the_end():
    fit = npmle(*visits(30_000, 4, whole=False), tol=1e-10)
    assert fit.converged
    assert fit.iterations < 40


def test_survival_is_bounded_inside_a_place_with_mass():
    fit = npmle([0, 0, 6, 12, 12], [6, 6, 12, np.inf, np.inf])
    found = fit.survival([-np.inf, 0, 3, 6, 9, 12, 24, np.inf])
    np.testing.assert_allclose(found.lower, [1, 1, 0.6, 0.6, 0.4, 0.4, 0, 0], atol=1e-9)
    np.testing.assert_allclose(found.upper, [1, 1, 1, 0.6, 0.6, 0.4, 0.4, 0], atol=1e-9)


def test_intervals_are_open_on_the_left_and_closed_on_the_right():
    """An event exactly at 5 can be the one in (3, 5], never the one in (5, 8]."""
    fit = npmle([5, 3, 5], [5, 5, 8])
    np.testing.assert_array_equal(fit.left, [5, 5])
    np.testing.assert_array_equal(fit.right, [5, 8])
    np.testing.assert_allclose(fit.masses, [2 / 3, 1 / 3])
    assert fit.survival(5).lower[0] == pytest.approx(1 / 3)
    assert fit.survival(4.999).lower[0] == pytest.approx(1)


@pytest.mark.parametrize(
    ("left", "right", "places"),
    [
        ([4.0], [4.0], [(4, 4)]),
        ([4.0], [np.inf], [(4, np.inf)]),
        ([-np.inf], [np.inf], [(-np.inf, np.inf)]),
        ([2.0] * 5, [2.0] * 5, [(2, 2)]),
        ([np.nan, 0.0], [3.0, 3.0], [(0, 3)]),
    ],
)
def test_one_place_takes_all(left, right, places):
    fit = npmle(left, right)
    assert list(zip(fit.left, fit.right, strict=True)) == places
    assert fit.masses == pytest.approx([1.0])
    assert fit.n_used + fit.n_excluded == len(left)


@pytest.mark.parametrize("rows", [([], []), ([np.nan, 1.0], [2.0, np.nan])])
def test_nothing_observed_gives_a_reason(rows):
    fit = npmle(*rows)
    assert not fit.defined
    assert fit.why_undefined == "no complete interval"
    assert np.isnan(fit.survival([1, 2]).lower).all()


def test_a_table_is_accepted():
    table = pd.DataFrame({"last": [0, 3, 3], "first": [3.0, np.inf, 6.0]})
    assert npmle(table["last"], table["first"]).n_used == 3


def test_all_faults_are_told_at_once():
    with pytest.raises(InvalidInput) as caught:
        npmle([3, np.inf, 0, 1], [1, np.inf, -np.inf, 2], weights=[1, 1, -1, np.nan])
    assert [fault.where for fault in caught.value.faults] == ["right", "left", "right", "weights"]
    assert "first at positions 0, 2" in caught.value.faults[0].found


@pytest.mark.parametrize(
    ("arguments", "where"),
    [
        ({"left": [[1.0]], "right": [[2.0]]}, "left"),
        ({"left": ["a"], "right": [2.0]}, "left"),
        ({"left": [1.0], "right": [2.0, 3.0]}, "left, right, weights"),
        ({"left": [1.0], "right": [2.0], "tol": 0.0}, "tol"),
    ],
)
def test_impossible_arguments_are_refused(arguments, where):
    with pytest.raises(InvalidInput) as caught:
        npmle(**arguments)
    assert caught.value.faults[0].where == where


def test_a_missing_time_is_refused():
    with pytest.raises(InvalidInput):
        npmle([0.0], [1.0]).survival([1.0, np.nan])


def test_a_block_nobody_needs_keeps_its_mass():
    """All left bounds after the cut: what lies before it is free, and stays as it was."""
    sample = observe([5.0, 5.0, 7.0], [9.0, np.inf, np.inf])
    cliques = turnbull_cliques(sample.left, sample.right, cut=2.0)
    likelihood = Likelihood.of(cliques, sample.weight, (0, 1), (0.25, 0.75))
    best = maximum.maximise(likelihood, 1e-10, 200)
    assert best.masses[0] == pytest.approx(0.25)
    assert best.masses.sum() == pytest.approx(1)
    assert best.value == pytest.approx(np.log(0.75))
