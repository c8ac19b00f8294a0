"""Correct a positive rate for sensitivity and specificity that are known or were validated."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

from imgtrack.stats.arguments import (
    events_faults,
    level_faults,
    raise_faults,
    range_faults,
)
from imgtrack.stats.proportions import proportion
from imgtrack.stats.proportions.single import z_value
from imgtrack.stats.results import Estimate

if TYPE_CHECKING:
    from imgtrack.domain.errors import Fault
    from imgtrack.stats.proportions.single import Method

Accuracy: TypeAlias = float | tuple[int, int]
"""A known probability, or how many of how many validated subjects were read right."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CorrectedRate(Estimate):
    """A positive rate corrected for reading error.

    Attributes
    ----------
    raw_rate
        Share read as positive; nan without subjects.
    uncut
        The correction before it is cut to [0, 1]; outside it, sensitivity and specificity do not
        fit the raw rate. nan when undefined.
    sensitivity, specificity
        What was assumed or validated; nan without validated subjects.
    """

    raw_rate: float
    uncut: float
    sensitivity: float
    specificity: float


@dataclass(frozen=True, slots=True)
class _Rate:
    """A probability and the squared standard error it is known with."""

    value: float
    variance: float


def rogan_gladen(
    positive: int,
    n: int,
    *,
    sensitivity: Accuracy,
    specificity: Accuracy,
    method: Method = "wilson",
    level: float = 0.95,
) -> CorrectedRate:
    """Estimate the true positive rate behind imperfect readings (Rogan and Gladen 1978).

    Parameters
    ----------
    positive, n
        Subjects read as positive, and subjects read, by one reader (or one verdict) each.
    sensitivity, specificity
        A known probability; or (right, validated) counts from an independent sample of truly
        positive (negative) subjects.
    method
        Interval of the raw rate, see `proportion`, when both are known; its limits are corrected
        as the rate is, which keeps their coverage. When either was validated, the interval is
        Lang and Reiczigel's, which adds that uncertainty.
    level
        Confidence level.

    Returns
    -------
    CorrectedRate
        ``(raw + specificity - 1) / (sensitivity + specificity - 1)`` cut to [0, 1], with ``se`` by
        the delta method before cutting.

    Raises
    ------
    InvalidInput
        Counts that are no counts, more events than units, probabilities outside [0, 1], a level
        outside (0, 1), an unknown method.

    Notes
    -----
    ``why_undefined`` without subjects, without validated subjects, or when sensitivity and
    specificity add up to one or less: readings no better than chance say nothing of the truth.

    References
    ----------
    Rogan WJ, Gladen B. Estimating prevalence from the results of a screening test. Am J Epidemiol
    1978;107:71-76. Reiczigel J, Foldi J, Ozsvari L. Exact confidence limits for prevalence of a
    disease with an imperfect diagnostic test. Epidemiol Infect 2010;138:1674-1678. Lang Z,
    Reiczigel J. Confidence limits for prevalence of disease adjusted for estimated sensitivity and
    specificity. Prev Vet Med 2014;113:13-22.
    """
    faults = events_faults(positive, n, names=("positive", "n")) + level_faults(level)
    faults += _accuracy_faults("sensitivity", sensitivity)
    raise_faults(faults + _accuracy_faults("specificity", specificity))
    raw = proportion(positive, n, method=method, level=level)
    right_positive, right_negative = _observed(sensitivity), _observed(specificity)
    reason = raw.why_undefined or _why_undefined(right_positive.value, right_negative.value)
    known = not isinstance(sensitivity, tuple) and not isinstance(specificity, tuple)
    if reason:
        uncut = low = high = se = math.nan
    else:
        apparent = _Rate(raw.estimate, raw.estimate * (1 - raw.estimate) / n)
        uncut, se = _corrected(apparent, right_positive, right_negative)
        if known:
            low = _corrected(_Rate(raw.low, 0.0), right_positive, right_negative)[0]
            high = _corrected(_Rate(raw.high, 0.0), right_positive, right_negative)[0]
        else:
            low, high = _lang_reiczigel(positive, n, sensitivity, specificity, z_value(level))
    return CorrectedRate(
        estimate=_cut(uncut),
        low=_cut(low),
        high=_cut(high),
        se=se,
        level=level,
        method=f"Rogan-Gladen, {method if known else 'Lang-Reiczigel'} limits",
        n_used=int(n),
        why_undefined=reason,
        raw_rate=raw.estimate,
        uncut=uncut,
        sensitivity=right_positive.value,
        specificity=right_negative.value,
    )


def _accuracy_faults(where: str, accuracy: Accuracy) -> list[Fault]:
    if not isinstance(accuracy, tuple):
        return range_faults(where, accuracy, 0.0, 1.0, closed=True)
    if len(accuracy) != 2:
        return range_faults(where, None, 0.0, 1.0, closed=True)
    return events_faults(*accuracy, names=(f"{where}[0]", f"{where}[1]"))


def _observed(accuracy: Accuracy, padding: float = 0.0) -> _Rate:
    """Probability and variance from counts, after adding `padding` subjects, half of them right."""
    if not isinstance(accuracy, tuple):
        return _Rate(float(accuracy), 0.0)
    right, validated = accuracy[0] + padding / 2, accuracy[1] + padding
    if validated == 0:
        return _Rate(math.nan, math.nan)
    share = right / validated
    return _Rate(share, share * (1 - share) / validated)


def _why_undefined(sensitivity: float, specificity: float) -> str:
    if math.isnan(sensitivity) or math.isnan(specificity):
        return "no validated subject"
    if sensitivity + specificity <= 1:
        return "sensitivity and specificity add up to one or less: no better than chance"
    return ""


def _corrected(apparent: _Rate, sensitivity: _Rate, specificity: _Rate) -> tuple[float, float]:
    """Return the corrected rate, not cut, and its delta-method standard error."""
    beyond_chance = sensitivity.value + specificity.value - 1
    rate = (apparent.value + specificity.value - 1) / beyond_chance
    variance = (
        apparent.variance + rate**2 * sensitivity.variance + (1 - rate) ** 2 * specificity.variance
    )
    return rate, math.sqrt(variance) / beyond_chance


def _lang_reiczigel(
    positive: int, n: int, sensitivity: Accuracy, specificity: Accuracy, z: float
) -> tuple[float, float]:
    """Limits after adding z² subjects to the sample, two to each validation, and a shift."""
    apparent = _observed((positive, n), z * z)
    right_positive, right_negative = _observed(sensitivity, 2.0), _observed(specificity, 2.0)
    rate, se = _corrected(apparent, right_positive, right_negative)
    shift = 2 * z * z * (rate * right_positive.variance - (1 - rate) * right_negative.variance)
    return rate + shift - z * se, rate + shift + z * se


def _cut(value: float) -> float:
    """Return the value cut to [0, 1]; nan stays nan."""
    return value if math.isnan(value) else min(1.0, max(0.0, value))
