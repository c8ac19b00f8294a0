"""Trend of a proportion over ordered groups (Cochran-Armitage)."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, get_args

import numpy as np
from scipy.special import ndtr

from imgtrack.domain.errors import Fault
from imgtrack.stats.arguments import (
    array_counts_faults,
    choice_faults,
    level_faults,
    raise_faults,
    read_floats,
)
from imgtrack.stats.proportions.single import z_value
from imgtrack.stats.results import Estimate

if TYPE_CHECKING:
    from imgtrack.stats.arguments import FloatArray, Values

Variance = Literal["binomial", "hypergeometric"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """Test and size of a linear trend.

    Attributes
    ----------
    z
        Standardised statistic, positive when the share rises with the score.
    chi_square
        z squared, one degree of freedom.
    p_value
        Two-sided; ``nan`` only with a reason in ``why_undefined``.
    slope
        Change of the share per unit of score (least squares weighted by group size), with
        limits from the variance under no trend.
    groups
        Groups that had a unit.
    method, n_used, why_undefined
        As in `Estimate`.
    """

    z: float
    chi_square: float
    p_value: float
    slope: Estimate
    groups: int
    method: str
    n_used: int
    why_undefined: str = ""


def trend(
    events: Values,
    n: Values,
    *,
    scores: Values | None = None,
    variance: Variance = "binomial",
    level: float = 0.95,
) -> Trend:
    """Test whether the share of events changes steadily over ordered groups.

    Parameters
    ----------
    events, n : array-like, shape (groups,)
        Counts per group in order; groups without a unit are left out.
    scores : array-like, shape (groups,), optional
        Finite numbers, one per group; 1, 2, 3, ... when not given.
    variance
        ``"binomial"``: Armitage 1955 (Biometrics 11:375-86). ``"hypergeometric"``: with the
        factor (N - 1) / N on chi-square, the permutation (Mantel) form that some packages use.
    level
        Confidence level of the slope.

    Returns
    -------
    Trend
        Undefined without a unit, with one score only, or when all or none had the event.

    Raises
    ------
    InvalidInput
        Arrays that differ in length, counts that are no counts, more events than units, scores
        that are not finite, unknown variance, level outside (0, 1).
    """
    events_, faults = read_floats("events", events)
    n_, n_faults = read_floats("n", n)
    given = np.arange(1.0, events_.size + 1.0) if scores is None else scores
    scores_, score_faults = read_floats("scores", given)
    faults += n_faults + score_faults
    raise_faults(
        (faults or _array_faults(events_, n_, scores_))
        + choice_faults("variance", variance, get_args(Variance))
        + level_faults(level)
    )
    kept = n_ > 0
    slope = _slope(events_[kept], n_[kept], scores_[kept], variance, level)
    z = slope.estimate / slope.se if slope.defined else math.nan
    return Trend(
        z=z,
        chi_square=z * z,
        p_value=2.0 * float(ndtr(-abs(z))),
        slope=slope,
        groups=int(kept.sum()),
        method=slope.method,
        n_used=slope.n_used,
        why_undefined=slope.why_undefined,
    )


def _slope(
    events: FloatArray, n: FloatArray, scores: FloatArray, variance: Variance, level: float
) -> Estimate:
    method = f"cochran-armitage, {variance} variance"
    total, happened = float(n.sum()), float(events.sum())
    why = _why_undefined(total, happened, scores)
    if why:
        return Estimate(
            estimate=math.nan, level=level, method=method, n_used=int(total), why_undefined=why
        )
    offset = scores - float(n @ scores) / total
    spread = float(n @ offset**2)
    slope = float(events @ offset) / spread
    divisor = total if variance == "binomial" else total - 1.0
    se = math.sqrt(happened / total * (1.0 - happened / total) * total / divisor / spread)
    reach = z_value(level) * se
    return Estimate(
        estimate=slope,
        low=slope - reach,
        high=slope + reach,
        se=se,
        level=level,
        method=method,
        n_used=int(total),
    )


def _array_faults(events: FloatArray, n: FloatArray, scores: FloatArray) -> list[Fault]:
    if events.ndim != 1 or not events.shape == n.shape == scores.shape:
        found = f"shapes {events.shape}, {n.shape}, {scores.shape}"
        return [Fault("groups do not match", "events, n, scores", "one row each per group", found)]
    faults = array_counts_faults(events, n)
    if not np.all(np.isfinite(scores)):
        faults.append(Fault("not finite", "scores", "finite numbers", repr(scores.tolist())))
    return faults


def _why_undefined(total: float, happened: float, scores: FloatArray) -> str:
    if total == 0:
        return "no unit observed"
    if np.ptp(scores) == 0:
        return "all units have one score"
    return "" if 0.0 < happened < total else "all units or none had the event"
