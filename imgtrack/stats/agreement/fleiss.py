"""Fleiss' kappa, overall and of each category."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from imgtrack.stats.agreement.kernels import expected_fleiss, pooled_sums
from imgtrack.stats.agreement.ratings import code_ratings
from imgtrack.stats.agreement.results import CategoryKappa, FleissKappa
from imgtrack.stats.agreement.summary import raise_limit_faults, summarise
from imgtrack.stats.agreement.weights import weights_name

if TYPE_CHECKING:
    from imgtrack.stats.agreement.ratings import Categories, Coded, Ratings
    from imgtrack.stats.agreement.summary import IntervalName
    from imgtrack.stats.agreement.weights import Weights
    from imgtrack.stats.bootstrap.subject_sums import FloatArray


def fleiss_kappa(
    ratings: Ratings,
    *,
    categories: Categories,
    weights: Weights = "identity",
    level: float = 0.95,
    interval: IntervalName = "wald",
) -> FleissKappa:
    """Fleiss' kappa of two or more readers, who need not be the same for every subject.

    Parameters
    ----------
    ratings, categories, weights, level
        As in `percent_agreement`; a matrix of weights must be symmetric.
    interval
        As in `cohen_kappa`, with t(n - 1) quantiles and Wald limits cut at 1.

    Returns
    -------
    FleissKappa
        Overall, and in ``per_category`` of each level against all others (always unweighted).
        ``se`` is linearised over subjects with divisor n - 1.
        ``se_null`` is the standard error of Fleiss, Nee and Landis for testing that kappa is 0,
        given for identity weights and equally many ratings of every subject. (Fleiss' own of
        1971 is wrong and not offered; limits made from either are wrong.) With two readers the
        value is Scott's pi.

    Raises
    ------
    InvalidInput
        As in `percent_agreement`.

    Notes
    -----
    Missing ratings: observed agreement from subjects with two or more ratings, each counting
    once; category proportions from all subjects, each counting once (Gwet 2014). ``se_gwet`` is
    Gwet's standard error; ``se`` differs from it only when some subjects have one rating.

    Undefined when no subject has two ratings, or one level only was used. A category nobody
    used has no kappa. No limits with one subject or when the standard error is 0, as with
    perfect agreement.

    References
    ----------
    Fleiss JL. Psychol Bull 1971;76:378-382. Fleiss JL, Nee JCM, Landis JR. Psychol Bull
    1979;86:974-977. Gwet KL. Handbook of Inter-Rater Reliability, 4th ed. 2014.
    """
    raise_limit_faults(level, interval)
    coded = code_ratings(ratings, categories)
    counts = coded.counts()
    statistic = pooled_sums("Fleiss' kappa", coded, counts, weights, expected_fleiss)
    se_null = _se_null(counts) if weights_name(weights) == "identity" else math.nan
    return summarise(
        FleissKappa,
        statistic,
        level,
        interval,
        se_null=se_null,
        per_category=tuple(
            _category(coded, counts, position, level, interval)
            for position in range(len(coded.levels))
        ),
    )


def _category(
    coded: Coded, counts: FloatArray, position: int, level: float, interval: IntervalName
) -> CategoryKappa:
    """Fleiss' kappa of one level against all others together."""
    name = coded.levels[position]
    inside = counts[:, position]
    split = np.column_stack([counts.sum(axis=1) - inside, inside])
    statistic = pooled_sums(f"Fleiss' kappa of {name}", coded, split, "identity", expected_fleiss)
    totals = statistic.features.sum(axis=0)
    return summarise(
        CategoryKappa,
        statistic,
        level,
        interval,
        se_null=_se_null(split),
        category=name,
        prevalence=float(totals[3] / totals[4]) if totals[4] else math.nan,
    )


def _se_null(counts: FloatArray) -> float:
    """Fleiss, Nee and Landis 1979: standard error if all readers rated at random.

    ``nan`` unless every rated subject has the same number of ratings, two or more, and more than
    one level was used.
    """
    sizes = counts.sum(axis=1)
    rated = counts[sizes > 0]
    n, r = len(rated), float(sizes.max(initial=0.0))
    if r < 2 or np.any(rated.sum(axis=1) != r):
        return math.nan
    p = rated.sum(axis=0) / (n * r)
    spread = float(p @ (1 - p))
    if spread < 1e-12:
        return math.nan
    skew = float((p * (1 - p)) @ (1 - 2 * p))
    return math.sqrt(2 * (spread**2 - skew) / (n * r * (r - 1))) / spread
