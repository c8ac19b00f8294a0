"""Intraclass correlations in all forms of McGraw and Wong."""

from __future__ import annotations

import math
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Literal, TypeAlias, get_args

from scipy.special import fdtrc, fdtri

from imgtrack.domain.errors import Fault
from imgtrack.stats.arguments import choice_faults, level_faults, raise_faults
from imgtrack.stats.reliability.components import (
    Components,
    components,
    why_no_components,
)
from imgtrack.stats.reliability.readings import Readings, read_values
from imgtrack.stats.reliability.reml import Model
from imgtrack.stats.results import Estimate

if TYPE_CHECKING:
    from collections.abc import Mapping

    from imgtrack.stats.arguments import Values

Definition: TypeAlias = Literal["agreement", "consistency"]
Unit: TypeAlias = Literal["single", "average"]
Limits: TypeAlias = tuple[float, float]

_ROUNDING = 1e-12
_SHROUT_FLEISS: Mapping[tuple[str, str], int] = MappingProxyType(
    {("oneway", "agreement"): 1, ("twoway", "agreement"): 2, ("twoway-mixed", "consistency"): 3}
)


@dataclass(frozen=True, slots=True, kw_only=True)
class IntraclassCorrelation(Estimate):
    """An intraclass correlation and what it was made of.

    Attributes
    ----------
    form
        Name in McGraw and Wong's notation, such as ``"ICC(A,1)"``.
    shrout_fleiss
        Name in Shrout and Fleiss's notation, such as ``"ICC(2,1)"``; empty where they have none.
    n_readers
        Readers with a value; the number averaged over when ``unit="average"``.
    subject_variance, reader_variance, residual_variance
        Variance components; ``nan`` when undefined. ``reader_variance`` is 0 in the one-way
        model, where readers are part of the residual.
    f_value, df_subject, df_residual, p_value
        F test that the correlation is 0; ``nan`` when undefined, ``f_value`` ``inf`` without
        residual variance.
    """

    form: str
    shrout_fleiss: str
    n_readers: int
    subject_variance: float = math.nan
    reader_variance: float = math.nan
    residual_variance: float = math.nan
    f_value: float = math.nan
    df_subject: float = math.nan
    df_residual: float = math.nan
    p_value: float = math.nan


def icc(
    values: Values,
    *,
    model: Model = "twoway",
    definition: Definition = "agreement",
    unit: Unit = "single",
    level: float = 0.95,
) -> IntraclassCorrelation:
    """Estimate how much of the variance of a measurement is between subjects.

    Parameters
    ----------
    values : array-like or DataFrame, shape (subjects, readers)
        Measurements; NaN = missing. Subjects without a value are left out and counted in
        ``n_excluded``; readers without a value are ignored.
    model
        ``"oneway"``: each subject has its own readers (or plain replicates). ``"twoway"``: the
        same readers, a random sample of readers. ``"twoway-mixed"``: these readers are the only
        ones of interest. Random and mixed give the same number on complete values; they mean
        different things.
    definition
        ``"agreement"``: differences between readers count as error. ``"consistency"``: they do
        not. The one-way model knows only agreement.
    unit
        ``"single"``: one reader's measurement. ``"average"``: the mean of all readers.
    level
        Two-sided confidence level.

    Returns
    -------
    IntraclassCorrelation
        Complete values: mean squares with the F limits of McGraw and Wong (Psychol Methods
        1996;1:30-46, correction 1:390), exact for the one-way model and for consistency,
        Satterthwaite's for agreement. Missing values: variance components by restricted maximum
        likelihood (never negative) and the same F limits at the mean squares these components
        imply, with harmonic means of the numbers of values per subject and per reader and the
        degrees of freedom left (approximate; the unweighted-means idea of Thomas and Hultquist,
        Ann Stat 1978;6:582-87). ``method`` names the estimator. No ``se``.

        Undefined with fewer than two subjects or readers, no subject measured twice, readers not
        linked by common subjects, no degree of freedom for error, equal values throughout, or
        means of subjects that differ less than the form allows. Readers who never differ give 1
        without limits. A mixed model with ``"average"`` assumes
        that readers do not interact with subjects.

    Raises
    ------
    InvalidInput
        A shape other than two-dimensional, infinities, unknown choices, ``"consistency"`` asked
        of the one-way model, level outside (0, 1).

    Notes
    -----
    R's irr 0.84.1 prints wrong limits for ICC(A,k); those here agree with psych and with the
    Spearman-Brown step-up of the single-reader limits, to which they are identical.
    """
    readings, faults = read_values(values)
    raise_faults(faults + _choice_faults(model, definition, unit) + level_faults(level))
    form = _form(model, definition, unit)
    why = why_no_components(readings, model)
    if not why and readings.constant:
        why = "all values are the same"
    if why:
        return IntraclassCorrelation(
            estimate=math.nan,
            level=level,
            method=form.name,
            n_used=readings.n_subjects,
            n_excluded=readings.n_excluded,
            why_undefined=why,
            form=form.name,
            shrout_fleiss=form.shrout_fleiss,
            n_readers=readings.n_readers,
        )
    return _result(readings, components(readings, model), form, level)


