"""Results of the agreement functions: estimates with what they were made of."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from imgtrack.stats.results import Estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement(Estimate):
    """An agreement coefficient.

    Attributes
    ----------
    categories
        The declared levels (the observed ones when none were declared).
    weights
        Name of the agreement weights, ``"matrix"`` for a matrix.
    n_readers
        Readers with at least one rating.
    n_single
        Subjects among ``n_used`` with one rating: they inform chance agreement only.
    observed, expected
        Agreement observed and expected by chance; ``nan`` when undefined.
    df
        Degrees of freedom of the interval's t quantile; infinite for a normal one.
    se_gwet
        Standard error by the formula printed in Gwet's Handbook (2014), as irrCAC prints it.
        With single ratings it is larger than `se`, because it charges each of them the whole
        coefficient; without any it is the same up to the divisor.
    """

    categories: tuple[Any, ...]
    weights: str
    n_readers: int
    n_single: int = 0
    observed: float = math.nan
    expected: float = math.nan
    df: float = math.inf
    se_gwet: float = math.nan


class _TestOfZero:
    """Large-sample test that a coefficient is zero, from its standard error under that value."""

    __slots__ = ()
    estimate: float
    se_null: float

    @property
    def z_null(self) -> float:
        """Estimate over its null standard error; ``nan`` without one."""
        return self.estimate / self.se_null if self.se_null > 0 else math.nan

    @property
    def p_null(self) -> float:
        """Two-sided p value of `z_null`."""
        return float(2 * ndtr(-abs(self.z_null)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Kappa(Agreement, _TestOfZero):
    """A kappa with the standard error for testing that it is zero.

    Attributes
    ----------
    se_null
        Standard error if kappa were zero, for `z_null` and `p_null` only, never for an interval;
        ``nan`` when no formula is published for the design.
    """

    se_null: float = math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class CategoryKappa(Kappa):
    """Fleiss' kappa of one category against all others.

    Attributes
    ----------
    category
        The level.
    prevalence
        Share of ratings in it, each subject counting once.
    """

    category: Any
    prevalence: float


@dataclass(frozen=True, slots=True, kw_only=True)
class FleissKappa(Kappa):
    """Fleiss' kappa, overall and of each category against all others.

    Attributes
    ----------
    per_category
        One entry per declared level, in order.
    """

    per_category: tuple[CategoryKappa, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Alpha(Estimate):
    """Krippendorff's alpha.

    Attributes
    ----------
    metric
        Name of the metric, ``"matrix"`` for a matrix.
    categories
        The declared levels (the observed ones when none were declared).
    n_readers
        Readers with at least one rating.
    n_values
        Ratings that can be paired with another of the same subject.
    observed_disagreement, expected_disagreement
        Mean squared difference within subjects and between any two ratings; ``nan`` when
        undefined.
    df
        Degrees of freedom of the interval's t quantile.
    """

    metric: str
    categories: tuple[Any, ...]
    n_readers: int
    n_values: int
    observed_disagreement: float = math.nan
    expected_disagreement: float = math.nan
    df: float = math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class CategoryAgreement(Estimate):
    """Agreement specific to one category.

    Attributes
    ----------
    category
        The level.
    n_in_category
        Subjects put in it by at least one reader.
    """

    category: Any
    n_in_category: int


@dataclass(frozen=True, slots=True, kw_only=True)
class SpecificAgreement:
    """Agreement specific to each category.

    Attributes
    ----------
    per_category
        One entry per declared level, in order. With two levels these are negative and positive
        agreement.
    n_used, n_excluded
        Subjects with two or more ratings, and the others.
    """

    per_category: tuple[CategoryAgreement, ...]
    n_used: int
    n_excluded: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Confusion:
    """Cross-table of two readers.

    Attributes
    ----------
    categories
        Levels of rows (first reader) and columns (second reader).
    counts
        Subjects by row and column.
    n_used, n_excluded
        Subjects rated by both, and the others.
    """

    categories: tuple[Any, ...]
    counts: tuple[tuple[int, ...], ...]
    n_used: int
    n_excluded: int

    @property
    def table(self) -> npt.NDArray[np.intp]:
        """The counts as an array (levels, levels)."""
        return np.array(self.counts, dtype=np.intp).reshape(2 * (len(self.categories),))


@dataclass(frozen=True, slots=True, kw_only=True)
class PrevalenceBias:
    """Why a binary kappa is what it is: prevalence, bias, and the agreement without them.

    The positive level is the last of the two declared.

    Attributes
    ----------
    prevalence_index
        Share both called positive minus share both called negative, from -1 to 1.
    bias_index
        Share the first reader called positive minus the share the second did, from -1 to 1.
    pabak
        Prevalence- and bias-adjusted kappa, 2 po - 1.
    kappa
        Cohen's kappa: (pabak - pi^2 + bi^2)/(1 - pi^2 + bi^2).
    largest_kappa
        Largest kappa possible with the margins of the two readers.
    """

    prevalence_index: Estimate
    bias_index: Estimate
    pabak: Estimate
    kappa: Kappa
    largest_kappa: Estimate
