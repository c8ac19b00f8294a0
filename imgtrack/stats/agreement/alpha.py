"""Krippendorff's alpha."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from imgtrack.stats.agreement.disagreement import alpha_sums
from imgtrack.stats.agreement.ratings import code_ratings
from imgtrack.stats.agreement.results import Alpha
from imgtrack.stats.agreement.summary import LIMIT_NAMES, linearised, raise_limit_faults

if TYPE_CHECKING:
    from imgtrack.stats.agreement.disagreement import Metric
    from imgtrack.stats.agreement.ratings import Categories, Ratings
    from imgtrack.stats.agreement.summary import IntervalName


def krippendorff_alpha(
    ratings: Ratings,
    *,
    metric: Metric = "nominal",
    categories: Categories | None = None,
    level: float = 0.95,
    interval: IntervalName = "wald",
) -> Alpha:
    """Krippendorff's alpha of two or more readers, with any number of ratings per subject.

    Parameters
    ----------
    ratings
        Array or DataFrame (subjects, readers), numbers or labels; NaN = missing.
    metric
        Squared difference between levels c and k: ``"nominal"`` 1 unless equal; ``"ordinal"``
        squared difference of their mid-ranks among all paired ratings; ``"interval"`` (c - k)^2;
        ``"ratio"`` ((c - k)/(c + k))^2. Or a symmetric matrix (levels, levels) with 0 on the
        diagonal. Interval and ratio use the values of the levels, not their position.
    categories
        The declared levels in their order; None takes the observed ones, which gives the same
        alpha, and is refused for labels with the ordinal metric.
    level
        Confidence level.
    interval
        As in `cohen_kappa`, with t(n - 1) quantiles and Wald limits cut at 1.

    Returns
    -------
    Alpha
        ``se`` is linearised over the subjects that enter with divisor n - 1. Krippendorff's own
        bootstrap draws pairs as if they were independent and is not used;
        `imgtrack.stats.bootstrap` resamples subjects. (irrCAC's standard error leaves the
        small-sample term out, and its "ordinal" is another metric. R irr 0.84.1 and DescTools
        print a wrong alpha for three or more readers with nothing missing.)

    Raises
    ------
    InvalidInput
        For a rating outside the declared levels, an unknown metric or unsuitable matrix, levels
        the metric cannot use (labels, or negative values for ``"ratio"``), or a level outside
        (0, 1).

    Notes
    -----
    Missing ratings: subjects with fewer than two ratings do not enter, and count in
    ``n_excluded``; the others count by their number of ratings.

    Undefined when no subject has two ratings, or all ratings that enter are equal. No limits
    with one subject or when the standard error is 0, as with perfect agreement.

    Time and memory grow with the square of the number of distinct levels, except for
    ``"interval"``, which takes measurements of any resolution.

    References
    ----------
    Krippendorff K. Computing Krippendorff's Alpha-Reliability. University of Pennsylvania 2011;
    Content Analysis, 4th ed. Sage 2019, chapter 12.
    """
    raise_limit_faults(level, interval)
    coded = code_ratings(ratings, categories)
    statistic = alpha_sums(coded, metric, declared=categories is not None)
    value = statistic.value()
    n = int(statistic.enters.sum())
    fields: dict[str, Any] = {
        "estimate": value,
        "level": level,
        "method": f"{statistic.name}, {statistic.weights} metric; {LIMIT_NAMES[interval, 't']}",
        "n_used": n,
        "n_excluded": len(statistic.enters) - n,
        "metric": statistic.weights,
        "categories": statistic.levels,
        "n_readers": statistic.n_readers,
        "n_values": int(coded.per_subject[statistic.paired].sum()),
    }
    if math.isnan(value):
        return Alpha(**fields, why_undefined=statistic.why_nan)
    observed, expected = statistic.disagreement()
    fields |= {"observed_disagreement": observed, "expected_disagreement": expected}
    return Alpha(**fields, **linearised(statistic.influence(), value, level, interval))
