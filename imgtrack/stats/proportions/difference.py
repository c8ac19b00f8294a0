"""Difference of two independent proportions."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal, get_args

from scipy.optimize import brentq
from scipy.special import ndtr

from imgtrack.stats.arguments import (
    choice_faults,
    level_faults,
    raise_faults,
    two_group_faults,
)
from imgtrack.stats.proportions.single import Limits, binomial_se, wilson_limits
from imgtrack.stats.results import Estimate

if TYPE_CHECKING:
    from collections.abc import Callable

Method = Literal["newcombe", "miettinen-nurminen"]


def difference(
    e1: int, n1: int, e2: int, n2: int, *, method: Method = "newcombe", level: float = 0.95
) -> Estimate:
    """Estimate p1 - p2 for two independent groups.

    Parameters
    ----------
    e1, n1, e2, n2
        Events and units of each group, counts with 0 <= e <= n.
    method
        ``"newcombe"``: the two Wilson intervals squared and added (Newcombe, Stat Med
        1998;17:873-90, method 10). ``"miettinen-nurminen"``: the limits where the score test
        with constrained variance and the factor N / (N - 1) just rejects (Stat Med
        1985;4:213-26). The score interval for a difference in statsmodels 0.15.0 is wrong (its
        constrained estimate takes a count where a sample size belongs); this one agrees with
        the constrained maximum found numerically.
    level
        Two-sided confidence level.

    Returns
    -------
    Estimate
        ``se`` is the unpooled standard error, ``nan`` when either share is 0 or 1. An empty
        group leaves the difference undefined.

    Raises
    ------
    InvalidInput
        Counts that are no counts, more events than units, unknown method, level outside (0, 1).
    """
    raise_faults(
        two_group_faults(e1, n1, e2, n2)
        + choice_faults("method", method, get_args(Method))
        + level_faults(level)
    )
    if n1 == 0 or n2 == 0:
        return Estimate(
            estimate=math.nan,
            level=level,
            method=method,
            n_used=int(n1 + n2),
            why_undefined="one group has no unit",
        )
    limits = _newcombe if method == "newcombe" else _miettinen_nurminen
    low, high = limits(e1, n1, e2, n2, level)
    return Estimate(
        estimate=e1 / n1 - e2 / n2,
        low=low,
        high=high,
        se=math.hypot(binomial_se(e1 / n1, n1), binomial_se(e2 / n2, n2)),
        level=level,
        method=method,
        n_used=int(n1 + n2),
    )


def _newcombe(e1: float, n1: float, e2: float, n2: float, level: float) -> Limits:
    p1, p2 = e1 / n1, e2 / n2
    low1, high1 = wilson_limits(e1, n1, level)
    low2, high2 = wilson_limits(e2, n2, level)
    gap = p1 - p2
    return gap - math.hypot(p1 - low1, high2 - p2), gap + math.hypot(high1 - p1, p2 - low2)


def _miettinen_nurminen(e1: float, n1: float, e2: float, n2: float, level: float) -> Limits:
    gap = e1 / n1 - e2 / n2
    total = n1 + n2

    def score(delta: float) -> float:
        p2 = _constrained_second_share(e1, n1, e2, n2, delta)
        p1 = min(1.0, max(0.0, p2 + delta))
        variance = (p1 * (1 - p1) / n1 + p2 * (1 - p2) / n2) * total / (total - 1.0)
        return standardised(gap - delta, variance)

    return invert_score(score, gap, (-1.0, 1.0), level)


def standardised(distance: float, variance: float) -> float:
    """Return distance / sqrt(variance); 0 at no distance, infinite where the variance is 0."""
    if distance == 0.0:
        return 0.0
    return distance / math.sqrt(variance) if variance > 0.0 else math.copysign(math.inf, distance)


def invert_score(
    score: Callable[[float], float], estimate: float, bounds: tuple[float, float], level: float
) -> Limits:
    """Find where a decreasing score statistic equals plus and minus the normal quantile.

    Solved on the scale of the tail probability, so that an infinite score at a bound is harmless.
    A bound at which the score does not reach the quantile is itself the limit.
    """
    tail = (1.0 - level) / 2.0

    def solve(edge: float, target: float) -> float:
        def excess(value: float) -> float:
            return float(ndtr(score(value))) - target

        if estimate == edge or excess(edge) * excess(estimate) > 0.0:
            return edge
        return float(brentq(excess, edge, estimate, xtol=1e-13))

    return solve(bounds[0], 1.0 - tail), solve(bounds[1], tail)


def _constrained_second_share(e1: float, n1: float, e2: float, n2: float, delta: float) -> float:
    """Maximise the likelihood over p2 with p1 = p2 + delta (closed form, M-N 1985, appendix)."""
    total = n1 + n2
    cubic = total
    square = (n1 + 2.0 * n2) * delta - total - e1 - e2
    linear = (n2 * delta - total - 2.0 * e2) * delta + e1 + e2
    constant = e2 * delta * (1.0 - delta)
    third = square / (3.0 * cubic)
    q = third**3 - linear * third / (2.0 * cubic) + constant / (2.0 * cubic)
    radius = math.copysign(math.sqrt(max(0.0, third**2 - linear / (3.0 * cubic))), q)
    cosine = q / radius**3 if radius else 0.0
    angle = (math.pi + math.acos(min(1.0, max(-1.0, cosine)))) / 3.0
    share = 2.0 * radius * math.cos(angle) - third
    return min(1.0, max(0.0, share))
