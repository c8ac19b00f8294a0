"""Regression: closed forms, brute-force maxima, clusters, equivariance, degenerate data."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import minimize
from scipy.stats import weibull_min

from imgtrack.domain.errors import InvalidInput
from imgtrack.stats.intervals import newton, npmle, regression, semiparametric
from imgtrack.stats.intervals.families import EXTREME_VALUE, LOGISTIC, NORMAL, interval_terms
from imgtrack.stats.intervals.newton import Expansion, climb
from imgtrack.stats.intervals.observations import observe
from imgtrack.stats.intervals.parametric import ParametricFit, _Model

PARAMETRIC = ("weibull", "exponential", "log-logistic", "log-normal")
FREE = ("proportional-hazards", "proportional-odds")


def sample(n=120, seed=0, effect=0.7):
    """Weibull times with proportional hazards, seen at visits sixty days apart."""
    rng = np.random.default_rng(seed)
    x = np.column_stack((rng.integers(0, 2, n), rng.normal(size=n)))
    event = 200 * (rng.exponential(1, n) * np.exp(-effect * x[:, 0] - 0.3 * x[:, 1])) ** 0.8
    left = np.floor(event / 60) * 60
    right = np.where(left >= 360, np.inf, left + 60)
    return np.minimum(left, 360), right, x


@pytest.mark.parametrize("family", [EXTREME_VALUE, LOGISTIC, NORMAL])
def test_derivatives_of_interval_probabilities(family):
    """Against central differences, in the body and in both tails."""
    lower = np.array([-np.inf, -3.0, -1.0, 0.2, 1.4, -np.inf, 0.5, -25.0])
    upper = np.array([-2.0, -2.5, 1.0, np.inf, 1.9, np.inf, 0.5, -24.0])
    terms, step = interval_terms(family, lower, upper), 1e-4
    exact = lower == upper
    for moved, first, second in (
        ((step, 0), terms.lower, terms.lower_lower),
        ((0, step), terms.upper, terms.upper_upper),
    ):
        up = interval_terms(family, lower + moved[0] * ~exact, upper + moved[1] * ~exact)
        down = interval_terms(family, lower - moved[0] * ~exact, upper - moved[1] * ~exact)
        np.testing.assert_allclose(
            ((up.value - down.value) / 2 / step)[~exact], first[~exact], rtol=1e-5, atol=1e-6
        )
        bend = (up.value - 2 * terms.value + down.value) / step**2
        np.testing.assert_allclose(bend[~exact], second[~exact], rtol=1e-3, atol=1e-5)
    both = interval_terms(family, lower + step, upper + step)
    np.testing.assert_allclose(
        (both.value - terms.value)[exact] / step, terms.lower[exact], rtol=1e-3
    )
    assert family.log_distribution(family.quantile(np.array([0.3])))[0] == pytest.approx(
        np.log(0.3)
    )


def test_exact_log_normal_times_give_least_squares():
    rng = np.random.default_rng(2)
    x = rng.normal(size=50)
    time = np.exp(3 + 0.5 * x + 0.4 * rng.normal(size=50))
    fit = regression(time, time, x, model="log-normal")
    design = np.column_stack((np.ones(50), x))
    beta, rest = np.linalg.lstsq(design, np.log(time), rcond=None)[:2]
    scale = np.sqrt(rest[0] / 50)
    np.testing.assert_allclose([part.estimate for part in fit.log_times[:2]], beta, atol=1e-6)
    assert fit.log_times[2].estimate == pytest.approx(np.log(scale), abs=1e-6)
    errors = scale * np.sqrt(np.diag(np.linalg.inv(design.T @ design)))
    np.testing.assert_allclose([part.se for part in fit.log_times[:2]], errors, rtol=1e-5)
    assert fit.coefficients == fit.log_times[1:2]
    assert fit.effect == "log time ratio"


def test_exact_exponential_times_give_rates():
    time, group = np.array([2.0, 4.0, 9.0, 1.0, 3.0]), np.array([0, 0, 0, 1, 1])
    fit = regression(time, time, group, model="exponential")
    assert fit.log_times[0].estimate == pytest.approx(np.log(5))
    assert fit.coefficients[0].estimate == pytest.approx(np.log(5 / 2))
    assert fit.coefficients[0].se == pytest.approx(np.sqrt(1 / 3 + 1 / 2), rel=1e-6)
    assert fit.loglik == pytest.approx(-3 * (np.log(5) + 1) - 2 * (np.log(2) + 1))
    assert len(fit.log_times) == 2


def test_exact_weibull_times_agree_with_scipy():
    time = np.random.default_rng(4).weibull(1.7, 60) * 12
    shape, _, scale = weibull_min.fit(time, floc=0)
    fit = regression(time, time, np.empty((60, 0)))
    assert np.exp(fit.log_times[0].estimate) == pytest.approx(scale, rel=1e-4)
    assert np.exp(-fit.log_times[1].estimate) == pytest.approx(shape, rel=1e-4)
    assert fit.coefficients == ()
    assert fit.loglik == pytest.approx(fit.loglik_null)


def free_loglik(point, fit, bounds, x, model):
    """Log-likelihood of an unspecified baseline, from the definition of the model."""
    left, right = bounds
    steps = np.exp(point[1:])
    hazard = np.concatenate(([0.0], np.cumsum(steps)))
    odds = np.exp(point[0] * x)[:, None]
    survival = np.exp(-hazard * odds) if model == FREE[0] else 1 / (1 + hazard * odds)
    survival = np.column_stack((survival, np.zeros(x.size)))
    masses = -np.diff(survival, axis=1)
    inside = (left[:, None] <= fit.left) & (fit.right <= right[:, None])
    return float(np.sum(np.log(np.sum(masses * inside, axis=1))))


@pytest.mark.parametrize("model", FREE)
@pytest.mark.parametrize("seed", [1, 2])
def test_unspecified_baseline_agrees_with_brute_force(model, seed):
    """A general optimiser on the same likelihood, and its profile's curvature."""
    left, right, covariates = sample(40, seed)
    x = covariates[:, 0]
    fit, places = regression(left, right, x, model=model), npmle(left, right)
    cumulative = np.cumsum(places.masses)[:-1]
    start = -np.log1p(-cumulative) if model == FREE[0] else cumulative / (1 - cumulative)
    log_steps = np.log(np.maximum(np.diff(start, prepend=0), 1e-4))

    def profile(effect):
        found = minimize(
            lambda steps: -free_loglik(np.append(effect, steps), places, (left, right), x, model),
            log_steps,
            method="BFGS",
            options={"gtol": 1e-7},
        )
        return -found.fun

    effect = fit.coefficients[0].estimate
    assert profile(effect) == pytest.approx(fit.loglik, abs=1e-5)
    step = 0.1
    around = [profile(effect - step), profile(effect + step)]
    assert max(around) < fit.loglik
    curvature = (2 * fit.loglik - sum(around)) / step**2
    assert fit.coefficients[0].se == pytest.approx(1 / np.sqrt(curvature), rel=0.03)
    assert fit.loglik_null == pytest.approx(places.loglik, abs=1e-6)


