"""Likelihood-ratio limits for survival at a time."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import brentq
from scipy.stats import chi2

from imgtrack.stats.intervals.likelihood import Likelihood
from imgtrack.stats.intervals.maximum import maximise
from imgtrack.stats.intervals.observations import turnbull_cliques

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from imgtrack.stats.intervals.estimate import SurvivalBounds, TurnbullEstimate
    from imgtrack.stats.intervals.observations import Observations

# Stands for no probability at all where a likelihood is evaluated at its edge.
EDGE = 1e-6
# How well log-likelihoods are maximised; the ratio's quantile is near 2.
LOGLIK_ERROR = 1e-4
MAX_ITERATIONS = 200


def ratio_limits(
    observations: Observations, fit: TurnbullEstimate, bounds: SurvivalBounds, level: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Lowest and highest survival at each time that the likelihood ratio does not reject.

    Parameters
    ----------
    observations, fit, bounds
        The sample, its estimate, and the estimate's own bounds at the times.
    level
        Confidence level; the ratio is referred to a chi-square with one degree of freedom.
    """
    allowed = float(chi2.ppf(level, 1)) / 2
    pairs = [
        _limits_at(_profile(observations, time, fit.loglik - allowed), low, high)
        for time, low, high in zip(bounds.times, bounds.lower, bounds.upper, strict=True)
    ]
    low, high = np.array(pairs).reshape(-1, 2).T
    return low, high


def _profile(observations: Observations, time: float, threshold: float) -> Callable[[float], float]:
    """How far the best log-likelihood with a given survival at `time` exceeds a threshold."""
    cliques = turnbull_cliques(observations.left, observations.right, cut=time)
    before = int(np.searchsorted(cliques.right, time, side="right"))
    likelihood = Likelihood.of(cliques, observations.weight, (0, before), (0.5, 0.5))
    tol = max(LOGLIK_ERROR / likelihood.total, 1e-9)

    @cache
    def excess(survival: float) -> float:
        held = replace(likelihood, totals=np.array((1 - survival, survival)))
        return maximise(held, tol, MAX_ITERATIONS).value * held.total - threshold

    return excess


def _limits_at(excess: Callable[[float], float], lower: float, upper: float) -> tuple[float, float]:
    low, high, top = 0.0, 1.0, 1 - EDGE
    if lower > EDGE and excess(EDGE) < 0:
        low = float(brentq(excess, EDGE, min(lower, top), xtol=1e-6))
    if upper < top and excess(top) < 0:
        high = float(brentq(excess, max(upper, EDGE), top, xtol=1e-6))
    return low, high
