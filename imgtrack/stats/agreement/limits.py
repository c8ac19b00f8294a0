"""Confidence limits from a standard error."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from scipy.special import ndtri, stdtrit

if TYPE_CHECKING:
    from imgtrack.stats.bootstrap.subject_sums import FloatArray

_NO_SPREAD = 1e-12
_LONGEST = 100.0


def standard_error(influence: FloatArray, *, divisor_n: bool = False) -> float:
    """Return the standard error made by the influence of each subject.

    Parameters
    ----------
    influence
        Centred first-order effects of the subjects on the estimate, array (subjects,).
    divisor_n
        Divide by n, as in multinomial delta-method formulas; else by n - 1.

    Returns
    -------
    float
        ``nan`` with one subject and divisor n - 1.
    """
    n = len(influence)
    squares = float(influence @ influence)
    if divisor_n:
        return math.sqrt(squares)
    return math.sqrt(squares * n / (n - 1)) if n > 1 else math.nan


def why_no_limits(n: int, se: float) -> str:
    """Return why a standard error gives no limits; empty when it does."""
    if n < 2:
        return "one subject gives no standard error"
    if not se > _NO_SPREAD:
        return "the sample shows no spread (standard error 0), so it gives no limits"
    return ""


def wald(
    estimate: float, se: float, level: float, *, df: float = math.inf, highest: float = math.inf
) -> tuple[float, float]:
    """Return estimate -/+ t or normal quantile times se, the upper limit cut at `highest`."""
    half = _quantile(level, df) * se
    return estimate - half, min(highest, estimate + half)


def complementary_log(
    estimate: float, se: float, level: float, *, df: float = math.inf
) -> tuple[float, float]:
    """Return limits made for log(1 - estimate) and carried back: below 1, cut at -1."""
    distance = 1 - estimate
    half = _quantile(level, df) * se / distance
    low = 1 - distance * math.exp(min(half, _LONGEST))
    return max(low, min(estimate, -1.0)), 1 - distance * math.exp(-half)


def wilson(p: float, n: float, level: float) -> tuple[float, float]:
    """Return Wilson's score limits of a proportion p of n, which need not be whole."""
    z2 = float(ndtri((1 + level) / 2)) ** 2
    centre, scale = p + z2 / (2 * n), 1 + z2 / n
    half = math.sqrt(z2 * (p * (1 - p) / n + z2 / (4 * n**2)))
    low = (centre - half) / scale if p > 0 else 0.0
    high = (centre + half) / scale if p < 1 else 1.0
    return low, high


def _quantile(level: float, df: float) -> float:
    tail = (1 + level) / 2
    return float(ndtri(tail)) if math.isinf(df) else float(stdtrit(df, tail))


def effective_size(p: float, variance: float, n: float) -> float:
    """Return the binomial size with this variance of p; n when p is 0 or 1."""
    spread = p * (1 - p)
    return spread / variance if min(spread, variance) > _NO_SPREAD**2 else n