@pytest.mark.parametrize("model", [*PARAMETRIC, *FREE])
def test_units_and_coding_only_change_the_scale(model):
    left, right, x = sample()
    fit = regression(left, right, x, model=model)
    table = pd.DataFrame({"large": 5 - 1000 * x[:, 0], "small": 2 + x[:, 1] / 50})
    other = regression(left / 30, right / 30, table, model=model)
    assert [part.name for part in other.coefficients] == ["large", "small"]
    assert [part.name for part in fit.coefficients] == ["x1", "x2"]
    first, second = other.coefficients
    assert -1000 * first.estimate == pytest.approx(fit.coefficients[0].estimate, abs=1e-4)
    assert second.estimate / 50 == pytest.approx(fit.coefficients[1].estimate, abs=1e-4)
    assert 1000 * first.se == pytest.approx(fit.coefficients[0].se, rel=1e-3)
    assert first.p_value == pytest.approx(fit.coefficients[0].p_value, rel=1e-2)
    if fit.log_times:
        # log(time) in months: the intercept moves, and absorbs the new origins.
        beta = [part.estimate for part in other.log_times]
        intercept = beta[0] + 5 * beta[1] + 2 * beta[2] + np.log(30)
        assert intercept == pytest.approx(fit.log_times[0].estimate, abs=1e-4)


@pytest.mark.parametrize("model", [*PARAMETRIC, *FREE])
def test_twins_count_as_one_in_the_sandwich(model):
    left, right, x = sample(80)
    plain = regression(left, right, x, model=model)
    single = regression(left, right, x, model=model, clusters=np.arange(80))
    twins = regression(
        np.repeat(left, 2),
        np.repeat(right, 2),
        np.repeat(x, 2, axis=0),
        model=model,
        clusters=np.repeat(np.arange(80), 2),
    )
    naive = regression(
        np.repeat(left, 2), np.repeat(right, 2), np.repeat(x, 2, axis=0), model=model
    )
    for one, two, three, four in zip(
        single.coefficients,
        twins.coefficients,
        naive.coefficients,
        plain.coefficients,
        strict=True,
    ):
        assert two.estimate == pytest.approx(one.estimate, abs=1e-5)
        assert two.se == pytest.approx(one.se, rel=1e-4)
        assert three.se == pytest.approx(four.se / np.sqrt(2), rel=1e-4)
    assert twins.n_clusters == 80
    assert twins.variance == "cluster-robust"


