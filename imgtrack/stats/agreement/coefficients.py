"""Agreement beyond chance: the coefficients of Cohen, Conger, Gwet, and Brennan and Prediger."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from imgtrack.stats.agreement import sums
from imgtrack.stats.agreement.results import Agreement, Kappa
from imgtrack.stats.agreement.summary import raise_limit_faults, summarise, summarise_share
from imgtrack.stats.agreement.weights import agreement_weights
from imgtrack.stats.arguments import level_faults, raise_faults

if TYPE_CHECKING:
    from imgtrack.stats.agreement.kernels import AgreementSums
    from imgtrack.stats.agreement.ratings import Categories, Ratings, Reader
    from imgtrack.stats.agreement.summary import IntervalName
    from imgtrack.stats.agreement.weights import Weights
    from imgtrack.stats.bootstrap.subject_sums import FloatArray


def percent_agreement(
    ratings: Ratings,
    *,
    categories: Categories,
    weights: Weights = "identity",
    level: float = 0.95,
) -> Agreement:
    """Share of agreement between two ratings of the same subject, not corrected for chance.

    Parameters
    ----------
    ratings
        Array or DataFrame (subjects, readers), numbers or labels; NaN = missing.
    categories
        The declared levels in their order, used or not.
    weights
        Agreement between levels, see `agreement_weights`.
    level
        Confidence level.

    Returns
    -------
    Agreement
        Mean over subjects of the mean weight over their pairs of ratings. Limits are Wilson's
        at the effective number of subjects, po (1 - po)/variance: exactly Wilson's interval
        for two readers and identity weights, defined at 0 and 1, and within [0, 1] always.
        ``se`` has divisor n - 1.

    Raises
    ------
    InvalidInput
        For a rating outside the declared levels, unsuitable weights, or a level outside (0, 1).

    Notes
    -----
    Missing ratings: each subject with two or more ratings counts once (Gwet 2014); a subject
    with one counts in ``n_single`` and in nothing else.

    Undefined when no subject has two ratings.

    References
    ----------
    Gwet KL. Handbook of Inter-Rater Reliability, 4th ed. 2014, chapter 2. Effective size: Korn
    EL, Graubard BI. Survey Methodology 1998;24:193-201, here with Wilson's interval.
    """
    raise_faults(level_faults(level))
    statistic = sums.percent_agreement(ratings, categories=categories, weights=weights)
    return summarise_share(Agreement, statistic, level)


def cohen_kappa(
    a: Reader,
    b: Reader,
    *,
    categories: Categories,
    weights: Weights = "identity",
    level: float = 0.95,
    interval: IntervalName = "wald",
) -> Kappa:
    """Cohen's kappa of two readers, weighted or not.

    Parameters
    ----------
    a, b
        Ratings of the same subjects in the same order, arrays (subjects,); NaN = missing.
    categories
        The declared levels in their order, used or not. Levels nobody used change weighted
        kappa; scikit-learn and statsmodels leave them out unless told.
    weights
        Agreement between levels, see `agreement_weights`; a matrix may be asymmetric (rows the
        first reader). 1 - d/max(d) turns disagreement weights d into agreement weights.
    level
        Confidence level.
    interval
        ``"wald"``: the published estimate -/+ normal quantile times ``se``, not cut.
        ``"log"``: the same for log(1 - kappa), carried back and cut at -1; it covers better from
        about 0.5 upwards and in small samples (tests/bench/coverage_agreement.py; common
        practice, no source).

    Returns
    -------
    Kappa
        ``se`` is the non-null standard error of Fleiss, Cohen and Everitt (delta method,
        divisor n). ``se_null`` is theirs for testing that kappa
        is 0. (R psych 2.2.9 prints another standard error for weighted kappa; statsmodels, vcd
        and the delta method agree with this one.)

    Raises
    ------
    InvalidInput
        When lengths differ, for a rating outside the declared levels, unsuitable weights, or a
        level outside (0, 1).

    Notes
    -----
    Missing ratings: only subjects rated by both enter.

    Undefined when no subject was rated by both, or both readers used one and the same level. No
    limits with one subject or when the standard error is 0, as with perfect agreement: see
    `percent_agreement`, whose limits are always defined.

    References
    ----------
    Cohen J. Educ Psychol Meas 1960;20:37-46; Psychol Bull 1968;70:213-220. Fleiss JL, Cohen J,
    Everitt BS. Psychol Bull 1969;72:323-327.
    """
    raise_limit_faults(level, interval)
    statistic = sums.cohen_kappa(a, b, categories=categories, weights=weights)
    w = agreement_weights(weights, len(statistic.levels), symmetric=False)
    se_null = _cohen_se_null(statistic, w)
    return summarise(Kappa, statistic, level, interval, "normal", se_null=se_null)


def conger_kappa(
    ratings: Ratings,
    *,
    categories: Categories,
    weights: Weights = "identity",
    level: float = 0.95,
    interval: IntervalName = "wald",
) -> Agreement:
    """Conger's kappa: Cohen's for several readers, each with own margins.

    Parameters
    ----------
    ratings, categories, weights, level
        As in `percent_agreement`; a matrix of weights must be symmetric.
    interval
        As in `cohen_kappa`, with t(n - 1) quantiles and Wald limits cut at 1.

    Returns
    -------
    Agreement
        Chance agreement is the mean over pairs of readers. ``se`` is linearised over subjects
        with divisor n - 1. With two readers and nothing
        missing the value is Cohen's kappa.

    Raises
    ------
    InvalidInput
        As in `percent_agreement`.

    Notes
    -----
    Missing ratings: observed agreement from subjects with two or more ratings, each counting
    once; each reader's margins from all that reader's ratings (Gwet 2014). ``se_gwet`` is
    Gwet's standard error; ``se`` differs from it only when some subjects have one rating.

    Undefined as `fleiss_kappa`.

    References
    ----------
    Conger AJ. Psychol Bull 1980;88:322-328. Gwet KL. Handbook of Inter-Rater Reliability, 4th
    ed. 2014.
    """
    raise_limit_faults(level, interval)
    statistic = sums.conger_kappa(ratings, categories=categories, weights=weights)
    return summarise(Agreement, statistic, level, interval)


def gwet_ac(
    ratings: Ratings,
    *,
    categories: Categories,
    weights: Weights = "identity",
    level: float = 0.95,
    interval: IntervalName = "wald",
) -> Agreement:
    """Gwet's AC1 (identity weights) or AC2 (other weights), for two or more readers.

    Parameters
    ----------
    ratings, categories, weights, level
        As in `percent_agreement`; a matrix of weights must be symmetric. Levels nobody used
        count: they lower chance agreement.
    interval
        As in `cohen_kappa`, with t(n - 1) quantiles and Wald limits cut at 1.

    Returns
    -------
    Agreement
        ``se`` is linearised over subjects with divisor n - 1.

    Raises
    ------
    InvalidInput
        As in `percent_agreement`.

    Notes
    -----
    Missing ratings: observed agreement from subjects with two or more ratings, each counting
    once; category proportions from all subjects, each counting once. ``se_gwet`` as in
    `conger_kappa`.

    Defined, and 1, when only one of several declared levels was used; without limits then.
    Undefined with one declared level or without a subject rated twice.

    References
    ----------
    Gwet KL. Br J Math Stat Psychol 2008;61:29-48; Handbook of Inter-Rater Reliability, 4th ed.
    2014.
    """
    raise_limit_faults(level, interval)
    statistic = sums.gwet_ac(ratings, categories=categories, weights=weights)
    return summarise(Agreement, statistic, level, interval)


def brennan_prediger(
    ratings: Ratings,
    *,
    categories: Categories,
    weights: Weights = "identity",
    level: float = 0.95,
    interval: IntervalName = "wald",
) -> Agreement:
    """Brennan and Prediger's kappa: chance uses all declared levels equally often.

    Parameters
    ----------
    ratings, categories, weights, level
        As in `percent_agreement`; a matrix of weights must be symmetric. Levels nobody used
        count: they lower chance agreement.
    interval
        As in `cohen_kappa`, with t(n - 1) quantiles and Wald limits cut at 1.

    Returns
    -------
    Agreement
        ``se`` is linearised over subjects with divisor n - 1.
        Also known as Randolph's free-marginal kappa; with two readers and two levels as PABAK.

    Raises
    ------
    InvalidInput
        As in `percent_agreement`.

    Notes
    -----
    Missing ratings and degenerate cases: as in `gwet_ac`.

    References
    ----------
    Brennan RL, Prediger DJ. Educ Psychol Meas 1981;41:687-699. Gwet KL. Handbook of
    Inter-Rater Reliability, 4th ed. 2014.
    """
    raise_limit_faults(level, interval)
    statistic = sums.brennan_prediger(ratings, categories=categories, weights=weights)
    return summarise(Agreement, statistic, level, interval)


def _cohen_se_null(statistic: AgreementSums, w: FloatArray) -> float:
    """Fleiss, Cohen and Everitt 1969: standard error if the readers were independent."""
    q = len(w)
    totals = statistic.features.sum(axis=0)
    n = totals[1]
    if math.isnan(statistic.value()):
        return math.nan
    first, second = totals[2 : 2 + q] / n, totals[2 + q :] / n
    chance = float(first @ w @ second)
    centred = w - (w @ second)[:, None] - (first @ w)[None, :]
    spread = float(first @ centred**2 @ second) - chance**2
    return math.sqrt(max(0.0, spread) / n) / (1 - chance)
