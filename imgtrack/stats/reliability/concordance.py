"""Lin's concordance correlation coefficient of two readers."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from imgtrack.stats.arguments import level_faults, raise_faults
from imgtrack.stats.proportions.single import z_value
from imgtrack.stats.reliability.readings import read_pairs
from imgtrack.stats.results import Estimate

if TYPE_CHECKING:
    from imgtrack.stats.arguments import FloatArray, Values

_EXACT = 1.0 - 1e-12


@dataclass(frozen=True, slots=True, kw_only=True)
class Concordance(Estimate):
    """A concordance correlation and its parts.

    Attributes
    ----------
    pearson
        Product-moment correlation (precision); ``nan`` when either reader never varies.
    accuracy
        Lin's C_b, from 0 to 1: how near the line of best fit is to the line of equality.
    location_shift
        (mean a - mean b) / sqrt(sd a * sd b).
    scale_shift
        sd a / sd b.
    """

    pearson: float = math.nan
    accuracy: float = math.nan
    location_shift: float = math.nan
    scale_shift: float = math.nan


def concordance(a: Values, b: Values, *, level: float = 0.95) -> Concordance:
    """Estimate how far pairs of measurements lie from the line of equality.

    Parameters
    ----------
    a, b : array-like, shape (subjects,)
        Two measurements of each subject in one unit; NaN = missing. Pairs with a missing value
        are left out.
    level
        Two-sided confidence level.

    Returns
    -------
    Concordance
        2 s_ab / (s_a² + s_b² + (mean a - mean b)²) with variances over n (Lin, Biometrics
        1989;45:255-68); ``se`` by his corrected formula with n - 2 (2000;56:324-25); limits by
        Fisher's z. Undefined without a pair, or when neither reader varies. When one reader
        never varies the coefficient is 0 without limits; perfect agreement, and fewer than three
        pairs, give no limits either.

    Raises
    ------
    InvalidInput
        Vectors of different length, infinities, level outside (0, 1).
    """
    first, second, faults = read_pairs(a, b)
    raise_faults(faults + level_faults(level))
    kept = ~(np.isnan(first) | np.isnan(second))
    return _coefficient(first[kept], second[kept], int((~kept).sum()), level)


def _coefficient(a: FloatArray, b: FloatArray, excluded: int, level: float) -> Concordance:
    n = a.size
    why = _why_undefined(a, b)
    estimate = se = pearson = accuracy = location = scale = math.nan
    if not why:
        gap, cross = float(a.mean() - b.mean()), float(((a - a.mean()) * (b - b.mean())).mean())
        spread_a, spread_b = float(a.std()), float(b.std())
        estimate = 2.0 * cross / (spread_a**2 + spread_b**2 + gap**2)
        estimate = min(1.0, max(-1.0, estimate))
        if spread_a > 0 and spread_b > 0:
            location, scale = gap / math.sqrt(spread_a * spread_b), spread_a / spread_b
            pearson = cross / (spread_a * spread_b)
            accuracy = 2.0 / (scale + 1.0 / scale + location**2)
            se = _corrected_se(pearson, accuracy, location, n)
    why_no_interval = "" if why else _why_no_interval(n, estimate, pearson)
    low, high = (math.nan, math.nan) if why or why_no_interval else _fisher(estimate, se, level)
    return Concordance(
        estimate=estimate,
        low=low,
        high=high,
        se=math.nan if why_no_interval else se,
        level=level,
        method="Lin",
        n_used=n,
        n_excluded=excluded,
        why_undefined=why,
        why_no_interval=why_no_interval,
        pearson=pearson,
        accuracy=accuracy,
        location_shift=location,
        scale_shift=scale,
    )


def _why_undefined(a: FloatArray, b: FloatArray) -> str:
    if not a.size:
        return "no complete pair"
    return "neither reader's values vary" if np.ptp(a) == 0 and np.ptp(b) == 0 else ""


def _why_no_interval(n: int, estimate: float, pearson: float) -> str:
    if n < 3:
        return "fewer than three pairs"
    if math.isnan(pearson):
        return "one reader's values never vary"
    return "agreement without exception has no variance" if abs(estimate) > _EXACT else ""


def _corrected_se(pearson: float, accuracy: float, location: float, n: int) -> float:
    """Lin 2000, written in r and C_b so that r = 0 needs no limit."""
    if n < 3:
        return math.nan
    rho, shift = pearson * accuracy, location**2
    variance = (
        (1.0 - pearson**2) * accuracy**2 * (1.0 - rho**2)
        + 2.0 * rho**2 * (1.0 - rho) * accuracy * shift
        - rho**2 * accuracy**2 * shift**2 / 2.0
    )
    return math.sqrt(max(variance, 0.0) / (n - 2.0))


def _fisher(estimate: float, se: float, level: float) -> tuple[float, float]:
    centre = math.atanh(estimate)
    reach = z_value(level) * se / (1.0 - estimate**2)
    return math.tanh(centre - reach), math.tanh(centre + reach)
