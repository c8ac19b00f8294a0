"""Units for the precision of a proportion and for comparing two."""

from __future__ import annotations

import math
from typing import Literal, TypeAlias, get_args

from scipy.optimize import brentq
from scipy.special import ndtr, ndtri

from imgtrack.stats.arguments import (
    choice_faults,
    count_faults,
    level_faults,
    raise_faults,
    range_faults,
)
from imgtrack.stats.planning.design import Sides, different_faults, power_faults, quantiles
from imgtrack.stats.planning.sizes import NO_INFLATION, Inflation, SampleSize, sample_size
from imgtrack.stats.proportions.single import wilson_limits

Precision: TypeAlias = Literal["wald", "wilson"]
Comparison: TypeAlias = Literal["pooled", "continuity", "unpooled", "arcsine"]

_ANY_POWER = 0.5


def size_for_proportion_precision(
    share: float,
    half_width: float,
    *,
    method: Precision = "wilson",
    level: float = 0.95,
    inflation: Inflation = NO_INFLATION,
) -> SampleSize:
    """Return the units for a confidence interval of a proportion of a given half-width.

    Parameters
    ----------
    share
        Share of events expected, between 0 and 1.
    half_width
        Half of upper minus lower limit, between 0 and 0.5.
    method
        ``"wald"``: z² p(1 - p) / half_width², the textbook formula. ``"wilson"``: so that the
        Wilson interval, which the analysis uses, has that half-width when the observed share is
        as expected.
    level
        Two-sided confidence level.
    inflation
        Attrition and clustering.

    Returns
    -------
    SampleSize
        One group.

    Raises
    ------
    InvalidInput
        Values out of range, unknown method.
    """
    raise_faults(
        level_faults(share, where="share")
        + range_faults("half_width", half_width, 0.0, 0.5)
        + choice_faults("method", method, get_args(Precision))
        + level_faults(level)
    )
    z = float(ndtri(0.5 + level / 2.0))
    unrounded = z * z * share * (1.0 - share) / half_width**2
    if method == "wilson":
        unrounded = _wilson_size(share, half_width, level)
    return sample_size(unrounded, f"{method} half-width", inflation)


def size_for_two_proportions(
    p1: float,
    p2: float,
    *,
    power: float = 0.8,
    alpha: float = 0.05,
    sides: Sides = 2,
    allocation: float = 1.0,
    method: Comparison = "pooled",
    inflation: Inflation = NO_INFLATION,
) -> SampleSize:
    """Return the units per group needed to tell two proportions apart.

    Parameters
    ----------
    p1, p2
        Shares expected, between 0 and 1, not equal.
    power, alpha, sides
        Of the test; ``sides`` 1 or 2.
    allocation
        Size of group 2 over that of group 1.
    method
        ``"pooled"``: null variance from the pooled share (Fleiss, Statistical Methods for Rates
        and Proportions 1981, chapter 3). ``"continuity"``: the same for a test with continuity
        correction (Casagrande, Pike and Smith 1978; Fleiss, Tytun and Ury 1980), close to
        Fisher's exact test. ``"unpooled"``: one variance throughout. ``"arcsine"``: Cohen 1988.
    inflation
        Attrition and clustering.

    Returns
    -------
    SampleSize
        Two groups in ``needed`` and ``recruited``.

    Raises
    ------
    InvalidInput
        Values out of range, equal shares, unknown method.
    """
    raise_faults(
        level_faults(p1, where="p1")
        + level_faults(p2, where="p2")
        + different_faults("p2", p2, p1)
        + power_faults(power, alpha, sides)
        + range_faults("allocation", allocation, 0.0, 1e6)
        + choice_faults("method", method, get_args(Comparison))
    )
    z_alpha, z_power = quantiles(power, alpha, sides)
    first = _first_group(p1, p2, allocation, method, (z_alpha, z_power))
    return sample_size((first, first * allocation), f"two proportions, {method}", inflation)


def power_of_two_proportions(
    p1: float, p2: float, n1: int, n2: int, *, alpha: float = 0.05, sides: Sides = 2
) -> float:
    """Return the power of the pooled normal test of two proportions.

    Parameters
    ----------
    p1, p2
        Shares expected, between 0 and 1.
    n1, n2
        Units per group, at least 1.
    alpha, sides
        Of the test. The chance to reject in the wrong direction is not counted.

    Returns
    -------
    Probability to reject, in the direction of the true difference.

    Raises
    ------
    InvalidInput
        Values out of range.
    """
    raise_faults(
        level_faults(p1, where="p1")
        + level_faults(p2, where="p2")
        + count_faults("n1", n1, at_least=1)
        + count_faults("n2", n2, at_least=1)
        + power_faults(_ANY_POWER, alpha, sides)
    )
    pooled = (n1 * p1 + n2 * p2) / (n1 + n2)
    null = math.sqrt(pooled * (1.0 - pooled) * (1.0 / n1 + 1.0 / n2))
    true = math.sqrt(p1 * (1.0 - p1) / n1 + p2 * (1.0 - p2) / n2)
    z_alpha, _ = quantiles(_ANY_POWER, alpha, sides)
    return float(ndtr((abs(p1 - p2) - z_alpha * null) / true))


def _wilson_size(share: float, half_width: float, level: float) -> float:
    def excess(log_n: float) -> float:
        n = math.exp(log_n)
        low, high = wilson_limits(share * n, n, level)
        return (high - low) / 2.0 - half_width

    smallest, largest = math.log(1e-6), math.log(1e15)
    return math.exp(float(brentq(excess, smallest, largest, xtol=1e-13)))


def _first_group(
    p1: float, p2: float, allocation: float, method: Comparison, z: tuple[float, float]
) -> float:
    z_alpha, z_power = z
    gap = abs(p1 - p2)
    if method == "arcsine":
        effect = 2.0 * (math.asin(math.sqrt(p1)) - math.asin(math.sqrt(p2)))
        return ((z_alpha + z_power) / effect) ** 2 * (1.0 + 1.0 / allocation)
    true = math.sqrt(p1 * (1.0 - p1) + p2 * (1.0 - p2) / allocation)
    if method == "unpooled":
        return ((z_alpha + z_power) * true / gap) ** 2
    pooled = (p1 + allocation * p2) / (1.0 + allocation)
    null = math.sqrt(pooled * (1.0 - pooled) * (1.0 + 1.0 / allocation))
    first = ((z_alpha * null + z_power * true) / gap) ** 2
    if method == "pooled":
        return first
    return (
        first
        / 4.0
        * (1.0 + math.sqrt(1.0 + 2.0 * (allocation + 1.0) / (first * allocation * gap))) ** 2
    )
