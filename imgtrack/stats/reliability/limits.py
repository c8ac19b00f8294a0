"""Limits of agreement between two methods or readers (Bland and Altman)."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, TypeAlias, get_args

import numpy as np
import pandas as pd
from scipy.special import nctdtrit, ndtri, stdtrit

from imgtrack.domain.errors import Fault
from imgtrack.stats.arguments import choice_faults, level_faults, raise_faults
from imgtrack.stats.proportions.single import z_value
from imgtrack.stats.reliability.differences import Differences, exchangeable, linked
from imgtrack.stats.reliability.magnitude import ByMagnitude, by_magnitude
from imgtrack.stats.reliability.readings import read_pairs
from imgtrack.stats.reliability.spread import sd_of_sum, without_rounding
from imgtrack.stats.results import Estimate

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    from imgtrack.stats.arguments import Values
    from imgtrack.stats.reliability.differences import Codes

    Labels = Sequence[object] | npt.NDArray[np.generic] | pd.Series

Replicates: TypeAlias = Literal["linked", "exchangeable"]


@dataclass(frozen=True, slots=True, kw_only=True)
class BlandAltman:
    """Agreement of two methods on the scale of their difference, a - b.

    Attributes
    ----------
    bias
        Mean difference with t limits.
    sd
        Standard deviation of the difference between single measurements, with limits.
    lower, upper
        Limits of agreement, bias -/+ z sd, each with its best interval: exact with one pair per
        subject, by variance recovery (MOVER) with several.
    lower_approximate, upper_approximate
        The same limits with Bland and Altman's large-sample interval.
    by_magnitude
        Bias and spread as straight lines on the mean of the two measurements, from complete
        pairs.
    coverage
        Share of differences the limits should hold.
    n_subjects, n_pairs
        Subjects and complete pairs that entered.
    """

    bias: Estimate
    sd: Estimate
    lower: Estimate
    upper: Estimate
    lower_approximate: Estimate
    upper_approximate: Estimate
    by_magnitude: ByMagnitude
    coverage: float
    n_subjects: int
    n_pairs: int


def bland_altman(
    a: Values,
    b: Values,
    *,
    subjects: Labels | None = None,
    replicates: Replicates = "linked",
    coverage: float = 0.95,
    level: float = 0.95,
) -> BlandAltman:
    """Estimate between which limits two methods differ.

    Parameters
    ----------
    a, b : array-like, shape (pairs,)
        Measurements in one unit; NaN = missing.
    subjects : array-like, shape (pairs,), optional
        Label of the subject of each pair when subjects have several. None: every pair is a
        subject of its own.
    replicates
        With several pairs per subject: ``"linked"``, the two values of a pair were taken
        together and the true value may change between pairs; ``"exchangeable"``, the true value
        stays and the order within a subject means nothing, so that a and b need not have equally
        many values (fill up with NaN).
    coverage
        Share of differences the limits should hold; 0.95 for z = 1.96.
    level
        Two-sided confidence level.

    Returns
    -------
    BlandAltman
        One pair per subject: mean and SD of the differences; limits exact from the non-central t
        distribution (Carkeet, Optom Vis Sci 2015;92:e71-80) and approximate with variance
        s²(1/n + z²/(2(n - 1))) (Bland and Altman, Stat Methods Med Res 1999;8:135-60). Several
        pairs: variance components of Bland and Altman (J Biopharm Stat 2007;17:571-82), limits
        by variance recovery (Zou, Stat Methods Med Res 2013;22:630-42). The bias of
        ``"linked"`` is the mean over pairs, as in the 2007 paper; that of ``"exchangeable"`` the
        mean over subjects, since a mean over values would mix up subjects when the methods have
        different numbers of values. A pair with a missing value is left out
        (``"exchangeable"``: the missing value alone; then a subject without a value by both);
        ``n_excluded`` of each estimate counts subjects.

        No subject: all undefined. One subject: bias without limits, the rest undefined.
        Differences that are all equal: limits of agreement without intervals.

    Raises
    ------
    InvalidInput
        Vectors of different length, infinities, missing labels, unknown choices, levels outside
        (0, 1).
    """
    groups, label_faults = _number_subjects(subjects)
    first, second, faults = read_pairs(a, b, groups)
    raise_faults(
        faults
        + label_faults
        + choice_faults("replicates", replicates, get_args(Replicates))
        + level_faults(coverage, where="coverage")
        + level_faults(level)
    )
    groups = np.arange(first.size) if groups is None else groups
    taken = (linked if replicates == "linked" else exchangeable)(first, second, groups)
    z = float(ndtri(0.5 + coverage / 2.0))
    kept = ~(np.isnan(first) | np.isnan(second))
    return _result(
        taken,
        by_magnitude(first[kept], second[kept], groups[kept], z=z, level=level),
        coverage,
        level,
    )


def _number_subjects(subjects: Labels | None) -> tuple[Codes | None, list[Fault]]:
    if subjects is None:
        return None, []
    labels = np.empty(len(subjects), dtype=object)
    labels[:] = list(subjects)
    codes = pd.factorize(labels)[0]
    missing = int((codes < 0).sum())
    if not missing:
        return codes, []
    return codes, [
        Fault("missing label", "subjects", "a label for each pair", f"{missing} missing")
    ]


def _result(taken: Differences, lines: ByMagnitude, coverage: float, level: float) -> BlandAltman:
    frame = _Frame(taken, lines.z, level)
    return BlandAltman(
        bias=frame.bias(),
        sd=frame.sd(),
        lower=frame.limit(-1.0),
        upper=frame.limit(1.0),
        lower_approximate=frame.approximate_limit(-1.0),
        upper_approximate=frame.approximate_limit(1.0),
        by_magnitude=lines,
        coverage=coverage,
        n_subjects=taken.n,
        n_pairs=taken.n_pairs,
    )


class _Frame:
    """The estimates of one analysis, sharing its mean, spread and level."""

    def __init__(self, taken: Differences, z: float, level: float) -> None:
        self.taken, self.z, self.level = taken, z, level
        total = sum(weight * square for weight, square, _ in taken.terms)
        terms = taken.terms if without_rounding(total, taken.largest) else ()
        self.spread, self.spread_low, self.spread_high, self.spread_se = sd_of_sum(terms, level)

    def bias(self) -> Estimate:
        """Mean difference with t limits."""
        se = math.sqrt(self.taken.bias_variance)
        reach = self._t() * se
        return self._estimate("mean difference", self.taken.bias, (-reach, reach), se)

    def sd(self) -> Estimate:
        """SD of the difference between single measurements."""
        below, above = self.spread_low - self.spread, self.spread_high - self.spread
        return self._estimate(
            "standard deviation of the difference",
            self.spread if self.taken.n > 1 else math.nan,
            (below, above),
            self.spread_se,
        )

    def limit(self, sign: float) -> Estimate:
        """Limit of agreement with its exact interval, or by variance recovery."""
        if self.taken.replicated:
            return self._limit(sign, "limit of agreement, variance recovery", self._recovered(sign))
        return self._limit(sign, "limit of agreement, exact", self._exact(sign))

    def approximate_limit(self, sign: float) -> Estimate:
        """Limit of agreement with the large-sample interval."""
        se = math.sqrt(self.taken.bias_variance + (self.z * self.spread_se) ** 2)
        reach = self._t() * se
        return self._limit(sign, "limit of agreement, approximate", (-reach, reach), se)

    def _limit(
        self, sign: float, method: str, reach: tuple[float, float], se: float = math.nan
    ) -> Estimate:
        estimate = self.taken.bias + sign * self.z * self.spread
        return self._estimate(method, estimate if self.taken.n > 1 else math.nan, reach, se)

    def _t(self) -> float:
        return float(stdtrit(max(self.taken.n - 1.0, 1.0), 0.5 + self.level / 2.0))

    def _exact(self, sign: float) -> tuple[float, float]:
        """Distances of the interval from the limit by the non-central t (Carkeet 2015)."""
        n = self.taken.n
        if n < 2:
            return math.nan, math.nan
        tail = (1.0 - self.level) / 2.0
        centre = self.z * math.sqrt(n)
        near, far = (
            float(nctdtrit(n - 1.0, centre, q)) / math.sqrt(n) * self.spread - self.z * self.spread
            for q in (tail, 1.0 - tail)
        )
        return (near, far) if sign > 0 else (-far, -near)

    def _recovered(self, sign: float) -> tuple[float, float]:
        """Distances of the interval from the limit by variance recovery (Zou 2013)."""
        mean = z_value(self.level) * math.sqrt(self.taken.bias_variance)
        short = math.hypot(mean, self.z * (self.spread - self.spread_low))
        long = math.hypot(mean, self.z * (self.spread_high - self.spread))
        return (-short, long) if sign > 0 else (-long, short)

    def _estimate(
        self, method: str, estimate: float, reach: tuple[float, float], se: float
    ) -> Estimate:
        why = self._why_undefined() if math.isnan(estimate) else ""
        why_no_interval = "" if why else self._why_no_interval()
        bare = bool(why or why_no_interval)
        return Estimate(
            estimate=estimate,
            low=math.nan if bare else estimate + reach[0],
            high=math.nan if bare else estimate + reach[1],
            se=math.nan if bare else se,
            level=self.level,
            method=method,
            n_used=self.taken.n,
            n_excluded=self.taken.n_excluded,
            why_undefined=why,
            why_no_interval=why_no_interval,
        )

    def _why_undefined(self) -> str:
        return "only one subject" if self.taken.n else "no subject with values by both"

    def _why_no_interval(self) -> str:
        if self.taken.n < 2:
            return "only one subject"
        return "all differences are the same" if self.spread == 0.0 else ""
