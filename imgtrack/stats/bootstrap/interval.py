"""Bootstrap confidence intervals: percentile, and bias-corrected and accelerated."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, TypeAlias, get_args

import numpy as np
from scipy.special import ndtr, ndtri

from imgtrack.stats.arguments import choice_faults, level_faults, raise_faults
from imgtrack.stats.bootstrap.engine import draw, size_faults
from imgtrack.stats.results import Estimate

if TYPE_CHECKING:
    import numpy.typing as npt

    from imgtrack.stats.bootstrap.subject_sums import FloatArray, SubjectSums

Method: TypeAlias = Literal["bca", "percentile"]

_MOST_UNDEFINED = 0.05
_SAME = 1e-12


@dataclass(frozen=True, slots=True, kw_only=True)
class BootstrapEstimate(Estimate):
    """A statistic with its bootstrap interval.

    Attributes
    ----------
    n_clusters
        Clusters (patients) resampled.
    replicates, undefined_replicates
        Replicates drawn, and those among them that left the statistic undefined.
    bias
        Mean of the defined replicates minus the estimate.
    bias_correction, acceleration
        z0 and a of the BCa interval; ``nan`` for the percentile interval or without one.
    """

    n_clusters: int
    replicates: int
    undefined_replicates: int
    bias: float = math.nan
    bias_correction: float = math.nan
    acceleration: float = math.nan


def interval(
    sums: SubjectSums,
    *,
    rng: int | np.random.Generator,
    clusters: npt.ArrayLike | None = None,
    method: Method = "bca",
    replicates: int = 10_000,
    level: float = 0.95,
    block: int | None = None,
) -> BootstrapEstimate:
    """Bootstrap confidence interval of a statistic, resampling whole clusters.

    Parameters
    ----------
    sums
        The statistic, from `imgtrack.stats.agreement.sums` or `imgtrack.stats.bootstrap.sums`.
    rng
        Seed or generator.
    clusters
        Cluster (patient) of each subject, array (subjects,); None when each subject is one.
        Two repairs of one patient must share a label, or the interval is too narrow.
    method
        ``"percentile"``, or ``"bca"``: bias-corrected and accelerated, with the acceleration
        from the jackknife over clusters and ties at the estimate counted half.
    replicates
        How many to draw; 10,000 keep the error of simulation in a 95 % limit small.
    level
        Confidence level.
    block
        Replicates held in memory at once; the result does not depend on it.

    Returns
    -------
    BootstrapEstimate
        Limits are quantiles of the replicates (linear interpolation), never outside what the
        replicates reach; ``se`` is their standard deviation.

    Raises
    ------
    InvalidInput
        For an unknown method, a level outside (0, 1), fewer than one replicate, a block below
        one, or bad cluster labels.

    Notes
    -----
    Missing ratings: as in the estimator that made `sums`; subjects that do not enter it are
    not resampled.

    Degenerate cases: no interval with one cluster, with more than 5 % undefined replicates
    (the rest would be a selection), without any variation between replicates, and, for BCa,
    when every replicate lies on one side of the estimate or leaving one cluster out makes the
    statistic undefined.

    References
    ----------
    Efron B, Tibshirani RJ. An Introduction to the Bootstrap. Chapman and Hall 1993, sections
    13.3 and 14.3. Resampling clusters: Davison AC, Hinkley DV. Bootstrap Methods and their
    Application. Cambridge 1997, section 3.8.
    """
    raise_faults(
        choice_faults("method", method, get_args(Method))
        + level_faults(level)
        + size_faults(replicates, block)
    )
    per_cluster = sums.by_cluster(clusters)
    drawn = draw(sums, per_cluster, np.random.default_rng(rng), replicates, block)
    defined = drawn[np.isfinite(drawn)]
    limits = _limits(sums, per_cluster, drawn, method, level)
    estimate = sums.value()
    return BootstrapEstimate(
        estimate=estimate,
        low=limits.low,
        high=limits.high,
        se=float(defined.std(ddof=1)) if len(defined) > 1 else math.nan,
        level=level,
        method=f"{sums.name}; {method} bootstrap of clusters",
        n_used=int(sums.enters.sum()),
        n_excluded=int((~sums.enters).sum()),
        why_undefined=sums.why_nan if math.isnan(estimate) else "",
        why_no_interval=limits.why_none,
        n_clusters=len(per_cluster),
        replicates=replicates,
        undefined_replicates=replicates - len(defined),
        bias=float(defined.mean()) - estimate if len(defined) else math.nan,
        bias_correction=limits.bias_correction,
        acceleration=limits.acceleration,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Limits:
    low: float = math.nan
    high: float = math.nan
    bias_correction: float = math.nan
    acceleration: float = math.nan
    why_none: str = ""


def _limits(
    sums: SubjectSums, per_cluster: FloatArray, drawn: FloatArray, method: Method, level: float
) -> _Limits:
    estimate = sums.value()
    defined = drawn[np.isfinite(drawn)]
    why = _why_none(estimate, len(per_cluster), defined, len(drawn))
    if why:
        return _Limits(why_none=why)
    tails = np.array([(1 - level) / 2, (1 + level) / 2])
    if method == "percentile":
        low, high = np.quantile(defined, tails)
        return _Limits(low=float(low), high=float(high))
    tie = np.abs(defined - estimate) <= _SAME * max(1.0, abs(estimate))
    z0 = float(ndtri(np.mean((defined < estimate) & ~tie) + np.mean(tie) / 2))
    acceleration = _acceleration(sums, per_cluster)
    return _bca(defined, tails, z0, acceleration)


def _why_none(estimate: float, clusters: int, defined: FloatArray, drawn: int) -> str:
    if math.isnan(estimate):
        return "the estimate is undefined"
    if clusters < 2:
        return "one cluster cannot be resampled"
    if len(defined) < (1 - _MOST_UNDEFINED) * drawn:
        return f"{drawn - len(defined)} of {drawn} replicates leave the statistic undefined"
    if np.ptp(defined) <= _SAME * max(1.0, abs(estimate)):
        return "every replicate gives the same value"
    return ""


def _bca(defined: FloatArray, tails: FloatArray, z0: float, acceleration: float) -> _Limits:
    if not math.isfinite(z0):
        return _Limits(why_none="every replicate lies on one side of the estimate")
    if math.isnan(acceleration):
        return _Limits(why_none="leaving one cluster out makes the statistic undefined")
    shifted = z0 + ndtri(tails)
    stretch = 1 - acceleration * shifted
    if np.any(stretch <= 0):
        return _Limits(why_none="the acceleration is too large for this level")
    low, high = np.quantile(defined, ndtr(z0 + shifted / stretch))
    return _Limits(low=float(low), high=float(high), bias_correction=z0, acceleration=acceleration)


def _acceleration(sums: SubjectSums, per_cluster: FloatArray) -> float:
    """Skewness of the jackknife over clusters divided by six (Efron and Tibshirani, eq. 14.15)."""
    left_out = sums.statistic(per_cluster.sum(axis=0) - per_cluster)
    pull = left_out.mean() - left_out
    spread = float(np.sum(pull**2))
    return float(np.sum(pull**3)) / (6 * spread**1.5) if spread > 0 else math.nan
