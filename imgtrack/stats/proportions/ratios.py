"""Ratio of two independent proportions, and ratio of their odds."""

from __future__ import annotations

import math
from typing import Literal, get_args

from scipy.stats.contingency import odds_ratio as scipy_odds_ratio

from imgtrack.stats.arguments import (
    choice_faults,
    level_faults,
    raise_faults,
    two_group_faults,
)
from imgtrack.stats.proportions.difference import invert_score, standardised
from imgtrack.stats.proportions.single import Limits, z_value
from imgtrack.stats.results import Estimate

RiskMethod = Literal["koopman", "miettinen-nurminen", "katz"]
OddsMethod = Literal["conditional", "woolf"]
LOG_RATIO_BOUND = 60.0
"""Score limits are searched for between e^-60 and e^60; a ratio beyond is reported as 0 or inf."""


def risk_ratio(
    e1: int, n1: int, e2: int, n2: int, *, method: RiskMethod = "koopman", level: float = 0.95
) -> Estimate:
    """Estimate p1 / p2 for two independent groups.

    Parameters
    ----------
    e1, n1, e2, n2
        Events and units of each group, counts with 0 <= e <= n.
    method
        ``"koopman"``: score limits (Koopman, Biometrics 1984;40:513-17).
        ``"miettinen-nurminen"``: the same with the factor N / (N - 1) (Stat Med 1985;4:213-26).
        ``"katz"``: normal limits of the logarithm (Biometrics 1978;34:469-74), which need an
        event in both groups.
    level
        Two-sided confidence level.

    Returns
    -------
    Estimate
        ``se`` belongs to the logarithm of the ratio (delta method) and is ``nan`` without an
        event in both groups. No event in group 2 alone gives ``inf`` with a finite lower limit;
        no event in either group leaves the ratio undefined.

    Raises
    ------
    InvalidInput
        Counts that are no counts, more events than units, unknown method, level outside (0, 1).
    """
    raise_faults(
        two_group_faults(e1, n1, e2, n2)
        + choice_faults("method", method, get_args(RiskMethod))
        + level_faults(level)
    )
    why = _why_no_risk_ratio(e1, n1, e2, n2)
    if why:
        return _undefined(why, method, level, n1 + n2)
    ratio = (e1 / n1) / (e2 / n2) if e2 else math.inf
    se = math.sqrt(1 / e1 - 1 / n1 + 1 / e2 - 1 / n2) if e1 and e2 else math.nan
    if method == "katz":
        return _log_normal(ratio, se, method, level, n1 + n2)
    factor = (n1 + n2) / (n1 + n2 - 1.0) if method == "miettinen-nurminen" else 1.0
    low, high = _risk_ratio_score_limits((e1, n1, e2, n2), factor, level)
    return Estimate(
        estimate=ratio, low=low, high=high, se=se, level=level, method=method, n_used=int(n1 + n2)
    )


def odds_ratio(
    e1: int, n1: int, e2: int, n2: int, *, method: OddsMethod = "conditional", level: float = 0.95
) -> Estimate:
    """Estimate the ratio of the odds of the event in two independent groups.

    Parameters
    ----------
    e1, n1, e2, n2
        Events and units of each group, counts with 0 <= e <= n.
    method
        ``"conditional"``: conditional maximum likelihood given the margins with exact limits
        (Cornfield 1956), as computed by scipy. ``"woolf"``: sample odds ratio with normal
        limits of its logarithm (Ann Hum Genet 1955;19:251-53), which need four non-zero cells.
    level
        Two-sided confidence level.

    Returns
    -------
    Estimate
        ``se`` belongs to the logarithm and is given for ``"woolf"`` alone. With no event at all,
        or no non-event at all, the ratio is undefined; with one empty cell the conditional
        estimate is 0 or ``inf`` with one finite limit.

    Raises
    ------
    InvalidInput
        Counts that are no counts, more events than units, unknown method, level outside (0, 1).
    """
    raise_faults(
        two_group_faults(e1, n1, e2, n2)
        + choice_faults("method", method, get_args(OddsMethod))
        + level_faults(level)
    )
    why = _why_no_odds_ratio(e1, n1, e2, n2)
    if why:
        return _undefined(why, method, level, n1 + n2)
    cells = (int(e1), int(n1 - e1), int(e2), int(n2 - e2))
    if method == "woolf":
        a, b, c, d = cells
        ratio = a * d / (b * c) if b * c else math.inf
        se = math.sqrt(sum(1 / cell for cell in cells)) if all(cells) else math.nan
        return _log_normal(ratio, se, method, level, n1 + n2)
    exact = scipy_odds_ratio([cells[:2], cells[2:]], kind="conditional")
    limits = exact.confidence_interval(confidence_level=level)
    return Estimate(
        estimate=float(exact.statistic),
        low=float(limits.low),
        high=float(limits.high),
        level=level,
        method=method,
        n_used=int(n1 + n2),
    )


def _why_no_risk_ratio(e1: int, n1: int, e2: int, n2: int) -> str:
    if n1 == 0 or n2 == 0:
        return "one group has no unit"
    return "no event in either group" if e1 == 0 and e2 == 0 else ""


def _why_no_odds_ratio(e1: int, n1: int, e2: int, n2: int) -> str:
    why = _why_no_risk_ratio(e1, n1, e2, n2)
    return why or ("every unit had the event" if e1 == n1 and e2 == n2 else "")


def _undefined(why: str, method: str, level: float, n: float) -> Estimate:
    return Estimate(estimate=math.nan, level=level, method=method, n_used=int(n), why_undefined=why)


def _log_normal(ratio: float, se: float, method: str, level: float, n: float) -> Estimate:
    width = math.exp(z_value(level) * se)
    return Estimate(
        estimate=ratio,
        low=ratio / width,
        high=ratio * width,
        se=se,
        level=level,
        method=method,
        n_used=int(n),
        why_no_interval="a cell is empty: the logarithm has no variance" if math.isnan(se) else "",
    )


def _risk_ratio_score_limits(
    groups: tuple[float, float, float, float], factor: float, level: float
) -> Limits:
    e1, n1, e2, n2 = groups
    p1, p2 = e1 / n1, e2 / n2

    def score(log_ratio: float) -> float:
        ratio = math.exp(log_ratio)
        q2 = _constrained_denominator_share(e1, n1, e2, n2, ratio)
        q1 = min(1.0, ratio * q2)
        variance = q1 * (1 - q1) / n1 + ratio**2 * q2 * (1 - q2) / n2
        return standardised(p1 - ratio * p2, variance * factor)

    inside = LOG_RATIO_BOUND / 2.0
    centre = math.log(p1 / p2) if p1 and p2 else math.copysign(inside, p1 - p2)
    low, high = invert_score(score, centre, (-LOG_RATIO_BOUND, LOG_RATIO_BOUND), level)
    return (math.exp(low) if p1 else 0.0), (math.exp(high) if p2 else math.inf)


def _constrained_denominator_share(
    e1: float, n1: float, e2: float, n2: float, ratio: float
) -> float:
    """Maximise the likelihood over p2 with p1 = ratio * p2 (the smaller root of a quadratic)."""
    a = (n1 + n2) * ratio
    b = n1 * ratio + e1 + n2 + e2 * ratio
    c = e1 + e2
    return 2.0 * c / (b + math.sqrt(max(0.0, b * b - 4.0 * a * c)))
