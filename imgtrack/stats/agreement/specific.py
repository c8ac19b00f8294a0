"""Agreement specific to each category."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from imgtrack.stats.agreement.kernels import specific_sums
from imgtrack.stats.agreement.limits import effective_size, standard_error, wilson
from imgtrack.stats.agreement.ratings import code_ratings
from imgtrack.stats.agreement.results import CategoryAgreement, SpecificAgreement
from imgtrack.stats.arguments import level_faults, raise_faults

if TYPE_CHECKING:
    from imgtrack.stats.agreement.ratings import Categories, Coded, Ratings


def specific_agreement(
    ratings: Ratings, *, categories: Categories | None = None, level: float = 0.95
) -> SpecificAgreement:
    """Agreement specific to each category: positive and negative agreement for two levels.

    Parameters
    ----------
    ratings
        Array or DataFrame (subjects, readers), numbers or labels; NaN = missing.
    categories
        The declared levels in their order; None takes the observed ones.
    level
        Confidence level.

    Returns
    -------
    SpecificAgreement
        For each level the chance that a second reader gives it too, given that a randomly
        chosen first one did: sum of r_k (r_k - 1) over sum of r_k (r - 1), r_k of r ratings in
        the level. ``se`` is the delta-method standard error over subjects (divisor n; Graham
        and Bull for two readers). Limits are Wilson's, made for s = p/(2 - p) at its effective
        number of subjects and carried back: for two readers s is the plain share of agreement
        among the subjects that either put in the level. They are defined at 0 and 1.

    Raises
    ------
    InvalidInput
        For a rating outside the declared levels, or a level outside (0, 1).

    Notes
    -----
    Missing ratings: subjects with fewer than two ratings do not enter.

    Undefined for a level that no subject with two ratings was put in.

    References
    ----------
    Cicchetti DV, Feinstein AR. J Clin Epidemiol 1990;43:551-558. Graham P, Bull B. J Clin
    Epidemiol 1998;51:763-771. Several readers: Fleiss JL, Levin B, Paik MC. Statistical Methods
    for Rates and Proportions, 3rd ed. Wiley 2003, chapter 18.
    """
    raise_faults(level_faults(level))
    coded = code_ratings(ratings, categories)
    paired = int((coded.per_subject > 1).sum())
    return SpecificAgreement(
        per_category=tuple(_one(coded, k, level) for k in range(len(coded.levels))),
        n_used=paired,
        n_excluded=len(coded.codes) - paired,
    )


def _one(coded: Coded, position: int, level: float) -> CategoryAgreement:
    statistic = specific_sums(coded, position)
    value = statistic.value()
    paired = int((coded.per_subject > 1).sum())
    in_category = int((statistic.features[:, 1] > 0).sum())
    fields: dict[str, Any] = {
        "estimate": value,
        "level": level,
        "method": f"{statistic.name}; Wilson limits at the effective number of subjects",
        "n_used": paired,
        "n_excluded": len(coded.codes) - paired,
        "category": coded.levels[position],
        "n_in_category": in_category,
    }
    if math.isnan(value):
        return CategoryAgreement(**fields, why_undefined=statistic.why_nan)
    se = standard_error(statistic.influence(), divisor_n=True)
    share = value / (2 - value)
    variance = (se * 2 / (2 - value) ** 2) ** 2
    limits = np.array(wilson(share, effective_size(share, variance, in_category), level))
    low, high = 2 * limits / (1 + limits)
    return CategoryAgreement(**fields, se=se, low=float(low), high=float(high))
