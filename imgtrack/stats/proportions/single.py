"""One proportion of independent units: estimate and interval."""

from __future__ import annotations

import math
from types import MappingProxyType
from typing import TYPE_CHECKING, Literal

from scipy.optimize import brentq
from scipy.special import betainc, betaincinv, ndtri

from imgtrack.stats.arguments import (
    choice_faults,
    events_faults,
    level_faults,
    raise_faults,
)
from imgtrack.stats.results import Estimate

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

Method = Literal["wilson", "clopper-pearson", "agresti-coull", "jeffreys", "midp"]
Limits = tuple[float, float]


def proportion(events: int, n: int, *, method: Method = "wilson", level: float = 0.95) -> Estimate:
    """Estimate the share of `n` independent units that had the event.

    Parameters
    ----------
    events, n
        Counts, 0 <= events <= n. Units with a missing answer belong in neither; see
        `bounds_for_missing` for what they could change.
    method
        ``"wilson"``: score limits (Wilson 1927), the default advised by Newcombe (Stat Med
        1998;17:857-72) and Brown, Cai and DasGupta (Stat Sci 2001;16:101-33).
        ``"clopper-pearson"``: exact, never below the level, often well above (Biometrika
        1934;26:404-13). ``"agresti-coull"``: Wald limits after adding z²/2 events and as many
        non-events, cut to [0, 1] (Am Stat 1998;52:119-26). ``"jeffreys"``: equal-tailed
        Beta(1/2, 1/2) limits with 0 at no event and 1 at all events, as Brown and colleagues
        define them (some libraries leave out that step). ``"midp"``: the exact limits with half
        the weight on the observed count (Lancaster 1961; Newcombe's method 6).
    level
        Two-sided confidence level. A one-sided 95 % limit is the limit at 0.90.

    Returns
    -------
    Estimate
        The estimate is always events / n. ``se`` is sqrt(p(1 - p) / n), and ``nan`` at no event
        and at all events, where that formula would claim certainty. With n = 0 there is no value.

    Raises
    ------
    InvalidInput
        Counts that are no counts, more events than units, unknown method, level outside (0, 1).
    """
    raise_faults(
        events_faults(events, n) + choice_faults("method", method, LIMITS) + level_faults(level)
    )
    if n == 0:
        return Estimate(
            estimate=math.nan,
            level=level,
            method=method,
            n_used=0,
            why_undefined="no unit observed",
        )
    share = events / n
    low, high = LIMITS[method](events, n, level)
    return Estimate(
        estimate=share,
        low=low,
        high=high,
        se=binomial_se(share, n),
        level=level,
        method=method,
        n_used=int(n),
    )


def binomial_se(share: float, n: float) -> float:
    """Return sqrt(p(1 - p) / n), or nan where it would be zero."""
    return math.sqrt(share * (1.0 - share) / n) if 0.0 < share < 1.0 else math.nan


def z_value(level: float) -> float:
    """Return the two-sided normal quantile, 1.96 at 0.95."""
    return float(ndtri(0.5 + level / 2.0))


def wilson_limits(events: float, n: float, level: float) -> Limits:
    """Return score limits at a confidence level."""
    return score_limits(events, n, z_value(level))


def score_limits(events: float, n: float, z: float) -> Limits:
    """Return score limits at a quantile; counts may be fractional (effective counts)."""
    share = events / n
    weight = n / (n + z * z)
    centre = weight * share + (1.0 - weight) * 0.5
    half = weight * z * math.sqrt(share * (1.0 - share) / n + (z / (2.0 * n)) ** 2)
    low = 0.0 if events == 0 else centre - half
    high = 1.0 if events == n else centre + half
    return low, high


def clopper_pearson_limits(events: float, n: float, level: float) -> Limits:
    """Return exact limits from the beta quantiles; counts may be fractional."""
    tail = (1.0 - level) / 2.0
    low = 0.0 if events == 0 else float(betaincinv(events, n - events + 1.0, tail))
    high = 1.0 if events == n else float(betaincinv(events + 1.0, n - events, 1.0 - tail))
    return low, high


def _agresti_coull_limits(events: float, n: float, level: float) -> Limits:
    z = z_value(level)
    padded = n + z * z
    centre = (events + z * z / 2.0) / padded
    half = z * math.sqrt(centre * (1.0 - centre) / padded)
    return max(0.0, centre - half), min(1.0, centre + half)


def _jeffreys_limits(events: float, n: float, level: float) -> Limits:
    tail = (1.0 - level) / 2.0
    shape = (events + 0.5, n - events + 0.5)
    low = 0.0 if events == 0 else float(betaincinv(*shape, tail))
    high = 1.0 if events == n else float(betaincinv(*shape, 1.0 - tail))
    return low, high


def _midp_limits(events: float, n: float, level: float) -> Limits:
    return _midp_low(events, n, level), 1.0 - _midp_low(n - events, n, level)


def _midp_low(events: float, n: float, level: float) -> float:
    """Solve P(X > events) + P(X = events) / 2 = tail for the true share."""
    if events == 0:
        return 0.0
    tail = (1.0 - level) / 2.0

    def excess(share: float) -> float:
        at_least = betainc(events, n - events + 1.0, share)
        more = betainc(events + 1.0, n - events, share) if events < n else 0.0
        return float((at_least + more) / 2.0 - tail)

    return float(brentq(excess, 0.0, 1.0, xtol=1e-14))


LIMITS: Mapping[str, Callable[[float, float, float], Limits]] = MappingProxyType(
    {
        "wilson": wilson_limits,
        "clopper-pearson": clopper_pearson_limits,
        "agresti-coull": _agresti_coull_limits,
        "jeffreys": _jeffreys_limits,
        "midp": _midp_limits,
    }
)