def _choice_faults(model: str, definition: str, unit: str) -> list[Fault]:
    faults = (
        choice_faults("model", model, get_args(Model))
        + choice_faults("definition", definition, get_args(Definition))
        + choice_faults("unit", unit, get_args(Unit))
    )
    if model == "oneway" and definition == "consistency":
        expected = "'agreement' for the one-way model, or a two-way model"
        faults.append(Fault("no such form", "definition", expected, repr(definition)))
    return faults


@dataclass(frozen=True, slots=True)
class _Form:
    name: str
    shrout_fleiss: str
    agreement: bool
    average: bool


def _form(model: Model, definition: Definition, unit: Unit) -> _Form:
    letter = "" if model == "oneway" else {"agreement": "A,", "consistency": "C,"}[definition]
    number = "1" if unit == "single" else "k"
    place = _SHROUT_FLEISS.get((model, definition))
    return _Form(
        name=f"ICC({letter}{number})",
        shrout_fleiss=f"ICC({place},{number})" if place else "",
        agreement=definition == "agreement" and model != "oneway",
        average=unit == "average",
    )


def _result(
    readings: Readings, parts: Components, form: _Form, level: float
) -> IntraclassCorrelation:
    k = readings.n_readers
    single = _single(parts, form)
    estimate = step_up(single, k) if form.average else single
    why = "" if math.isfinite(estimate) else "the means of subjects differ too little"
    why_no_interval = _why_no_limits(parts, form)
    low, high = math.nan, math.nan
    if not (why or why_no_interval):
        low, high = (_agreement_limits if form.agreement else _consistency_limits)(
            parts, single, level
        )
    if form.average:
        low, high = step_up(low, k), step_up(high, k)
    f_value = _f_value(parts)
    return IntraclassCorrelation(
        estimate=math.nan if why else estimate,
        low=low,
        high=high,
        level=level,
        method=f"{form.name} by {parts.estimator}",
        n_used=readings.n_subjects,
        n_excluded=readings.n_excluded,
        why_undefined=why,
        why_no_interval=why_no_interval,
        form=form.name,
        shrout_fleiss=form.shrout_fleiss,
        n_readers=k,
        subject_variance=parts.subject,
        reader_variance=parts.reader,
        residual_variance=parts.residual,
        f_value=f_value,
        df_subject=parts.df_subject,
        df_residual=parts.df_residual,
        p_value=float(fdtrc(parts.df_subject, parts.df_residual, f_value)),
    )


def _single(parts: Components, form: _Form) -> float:
    total = parts.subject + parts.residual + (parts.reader if form.agreement else 0.0)
    scale = abs(parts.subject) + parts.residual
    return parts.subject / total if total > _ROUNDING * scale else math.nan


def _f_value(parts: Components) -> float:
    if parts.residual:
        return parts.ms_subject / parts.residual
    return math.inf if parts.subject > 0.0 else math.nan


def _why_no_limits(parts: Components, form: _Form) -> str:
    if parts.ms_subject <= _ROUNDING * parts.residual:
        return "the means of subjects do not differ"
    least = _ROUNDING * parts.ms_subject  # identical readings leave a residual of rounding only
    if parts.residual <= least and not form.agreement:
        return "readers differ by a constant at most: no error to set limits from"
    if parts.residual <= least and parts.reader <= least:
        return "readers never differ: no error to set limits from"
    return ""


def _consistency_limits(parts: Components, _: float, level: float) -> Limits:
    f_value = parts.ms_subject / parts.residual
    upper_tail = 0.5 + level / 2.0
    at_low = f_value / float(fdtri(parts.df_subject, parts.df_residual, upper_tail))
    at_high = f_value * float(fdtri(parts.df_residual, parts.df_subject, upper_tail))
    k = parts.per_subject
    return (at_low - 1.0) / (at_low + k - 1.0), (at_high - 1.0) / (at_high + k - 1.0)


def _agreement_limits(parts: Components, estimate: float, level: float) -> Limits:
    """McGraw and Wong's Satterthwaite limits of ICC(A,1)."""
    n, k = parts.per_reader, parts.per_subject
    odds = estimate / (1.0 - estimate)
    readers = k * odds / n * parts.ms_reader
    error = (1.0 + k * odds * (n - 1.0) / n) * parts.residual
    df = (readers + error) ** 2 / (readers**2 / parts.df_reader + error**2 / parts.df_residual)
    upper_tail = 0.5 + level / 2.0
    noise = k * parts.ms_reader + (k * n - k - n) * parts.residual
    at_low = parts.ms_subject / float(fdtri(parts.df_subject, df, upper_tail))
    at_high = parts.ms_subject * float(fdtri(df, parts.df_subject, upper_tail))
    return (
        n * (at_low - parts.residual) / (noise + n * at_low),
        n * (at_high - parts.residual) / (noise + n * at_high),
    )


def step_up(single: float, k: int) -> float:
    """Return the reliability of the mean of k readers (Spearman-Brown), -inf below its range."""
    if math.isnan(single):
        return math.nan
    scale = 1.0 + (k - 1.0) * single
    return k * single / scale if scale > _ROUNDING else -math.inf
