"""Proportional hazards and proportional odds with an unspecified baseline."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import isotonic_regression

from imgtrack.stats.intervals.estimate import estimate_masses
from imgtrack.stats.intervals.families import IntervalTerms, interval_terms
from imgtrack.stats.intervals.observations import turnbull_cliques

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from imgtrack.stats.intervals.families import Family
    from imgtrack.stats.intervals.observations import Observations

TOL = 1e-7
MAX_ROUNDS = 500
HALVINGS = 30


@dataclass(frozen=True, slots=True)
class SemiparametricFit:
    """Coefficients of z = baseline(time) + covariates @ coefficients.

    Attributes
    ----------
    coefficients
        (p,).
    value
        Log-likelihood.
    scores
        (n, p) efficient scores by observation: what remains after the baseline is estimated.
    information
        (p, p) efficient information, the curvature of the profile likelihood.
    converged
        Whether the optimality conditions hold to 1e-7 per unit of weight.
    """

    coefficients: NDArray[np.float64]
    value: float
    scores: NDArray[np.float64]
    information: NDArray[np.float64]
    converged: bool


@dataclass(frozen=True, slots=True)
class _Model:
    """The likelihood in the baseline at the nodes between Turnbull intervals, and coefficients."""

    family: Family
    first: NDArray[np.intp]
    after: NDArray[np.intp]
    weight: NDArray[np.float64]
    covariates: NDArray[np.float64]

    def terms(
        self, baseline: NDArray[np.float64], coefficients: NDArray[np.float64]
    ) -> IntervalTerms:
        shift = self.covariates @ coefficients
        nodes = np.concatenate(((-np.inf,), baseline, (np.inf,)))
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
            return interval_terms(self.family, nodes[self.first] + shift, nodes[self.after] + shift)

    def value(self, terms: IntervalTerms) -> float:
        total = float(self.weight @ terms.value)
        return total if np.isfinite(total) else -np.inf

    def at_nodes(
        self, starting: NDArray[np.float64], ending: NDArray[np.float64], size: int
    ) -> NDArray[np.float64]:
        """Sum amounts of observations over the inner nodes their intervals start and end at."""
        sums = np.bincount(self.first, self.weight * starting, size + 2)
        sums = sums + np.bincount(self.after, self.weight * ending, size + 2)
        return np.asarray(sums[1:-1], dtype=np.float64)


def fit_semiparametric(
    family: Family, observations: Observations, covariates: NDArray[np.float64]
) -> SemiparametricFit:
    """Maximise over coefficients and a monotone baseline together.

    Rounds of an iterative convex minorant step on the baseline (which decides where it rises)
    and a Newton step on its level stretches and the coefficients together.

    Parameters
    ----------
    family
        Extreme value for proportional hazards, logistic for proportional odds.
    observations
        (n,) with at least two Turnbull intervals.
    covariates
        (n, p), without a column of ones.
    """
    cliques = turnbull_cliques(observations.left, observations.right)
    model = _Model(family, cliques.first, cliques.after, observations.weight, covariates)
    pooled = estimate_masses(observations, 1e-8)
    baseline = family.quantile(np.cumsum(pooled.masses)[:-1])
    coefficients = np.zeros(covariates.shape[1])
    terms = model.terms(baseline, coefficients)
    converged = False
    for _ in range(MAX_ROUNDS):
        baseline, terms = _minorant_step(model, baseline, coefficients, terms)
        merged = True
        while merged:
            baseline, coefficients, terms, merged = _joint_step(
                model, baseline, coefficients, terms
            )
        converged = _residual(model, baseline, terms) <= TOL
        if converged:
            break
    scores, information = _efficient(model, baseline, terms)
    return SemiparametricFit(coefficients, model.value(terms), scores, information, converged)


def _minorant_step(
    model: _Model,
    baseline: NDArray[np.float64],
    coefficients: NDArray[np.float64],
    terms: IntervalTerms,
) -> tuple[NDArray[np.float64], IntervalTerms]:
    slope = model.at_nodes(terms.lower, terms.upper, baseline.size)
    bend = -model.at_nodes(terms.lower_lower, terms.upper_upper, baseline.size)
    step = isotonic_regression(baseline + slope / bend, weights=bend).x - baseline
    value = model.value(terms)
    for _ in range(HALVINGS):
        ahead = model.terms(baseline + step, coefficients)
        if model.value(ahead) >= value:
            return baseline + step, ahead
        step = step / 2
    return baseline, terms


def _joint_step(
    model: _Model,
    baseline: NDArray[np.float64],
    coefficients: NDArray[np.float64],
    terms: IntervalTerms,
) -> tuple[NDArray[np.float64], NDArray[np.float64], IntervalTerms, bool]:
    """Newton step on levels and coefficients, up to where two neighbouring levels meet."""
    stretch = _stretches(baseline)
    gradient, information = _stretch_expansion(model, stretch, terms)
    step = np.asarray(np.linalg.lstsq(information, gradient, rcond=1e-12)[0], dtype=np.float64)
    levels = baseline[np.searchsorted(stretch, np.arange(stretch[-1] + 1))]
    rise, change = step[: levels.size], step[levels.size :]
    reach, meeting = _reach(levels, rise)
    value = model.value(terms)
    for fraction in reach * 0.5 ** np.arange(HALVINGS):
        raised = levels + fraction * rise
        joined = meeting if fraction == reach else meeting[:0]
        raised[joined + 1] = raised[joined]
        moved = coefficients + fraction * change
        ahead = model.terms(raised[stretch], moved)
        if model.value(ahead) >= value:
            return raised[stretch], moved, ahead, joined.size > 0
    return baseline, coefficients, terms, False


def _reach(
    levels: NDArray[np.float64], rise: NDArray[np.float64]
) -> tuple[float, NDArray[np.intp]]:
    """Share of a step at which the first two neighbours meet, and the lower one, if any do."""
    closing = -np.diff(rise)
    share = np.diff(levels) / np.where(closing > 0, closing, np.nan)
    if not np.any(share < 1):
        return 1.0, np.empty(0, dtype=np.intp)
    meeting = np.nanargmin(share, keepdims=True)
    return float(share[meeting[0]]), meeting


def _stretches(baseline: NDArray[np.float64]) -> NDArray[np.intp]:
    """Count off the level stretches: the one each node lies on."""
    return np.concatenate(((0,), np.cumsum(np.diff(baseline) > 0))).astype(np.intp)


def _stretch_expansion(
    model: _Model, stretch: NDArray[np.intp], terms: IntervalTerms
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Gradient and information in the stretches' levels and the coefficients."""
    levels, nodes = int(stretch[-1]) + 1, stretch.size
    member = np.concatenate(((0,), stretch, (0,)))
    start, end = member[model.first], member[model.after]
    w = model.weight

    def by_level(at: NDArray[np.intp], amounts: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(np.bincount(at, w * amounts, levels), dtype=np.float64)

    cells = np.bincount(start * levels + end, w * terms.lower_upper, levels**2)
    between = cells.reshape(levels, levels)
    own = np.diag(by_level(start, terms.lower_lower) + by_level(end, terms.upper_upper))
    at_start, at_end = terms.lower_lower + terms.lower_upper, terms.upper_upper + terms.lower_upper
    mixed = np.column_stack(
        [
            by_level(start, at_start * column) + by_level(end, at_end * column)
            for column in model.covariates.T
        ]
    )
    both = model.covariates.T @ (model.covariates * (w * (at_start + at_end))[:, None])
    bend = np.block([[own + between + between.T, mixed], [mixed.T, both]])
    slope = np.bincount(stretch, model.at_nodes(terms.lower, terms.upper, nodes), levels)
    gradient = np.concatenate((slope, model.covariates.T @ (w * (terms.lower + terms.upper))))
    return np.asarray(gradient, dtype=np.float64), np.asarray(-bend, dtype=np.float64)


def _residual(model: _Model, baseline: NDArray[np.float64], terms: IntervalTerms) -> float:
    """Largest violation of the optimality conditions, per unit of weight."""
    slope = model.at_nodes(terms.lower, terms.upper, baseline.size)
    # Raising a tail of nodes is always allowed; lowering it only where the baseline rises.
    tails = np.cumsum(slope[::-1])[::-1]
    rises = np.concatenate(((True,), np.diff(baseline) > 0))
    worst = max(float(tails.max()), float(np.abs(tails[rises]).max()))
    linear = model.covariates.T @ (model.weight * (terms.lower + terms.upper))
    return max(worst, float(np.abs(linear).max())) / float(model.weight.sum())


def _efficient(
    model: _Model, baseline: NDArray[np.float64], terms: IntervalTerms
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Scores and information of the coefficients, net of the baseline's levels."""
    stretch = _stretches(baseline)
    levels = int(stretch[-1]) + 1
    _, information = _stretch_expansion(model, stretch, terms)
    nuisance, mixed = information[:levels, :levels], information[:levels, levels:]
    project = np.linalg.lstsq(nuisance, mixed, rcond=1e-12)[0]
    along = np.concatenate((project[stretch], np.zeros((1, project.shape[1]))))
    first, after = model.first - 1, np.minimum(model.after - 1, stretch.size)
    own = (terms.lower + terms.upper)[:, None] * model.covariates
    lost = terms.lower[:, None] * along[first] + terms.upper[:, None] * along[after]
    efficient = information[levels:, levels:] - mixed.T @ project
    return (own - lost) * model.weight[:, None], efficient
