"""Differences of two methods summed up as mean squares, with one or several pairs per subject."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import numpy.typing as npt

    from imgtrack.stats.arguments import FloatArray
    from imgtrack.stats.reliability.spread import Term

    Codes = npt.NDArray[np.intp]


@dataclass(frozen=True, slots=True, kw_only=True)
class Differences:
    """What limits of agreement are computed from.

    Attributes
    ----------
    n, n_pairs, n_excluded
        Subjects and pairs that entered, subjects left out.
    bias, bias_variance
        Mean difference and its sampling variance; the variance is ``nan`` with one subject.
    terms
        Variance of the difference between single measurements as a weighted sum of mean squares;
        empty with one subject.
    largest
        Largest absolute value that entered.
    replicated
        Whether any subject has more than one value by a method.
    """

    n: int
    n_pairs: int
    n_excluded: int
    bias: float
    bias_variance: float
    terms: tuple[Term, ...]
    largest: float
    replicated: bool


def linked(a: FloatArray, b: FloatArray, groups: Codes) -> Differences:
    """Sum up pairs whose two values were taken together (Bland and Altman 2007, section 3)."""
    gaps = a - b
    kept = ~np.isnan(gaps)
    counts, means, within = _by_subject(gaps[kept], groups[kept])
    n, total = counts.size, float(counts.sum())
    bias = float(counts @ means) / total if n else math.nan
    variance = math.nan
    terms: tuple[Term, ...] = ()
    if n > 1:
        between = float(counts @ (means - bias) ** 2) / (n - 1)
        typical = (total - float(counts @ counts) / total) / (n - 1)
        df = total - n
        error = within / df if df else 0.0
        subject = max(0.0, between - error) / typical
        variance = subject * float(counts @ counts) / total**2 + error / total
        terms = ((1.0 / typical, between, n - 1.0), (1.0 - 1.0 / typical, error, df))
    return Differences(
        n=n,
        n_pairs=int(total),
        n_excluded=np.unique(groups).size - n,
        bias=bias,
        bias_variance=variance,
        terms=terms,
        largest=_largest(a[kept], b[kept]),
        replicated=bool(total > n),
    )


def exchangeable(a: FloatArray, b: FloatArray, groups: Codes) -> Differences:
    """Sum up replicates of an unchanging true value (Bland and Altman 2007, section 2)."""
    with_a, with_b = groups[~np.isnan(a)], groups[~np.isnan(b)]
    both = np.intersect1d(with_a, with_b)
    in_a, in_b = np.isin(groups, both) & ~np.isnan(a), np.isin(groups, both) & ~np.isnan(b)
    counts_a, means_a, within_a = _by_subject(a[in_a], groups[in_a])
    counts_b, means_b, within_b = _by_subject(b[in_b], groups[in_b])
    gaps, n = means_a - means_b, both.size
    variance = math.nan
    terms: tuple[Term, ...] = ()
    if n > 1:
        square = float(gaps.var(ddof=1))
        variance = square / n
        replicates = (_replicate_term(counts_a, within_a), _replicate_term(counts_b, within_b))
        terms = ((1.0, square, n - 1.0), *replicates)
    return Differences(
        n=n,
        n_pairs=int((in_a & in_b).sum()),
        n_excluded=np.unique(groups).size - n,
        bias=float(gaps.mean()) if n else math.nan,
        bias_variance=variance,
        terms=terms,
        largest=_largest(a[in_a], b[in_b]),
        replicated=bool(counts_a.sum() + counts_b.sum() > 2 * n),
    )


def _largest(a: FloatArray, b: FloatArray) -> float:
    return float(np.abs(np.concatenate([a, b])).max(initial=0.0))


def _by_subject(values: FloatArray, groups: Codes) -> tuple[FloatArray, FloatArray, float]:
    """Return the count and mean of each subject, and the sum of squares within subjects."""
    _, codes = np.unique(groups, return_inverse=True)
    counts = np.bincount(codes).astype(float)
    means = np.bincount(codes, weights=values) / counts
    return counts, means, float(((values - means[codes]) ** 2).sum())


def _replicate_term(counts: FloatArray, within: float) -> Term:
    df = float(counts.sum() - counts.size)
    return 1.0 - float((1.0 / counts).mean()), (within / df if df else 0.0), df
