"""One proportion when units come in clusters, such as two shoulders of one patient."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, get_args

import numpy as np
from scipy.special import expit, logit, stdtrit

from imgtrack.domain.errors import Fault
from imgtrack.stats.arguments import (
    array_counts_faults,
    choice_faults,
    level_faults,
    raise_faults,
    read_floats,
)
from imgtrack.stats.proportions.single import Limits, score_limits, wilson_limits, z_value
from imgtrack.stats.results import Estimate

if TYPE_CHECKING:
    from imgtrack.stats.arguments import FloatArray, Values

Method = Literal["modified-wilson", "rao-scott", "ratio"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ClusteredProportion(Estimate):
    """A proportion with the effect of clustering.

    Attributes
    ----------
    clusters
        Clusters that entered; ``n_used`` counts their units, ``n_excluded`` the clusters left out.
    design_effect
        Variance over that of as many independent units; ``nan`` when the share is 0 or 1 or with
        one cluster.
    effective_n
        Units divided by the design effect; ``nan`` or ``inf`` along with it.
    intracluster_correlation
        Analysis-of-variance estimate, may be negative; ``nan`` when every cluster has one unit,
        with one cluster, or when the share is 0 or 1.
    """

    clusters: int
    design_effect: float
    effective_n: float
    intracluster_correlation: float


def clustered_proportion(
    events: Values, sizes: Values, *, method: Method = "modified-wilson", level: float = 0.95
) -> ClusteredProportion:
    """Estimate the share of units with the event from independent clusters of units.

    Parameters
    ----------
    events, sizes : array-like, shape (clusters,)
        Units with the event and units in all, per cluster. A cluster with a missing value or of
        size 0 is left out and counted in ``n_excluded``.
    method
        Both estimate sum(events) / sum(sizes) with the linearised (ratio, ultimate-cluster)
        variance (Cochran, Sampling Techniques 1977, section 3.12). ``"rao-scott"``: events and
        units divided by the design effect, then Wilson limits (Rao and Scott, Biometrics
        1992;48:577-85); too narrow with few clusters. ``"modified-wilson"``: the same with the t
        quantile for clusters - 1 degrees of freedom (reviewed by Franco, Little, Louis and Slud,
        J Surv Stat Methodol 2019;7:334-64). ``"ratio"``: t limits on the logit scale, wide with
        few clusters.
    level
        Two-sided confidence level.

    Returns
    -------
    ClusteredProportion
        When no unit, or every unit, had the event, the design effect cannot be estimated: the
        limits are then Wilson's with each cluster counted as one unit, the most cautious case.
        One cluster, or clusters that all fit the overall share exactly, give no limits.

    Raises
    ------
    InvalidInput
        Arrays that differ in length, counts that are no counts, more events than units in a
        cluster, unknown method, level outside (0, 1).
    """
    x, event_faults = read_floats("events", events)
    n, size_faults = read_floats("sizes", sizes)
    raise_faults(
        (event_faults + size_faults or _array_faults(x, n))
        + choice_faults("method", method, get_args(Method))
        + level_faults(level)
    )
    kept = ~(np.isnan(x) | np.isnan(n)) & (n > 0)
    return _estimate(x[kept], n[kept], int((~kept).sum()), method, level)


def _array_faults(x: FloatArray, n: FloatArray) -> list[Fault]:
    if x.ndim != 1 or x.shape != n.shape:
        found = f"shapes {x.shape} and {n.shape}"
        return [Fault("do not match", "events, sizes", "one number per cluster", found)]
    present = ~(np.isnan(x) | np.isnan(n))
    return array_counts_faults(x[present], n[present], names=("events", "sizes"))


def _estimate(
    x: FloatArray, n: FloatArray, excluded: int, method: Method, level: float
) -> ClusteredProportion:
    m, total = n.size, float(n.sum())
    share = float(x.sum()) / total if m else math.nan
    mixed = m > 1 and 0.0 < share < 1.0
    variance = _linearised_variance(x, n) if mixed else math.nan
    design_effect = variance * total / (share * (1.0 - share)) if mixed else math.nan
    (low, high), why_no_interval = _limits(share, m, variance, method, level)
    return ClusteredProportion(
        estimate=share,
        low=low,
        high=high,
        se=math.sqrt(variance) if variance > 0 else math.nan,
        level=level,
        method=method,
        n_used=int(total),
        n_excluded=excluded,
        why_undefined="" if m else "no cluster with a unit",
        why_no_interval=why_no_interval,
        clusters=m,
        design_effect=design_effect,
        effective_n=total / design_effect if design_effect != 0.0 else math.inf,
        intracluster_correlation=intracluster_correlation(x, n) if mixed else math.nan,
    )


def _linearised_variance(x: FloatArray, n: FloatArray) -> float:
    residual = x - n * (x.sum() / n.sum())
    noise = 1e-12 * float(n.max())
    residual[np.abs(residual) < noise] = 0.0
    return float(n.size / (n.size - 1.0) * (residual @ residual) / n.sum() ** 2)


def _limits(
    share: float, m: int, variance: float, method: Method, level: float
) -> tuple[Limits, str]:
    none = (math.nan, math.nan)
    if m < 2:
        return none, "one cluster shows no variance between clusters" if m else ""
    if math.isnan(variance):
        return wilson_limits(m * share, m, level), ""
    if variance == 0.0:
        return none, "every cluster has the overall share: no variance between clusters"
    effective = share * (1.0 - share) / variance
    t = float(stdtrit(m - 1.0, 0.5 + level / 2.0))
    if method == "ratio":
        centre, reach = float(logit(share)), t * math.sqrt(variance) / (share * (1.0 - share))
        return (float(expit(centre - reach)), float(expit(centre + reach))), ""
    quantile = z_value(level) if method == "rao-scott" else t
    return score_limits(share * effective, effective, quantile), ""


def intracluster_correlation(x: FloatArray, n: FloatArray) -> float:
    """Return the analysis-of-variance intracluster correlation of a binary outcome.

    ``nan`` when no cluster has two units (Ridout, Demétrio and Firth, Biometrics 1999;55:137-48).
    """
    m, total = n.size, float(n.sum())
    if total == m:
        return math.nan
    share = x.sum() / total
    between = float((n * (x / n - share) ** 2).sum()) / (m - 1)
    within = float((x * (n - x) / n).sum()) / (total - m)
    typical = (total - float(n @ n) / total) / (m - 1)
    return (between - within) / (between + (typical - 1.0) * within)
