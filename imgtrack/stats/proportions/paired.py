"""Two answers on the same units: difference of paired proportions and McNemar's test."""

from __future__ import annotations

import math
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Literal, get_args

import numpy as np
from scipy.special import chdtrc
from scipy.stats import binom

from imgtrack.domain.errors import Fault
from imgtrack.stats.arguments import (
    choice_faults,
    level_faults,
    raise_faults,
    read_floats,
)
from imgtrack.stats.proportions.difference import invert_score, standardised
from imgtrack.stats.proportions.single import Limits, clopper_pearson_limits, wilson_limits
from imgtrack.stats.results import Estimate

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from imgtrack.stats.arguments import Values

DifferenceMethod = Literal["newcombe", "tango"]
McNemarMethod = Literal["exact", "midp", "asymptotic", "corrected"]
Cells = tuple[int, int, int, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class McNemar:
    """McNemar's test of equal margins.

    Attributes
    ----------
    statistic
        Chi-square on one degree of freedom for the asymptotic tests, ``nan`` for the exact ones.
    p_value
        Two-sided; ``nan`` only with a reason in ``why_undefined``.
    first_only, second_only
        Units with the event in one answer alone.
    odds_ratio
        first_only / second_only with exact conditional limits.
    method, n_used, why_undefined
        As in `Estimate`.
    """

    statistic: float
    p_value: float
    first_only: int
    second_only: int
    odds_ratio: Estimate
    method: str
    n_used: int
    why_undefined: str = ""


def paired_difference(
    table: Values, *, method: DifferenceMethod = "newcombe", level: float = 0.95
) -> Estimate:
    """Estimate p(first) - p(second) when each unit was answered twice.

    Parameters
    ----------
    table : array-like, shape (2, 2)
        Counts; rows are the first answer, columns the second, event before non-event:
        ``[[both, first only], [second only, neither]]``.
    method
        ``"newcombe"``: Wilson limits of both margins squared and added with a
        continuity-corrected phi (Newcombe, Stat Med 1998;17:2635-50, method 10).
        ``"tango"``: score limits (Tango, Stat Med 1998;17:891-908).
    level
        Two-sided confidence level.

    Returns
    -------
    Estimate
        ``se`` is sqrt((b + c - (b - c)² / n)) / n, ``nan`` when no unit differs. An empty table
        leaves the difference undefined. Units missing one answer are left out beforehand.

    Raises
    ------
    InvalidInput
        A table that is not 2 x 2 counts, unknown method, level outside (0, 1).
    """
    cells, faults = _read_table(table)
    raise_faults(
        faults + choice_faults("method", method, get_args(DifferenceMethod)) + level_faults(level)
    )
    _, b, c, _ = cells
    n = sum(cells)
    if n == 0:
        return Estimate(
            estimate=math.nan,
            level=level,
            method=method,
            n_used=0,
            why_undefined="no unit observed",
        )
    low, high = _newcombe(cells, level) if method == "newcombe" else _tango(cells, level)
    spread = b + c - (b - c) ** 2 / n
    return Estimate(
        estimate=(b - c) / n,
        low=low,
        high=high,
        se=math.sqrt(spread) / n if spread > 0 else math.nan,
        level=level,
        method=method,
        n_used=n,
    )


def mcnemar(table: Values, *, method: McNemarMethod = "midp", level: float = 0.95) -> McNemar:
    """Test whether two answers on the same units have the same share of events.

    Parameters
    ----------
    table : array-like, shape (2, 2)
        As in `paired_difference`.
    method
        ``"exact"``: binomial test of the units that differ. ``"midp"``: the same with half the
        weight on the observed table, advised by Fagerland, Lydersen and Laake (BMC Med Res
        Methodol 2013;13:91). ``"asymptotic"``: (b - c)² / (b + c) (McNemar 1947).
        ``"corrected"``: the same after taking 1 off the distance between b and c (Edwards 1948).
    level
        Confidence level of the odds ratio.

    Returns
    -------
    McNemar
        Undefined when no unit differs: there is nothing to test.

    Raises
    ------
    InvalidInput
        A table that is not 2 x 2 counts, unknown method, level outside (0, 1).
    """
    cells, faults = _read_table(table)
    raise_faults(faults + choice_faults("method", method, P_VALUES) + level_faults(level))
    _, b, c, _ = cells
    statistic, p_value, why = math.nan, math.nan, "no unit differs between the two answers"
    if b + c:
        statistic, p_value, why = *P_VALUES[method](b, c), ""
    return McNemar(
        statistic=statistic,
        p_value=p_value,
        first_only=b,
        second_only=c,
        odds_ratio=_conditional_odds_ratio(b, c, sum(cells), level),
        method=method,
        n_used=sum(cells),
        why_undefined=why,
    )


def _read_table(table: Values) -> tuple[Cells, list[Fault]]:
    counts, faults = read_floats("table", table)
    if faults:
        return (0, 0, 0, 0), faults
    whole = np.isfinite(counts) & (counts >= 0) & (counts == np.floor(counts))
    if counts.shape == (2, 2) and whole.all():
        a, b, c, d = (int(count) for count in counts.ravel())
        return (a, b, c, d), []
    expected = "2 rows and 2 columns of whole numbers, 0 or more"
    return (0, 0, 0, 0), [Fault("not a paired table", "table", expected, repr(counts.tolist()))]


def _newcombe(cells: Cells, level: float) -> Limits:
    a, b, c, _ = cells
    n = sum(cells)
    first, second = (a + b) / n, (a + c) / n
    low1, high1 = wilson_limits(a + b, n, level)
    low2, high2 = wilson_limits(a + c, n, level)
    phi = _corrected_phi(cells)

    def reach(x: float, y: float) -> float:
        return math.sqrt(x * x - 2.0 * phi * x * y + y * y)

    gap = first - second
    return gap - reach(first - low1, high2 - second), gap + reach(high1 - first, second - low2)


def _corrected_phi(cells: Cells) -> float:
    a, b, c, d = cells
    margins = (a + b) * (c + d) * (a + c) * (b + d)
    if margins == 0:
        return 0.0
    product = a * d - b * c
    if product > 0:
        return max(product - sum(cells) / 2.0, 0.0) / math.sqrt(margins)
    return product / math.sqrt(margins)


def _tango(cells: Cells, level: float) -> Limits:
    _, b, c, _ = cells
    n = sum(cells)

    def score(delta: float) -> float:
        linear = (2.0 * n - b + c) * delta - b - c
        constant = -c * delta * (1.0 - delta)
        root = math.sqrt(max(0.0, linear * linear - 8.0 * n * constant))
        second_only = max(0.0, root - linear) / (4.0 * n)
        return standardised(b - c - n * delta, n * (2.0 * second_only + delta * (1.0 - delta)))

    return invert_score(score, (b - c) / n, (-1.0, 1.0), level)


def _conditional_odds_ratio(b: int, c: int, n: int, level: float) -> Estimate:
    if b + c == 0:
        return Estimate(
            estimate=math.nan,
            level=level,
            method="clopper-pearson",
            n_used=n,
            why_undefined="no unit differs between the two answers",
        )
    low, high = clopper_pearson_limits(b, b + c, level)
    return Estimate(
        estimate=b / c if c else math.inf,
        low=low / (1.0 - low),
        high=high / (1.0 - high) if high < 1.0 else math.inf,
        level=level,
        method="clopper-pearson",
        n_used=n,
    )


def _exact(b: int, c: int) -> tuple[float, float]:
    return math.nan, min(1.0, 2.0 * float(binom.cdf(min(b, c), b + c, 0.5)))


def _midp(b: int, c: int) -> tuple[float, float]:
    observed = float(binom.pmf(min(b, c), b + c, 0.5))
    if b == c:
        return math.nan, 1.0 - observed / 2.0
    return math.nan, 2.0 * float(binom.cdf(min(b, c), b + c, 0.5)) - observed


def _asymptotic(b: int, c: int) -> tuple[float, float]:
    statistic = (b - c) ** 2 / (b + c)
    return statistic, float(chdtrc(1.0, statistic))


def _corrected(b: int, c: int) -> tuple[float, float]:
    statistic = max(abs(b - c) - 1.0, 0.0) ** 2 / (b + c)
    return statistic, float(chdtrc(1.0, statistic))


P_VALUES: Mapping[str, Callable[[int, int], tuple[float, float]]] = MappingProxyType(
    {"exact": _exact, "midp": _midp, "asymptotic": _asymptotic, "corrected": _corrected}
)
