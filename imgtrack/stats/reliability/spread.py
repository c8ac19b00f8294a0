"""Standard deviations from weighted sums of mean squares, with confidence limits."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from scipy.special import chdtri

if TYPE_CHECKING:
    from collections.abc import Sequence

_ROUNDING = 1e-12
Term = tuple[float, float, float]
"""Weight, mean square and its degrees of freedom."""


def without_rounding(variance: float, largest: float) -> float:
    """Return 0 for a variance that is only rounding error of values as large as `largest`."""
    return 0.0 if variance <= (_ROUNDING * largest) ** 2 else variance


def sd_of_sum(terms: Sequence[Term], level: float) -> tuple[float, float, float, float]:
    """Return the square root of a weighted sum of mean squares, its limits and standard error.

    Limits by the modified large-sample method (Graybill and Wang, J Am Stat Assoc
    1980;75:869-73), which for one mean square are the exact chi-square limits. Weights are not
    negative. All values are 0 when the sum is.
    """
    used = [(weight * square, df) for weight, square, df in terms if weight * square > 0.0]
    total = sum(part for part, _ in used)
    if total == 0.0:
        return 0.0, 0.0, 0.0, 0.0
    tail = (1.0 - level) / 2.0
    below = sum((part * (1.0 - df / chdtri(df, tail))) ** 2 for part, df in used)
    above = sum((part * (df / chdtri(df, 1.0 - tail) - 1.0)) ** 2 for part, df in used)
    variance = sum(2.0 * part**2 / df for part, df in used)
    low = math.sqrt(max(0.0, total - math.sqrt(below)))
    high = math.sqrt(total + math.sqrt(above))
    return math.sqrt(total), low, high, math.sqrt(variance / (4.0 * total))
