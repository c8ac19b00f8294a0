"""Error of a measurement in its own unit."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from scipy.special import ndtri

from imgtrack.stats.arguments import level_faults, raise_faults
from imgtrack.stats.reliability.components import (
    Components,
    components,
    why_no_components,
    within_subject_variance,
)
from imgtrack.stats.reliability.readings import Readings, read_values
from imgtrack.stats.reliability.spread import Term, sd_of_sum
from imgtrack.stats.results import Estimate

if TYPE_CHECKING:
    from imgtrack.stats.arguments import Values


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasurementError:
    """Standard deviations of error, and the changes that exceed it.

    Attributes
    ----------
    within_subject_sd
        Pooled standard deviation of one subject's measurements.
    repeatability
        Difference between two measurements of one subject that is exceeded with probability
        1 - ``change_level``: z sqrt(2) times ``within_subject_sd``.
    sem_agreement, sem_consistency
        Standard error of measurement with and without the systematic differences of readers.
    sdc_agreement, sdc_consistency
        Smallest detectable change of one subject, z sqrt(2) times the standard error.
    change_level
        Level of ``repeatability`` and the smallest detectable changes, 0.95 for z = 1.96.
    """

    within_subject_sd: Estimate
    repeatability: Estimate
    sem_agreement: Estimate
    sdc_agreement: Estimate
    sem_consistency: Estimate
    sdc_consistency: Estimate
    change_level: float


def measurement_error(
    values: Values, *, level: float = 0.95, change_level: float = 0.95
) -> MeasurementError:
    """Estimate the error of one measurement, in the unit of the measurement.

    Parameters
    ----------
    values : array-like or DataFrame, shape (subjects, readers)
        Measurements by readers, or repeated by one reader; NaN = missing. Subjects without a
        value are left out.
    level
        Two-sided confidence level of every part.
    change_level
        Share of unchanged subjects whose two measurements differ by less than the smallest
        detectable change.

    Returns
    -------
    MeasurementError
        ``within_subject_sd``: one-way, chi-square limits, exact also with missing values (Bland
        and Altman, BMJ 1996;312:1654). ``sem_consistency``: square root of the residual mean
        square, chi-square limits. ``sem_agreement``: square root of reader plus residual
        variance (de Vet et al., J Clin Epidemiol 2006;59:1033-39), limits by Graybill and Wang.
        On complete values ``sem_agreement`` equals ``within_subject_sd``; its limits are wider,
        because few readers tell little of how readers differ, and only they are right when the
        readers are the same for all subjects. With missing values the two standard errors come
        from restricted maximum likelihood, their limits from the mean squares implied, as in
        `icc`. Parts that cannot be told apart are undefined with the reason; an error of zero
        has no limits.

    Raises
    ------
    InvalidInput
        A shape other than two-dimensional, infinities, levels outside (0, 1).
    """
    readings, faults = read_values(values)
    faults += level_faults(level) + level_faults(change_level, where="change_level")
    raise_faults(faults)
    factor = math.sqrt(2.0) * float(ndtri(0.5 + change_level / 2.0))
    within = _within_subject_sd(readings, level)
    agreement, consistency = _standard_errors(readings, level)
    return MeasurementError(
        within_subject_sd=within,
        repeatability=_times(within, factor, "repeatability"),
        sem_agreement=agreement,
        sdc_agreement=_times(agreement, factor, "smallest detectable change"),
        sem_consistency=consistency,
        sdc_consistency=_times(consistency, factor, "smallest detectable change"),
        change_level=change_level,
    )


def _within_subject_sd(readings: Readings, level: float) -> Estimate:
    if readings.n_subjects == 0 or readings.present.sum(axis=1).max() < 2:
        return _undefined("no subject measured twice", "within-subject sd", readings, level)
    variance, df = within_subject_variance(readings)
    return _sd(((1.0, variance, df),), "within-subject sd", readings, level)


def _standard_errors(readings: Readings, level: float) -> tuple[Estimate, Estimate]:
    names = (
        "standard error of measurement, agreement",
        "standard error of measurement, consistency",
    )
    why = why_no_components(readings, "twoway")
    if why:
        return (
            _undefined(why, names[0], readings, level),
            _undefined(why, names[1], readings, level),
        )
    parts = components(readings, "twoway")
    consistency = (1.0, parts.residual, parts.df_residual)
    return (
        _sd(_agreement_terms(parts), f"{names[0]} by {parts.estimator}", readings, level),
        _sd((consistency,), f"{names[1]} by {parts.estimator}", readings, level),
    )


def _agreement_terms(parts: Components) -> tuple[Term, Term]:
    """Reader plus residual variance as a sum of mean squares."""
    n = parts.per_reader
    readers = (1.0 / n, parts.ms_reader, parts.df_reader)
    return readers, (1.0 - 1.0 / n, parts.residual, parts.df_residual)


def _sd(terms: tuple[Term, ...], method: str, readings: Readings, level: float) -> Estimate:
    sd, low, high, se = sd_of_sum(terms, level)
    exact = sd == 0.0
    return Estimate(
        estimate=sd,
        low=math.nan if exact else low,
        high=math.nan if exact else high,
        se=math.nan if exact else se,
        level=level,
        method=method,
        n_used=readings.n_subjects,
        n_excluded=readings.n_excluded,
        why_no_interval="no error seen: nothing to set limits from" if exact else "",
    )


def _undefined(why: str, method: str, readings: Readings, level: float) -> Estimate:
    return Estimate(
        estimate=math.nan,
        level=level,
        method=method,
        n_used=readings.n_subjects,
        n_excluded=readings.n_excluded,
        why_undefined=why,
    )


def _times(estimate: Estimate, factor: float, method: str) -> Estimate:
    return replace(
        estimate,
        estimate=estimate.estimate * factor,
        low=estimate.low * factor,
        high=estimate.high * factor,
        se=estimate.se * factor,
        method=f"{method} from {estimate.method}",
    )