@pytest.mark.parametrize("model", ["weibull", "proportional-hazards"])
def test_sandwich_and_information_agree_where_the_model_holds(model):
    left, right, x = sample(1500, 3)
    plain = regression(left, right, x, model=model)
    robust = regression(left, right, x, model=model, clusters=np.arange(1500))
    for one, two, truth in zip(plain.coefficients, robust.coefficients, (0.7, 0.3), strict=True):
        assert two.se == pytest.approx(one.se, rel=0.1)
        assert abs(one.estimate - truth) < 4 * one.se
        assert one.low == pytest.approx(one.estimate - 1.959964 * one.se)


def test_weights_stand_for_copies():
    left, right, x = sample(60, 5)
    copies = np.random.default_rng(5).integers(1, 4, 60)
    for model in ("weibull", "proportional-odds"):
        short = regression(left, right, x, model=model, weights=copies)
        long = regression(
            *(np.repeat(part, copies, axis=0) for part in (left, right, x)), model=model
        )
        assert short.coefficients[0].estimate == pytest.approx(
            long.coefficients[0].estimate, abs=1e-3
        )
        assert short.loglik == pytest.approx(long.loglik, abs=1e-6)


def test_rows_with_a_gap_are_left_out():
    left, right, x = sample(50, 6)
    x[4, 1], left[9] = np.nan, np.nan
    kept = np.ones(50, dtype=bool)
    kept[[4, 9]] = False
    fit = regression(left, right, x, clusters=np.arange(50) // 2)
    other = regression(left[kept], right[kept], x[kept], clusters=(np.arange(50) // 2)[kept])
    assert fit.n_excluded == 2
    assert fit.coefficients[0].estimate == other.coefficients[0].estimate
    assert fit.coefficients[0].se == other.coefficients[0].se


def test_one_cluster_leaves_the_estimate_without_an_interval():
    left, right, x = sample(50, 6)
    part = regression(left, right, x, clusters=np.zeros(50)).coefficients[0]
    assert part.defined
    assert np.isnan([part.low, part.se, part.z, part.p_value]).all()
    assert part.why_no_interval == "one cluster"


@pytest.mark.parametrize("model", [*PARAMETRIC, *FREE])
@pytest.mark.parametrize("flaw", ["constant", "repeated", "group without events"])
def test_what_the_data_do_not_determine_is_refused(model, flaw):
    left, right, x = sample(60, 7)
    if flaw == "constant":
        x[:, 1] = 3.0
    elif flaw == "repeated":
        x[:, 1] = 1 - 2 * x[:, 0]
    else:
        right = np.where(x[:, 0] == 1, np.inf, right)
    fit = regression(left, right, x, model=model)
    assert fit.why_undefined.startswith("the data do not determine the coefficients")
    assert fit.coefficients == ()
    assert not fit.defined


@pytest.mark.parametrize(
    ("left", "right", "reason"),
    [
        ([np.nan, np.nan], [1, 1], "no complete interval"),
        ([3, 6], [np.inf, np.inf], "no event: every row is right-censored"),
        ([0, 3], [6, 9], "all intervals overlap: no two times are told apart"),
        ([5, 5], [5, 5], "all intervals overlap: no two times are told apart"),
    ],
)
@pytest.mark.parametrize("model", ["weibull", "proportional-hazards"])
def test_degenerate_data_give_a_reason(left, right, reason, model):
    assert regression(left, right, [0.0, 1.0], model=model).why_undefined == reason


def test_one_visit_does_not_tell_shape_from_intercept():
    fit = regression([0, 0, 5, 5], [5, 5, np.inf, np.inf], np.empty((4, 0)))
    assert fit.why_undefined.startswith("the data do not determine")
    fixed = regression([0, 0, 5, 5], [5, 5, np.inf, np.inf], np.empty((4, 0)), model="exponential")
    assert np.exp(-5 / np.exp(fixed.log_times[0].estimate)) == pytest.approx(0.5)


def test_a_search_that_does_not_arrive_is_reported(monkeypatch):
    monkeypatch.setattr(semiparametric, "MAX_ROUNDS", 1)
    fit = regression(*sample(80, 8), model="proportional-odds")
    assert fit.why_undefined == "the search for the maximum did not converge"


@pytest.mark.parametrize(
    ("arguments", "wheres"),
    [
        ({"model": "cox", "level": 2}, ["model", "level"]),
        ({"left": [-1, 0]}, ["left"]),
        ({"left": [0, 2], "right": [0, 3]}, ["right"]),
        ({"covariates": [1.0, np.inf]}, ["covariates"]),
        ({"covariates": ["a", "b"]}, ["covariates"]),
        ({"covariates": [1.0]}, ["covariates"]),
        ({"clusters": [None, 1]}, ["clusters"]),
        ({"covariates": np.empty((2, 0)), "model": "proportional-odds"}, ["covariates"]),
    ],
)
def test_impossible_arguments_are_refused(arguments, wheres):
    usual = {"left": [0, 2], "right": [1, 3], "covariates": [0.0, 1.0]}
    with pytest.raises(InvalidInput) as caught:
        regression(**{**usual, **arguments})
    assert [fault.where for fault in caught.value.faults] == wheres


def test_an_event_at_zero_is_possible_without_a_parametric_baseline():
    left, right, x = sample(60, 9)
    left[0] = right[0] = 0.0
    assert regression(left, right, x, model="proportional-hazards").defined


@pytest.mark.parametrize("seed", [0, 2, 7])
@pytest.mark.parametrize("model", FREE)
def test_the_baseline_search_settles_on_scattered_visits(seed, model):
    """A strong effect and visit days of every kind: level stretches merge and split on the way."""
    rng = np.random.default_rng(seed)
    days = np.array([42, 91, 182, 365]) + rng.uniform(-1, 1, (250, 4)) * [7, 14, 28, 56]
    x = rng.normal(size=(250, 2))
    event = np.where(rng.random(250) < 0.2, np.inf, 250 * rng.weibull(0.8, 250))
    event = (event * np.exp(-1.5 * x[:, 0]))[:, None]
    left = np.max(np.where(days < event, days, 0.0), axis=1)
    right = np.min(np.where(days >= event, days, np.inf), axis=1)
    fit = regression(left, right, x, model=model)
    assert fit.coefficients[0].z > 5
    assert abs(fit.coefficients[1].z) < 4
    # Wald and likelihood-ratio tests of the same hypothesis.
    wald = sum(part.z**2 for part in fit.coefficients)
    assert 0.5 < 2 * (fit.loglik - fit.loglik_null) / wald < 2


def test_steps_that_do_not_rise_end_the_search(monkeypatch):
    left, right, x = sample(80, 8)
    monkeypatch.setattr(semiparametric, "HALVINGS", 0)
    fit = regression(left, right, x, model="proportional-hazards")
    assert fit.why_undefined == "the search for the maximum did not converge"


def test_a_parametric_search_cut_short_is_reported(monkeypatch):
    monkeypatch.setattr(newton, "STEPS", 1)
    fit = regression(*sample(80, 8), model="weibull")
    assert fit.why_undefined == "the search for the maximum did not converge"


def test_newton_steps_are_bounded_in_number_and_never_fall(monkeypatch):
    def falling(point):
        """A gradient that points downhill."""
        return Expansion(-float(point @ point), 2 * (point + 1)[None], np.eye(1))

    point, here = climb(falling, np.array([1.0]))
    assert point[0] == 1
    assert here.value == -1

    def parabola(point):
        return Expansion(-float(point @ point), -2 * point[None], 8 * np.eye(1))

    monkeypatch.setattr(newton, "STEPS", 1)
    assert climb(parabola, np.array([1.0]))[0][0] == pytest.approx(0.75)


def test_outside_its_domain_the_likelihood_is_zero():
    model = _Model.of(EXTREME_VALUE, observe([1.0, 2.0], [1.0, 3.0]), np.ones((2, 1)))
    assert model.expand(np.array([0.0, -1.0])).value == -np.inf
    assert model.expand(np.array([-800.0, 1.0])).value == -np.inf
    assert np.isfinite(model.expand(np.array([1.0, 1.0])).value)


def test_a_baseline_without_information_is_not_determined():
    nothing = Expansion(0.0, np.zeros((2, 2)), np.zeros((2, 2)))
    assert not ParametricFit(np.array([1.0, 1.0]), nothing).baseline_determined


def test_the_line_search_halves_steps_out_of_the_domain():
    """A wild start: nearly equal times, whose spread says little about the scale."""
    time = np.array([1.0, 1.0001, 1.0002, 400.0])
    fit = regression(time, time, np.empty((4, 0)), model="log-normal")
    logs = np.log(time)
    assert fit.log_times[0].estimate == pytest.approx(logs.mean(), abs=1e-5)
    assert fit.log_times[1].estimate == pytest.approx(np.log(logs.std()), abs=1e-5)
