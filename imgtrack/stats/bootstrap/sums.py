"""Statistics of sums that are not agreement coefficients: ratios and intraclass correlations.

Each function returns a `SubjectSums` for `imgtrack.stats.bootstrap.interval`. The agreement
coefficients are in `imgtrack.stats.agreement.sums`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, TypeAlias, get_args

import numpy as np
import pandas as pd

from imgtrack.domain.errors import Fault
from imgtrack.stats.arguments import choice_faults, raise_faults
from imgtrack.stats.bootstrap.subject_sums import SubjectSums, quotient

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    import numpy.typing as npt

    from imgtrack.stats.bootstrap.subject_sums import FloatArray, Totals

Model: TypeAlias = Literal["oneway", "twoway", "twoway-mixed"]
Definition: TypeAlias = Literal["agreement", "consistency"]
Unit: TypeAlias = Literal["single", "average"]

_NOTHING = 1e-12


def proportion(events: npt.ArrayLike, sizes: npt.ArrayLike | None = None) -> SubjectSums:
    """Proportion of events: total events over total size.

    Parameters
    ----------
    events
        Events of each subject, array (subjects,), each from 0 to its size; NaN = missing.
    sizes
        Chances for an event of each subject, array (subjects,); None when each has one.

    Returns
    -------
    SubjectSums
        With clusters given to the interval this is the ratio estimator of a clustered
        proportion. A subject with a missing value or size 0 does not enter.

    Raises
    ------
    InvalidInput
        When shapes differ, or events are negative or more than the size.
    """
    e = _floats(events)
    n = np.ones_like(e) if sizes is None else _floats(sizes)
    raise_faults(_proportion_faults(e, n))
    known = ~np.isnan(e) & ~np.isnan(n)
    return SubjectSums(
        name="proportion",
        features=np.where(known[:, None], np.column_stack([e, n]), 0.0),
        statistic=_first_over_second,
        why_nan="no subject has a known event",
    )


def icc(
    values: npt.ArrayLike | pd.DataFrame,
    *,
    model: Model = "twoway",
    definition: Definition = "agreement",
    unit: Unit = "single",
) -> SubjectSums:
    """Intraclass correlation of complete measurements, any McGraw and Wong form.

    Parameters
    ----------
    values
        Measurements, array or DataFrame (subjects, readers), at least two readers; NaN =
        missing.
    model
        ``"oneway"`` (readers differ from subject to subject), ``"twoway"`` or
        ``"twoway-mixed"`` (the same readers measured every subject; both have the same value).
    definition
        ``"agreement"`` counts systematic differences between readers as error,
        ``"consistency"`` does not; the one-way model knows only agreement.
    unit
        ``"single"`` reader or the ``"average"`` of all.

    Returns
    -------
    SubjectSums
        Subjects with a missing measurement do not enter.

    Raises
    ------
    InvalidInput
        For an unknown choice, consistency asked of the one-way model, an infinite value, or
        values that are not (subjects, two or more readers).

    References
    ----------
    McGraw KO, Wong SP. Psychological Methods 1996;1:30-46, table 4. Choices are named as in
    `imgtrack.stats.reliability.icc`, whose limits need no bootstrap when errors are normal.
    """
    x = _floats(values)
    raise_faults(
        choice_faults("model", model, get_args(Model))
        + choice_faults("definition", definition, get_args(Definition))
        + choice_faults("unit", unit, get_args(Unit))
        + _form_faults(model, definition)
        + _values_faults(x)
    )
    complete = ~np.any(np.isnan(x), axis=1)
    form = "oneway" if model == "oneway" else definition
    return SubjectSums(
        name=f"ICC {model}, {definition}, {unit}",
        features=_icc_features(x, complete),
        statistic=_icc_statistic(x.shape[1], form, unit),
        why_nan="fewer than two complete subjects, or no variation between measurements",
    )


def _floats(values: npt.ArrayLike | pd.DataFrame) -> FloatArray:
    if isinstance(values, pd.DataFrame | pd.Series):
        return np.asarray(values.to_numpy(dtype=float, na_value=np.nan))
    return np.asarray(values, dtype=float)


def _first_over_second(totals: Totals) -> Totals:
    return quotient(totals[..., 0], totals[..., 1])


def _proportion_faults(events: FloatArray, sizes: FloatArray) -> Iterator[Fault]:
    if events.ndim != 1 or events.shape != sizes.shape:
        found = f"{events.shape} and {sizes.shape}"
        yield Fault("events and sizes do not match", "events", "two arrays (subjects,)", found)
        return
    wrong = np.flatnonzero((events < 0) | (events > sizes) | np.isinf(sizes))
    if wrong.size:
        rows = ", ".join(map(str, wrong[:5]))
        yield Fault("impossible count", "events", "0 <= events <= size, finite", f"row {rows}")


def _form_faults(model: Model, definition: Definition) -> list[Fault]:
    if model == "oneway" and definition == "consistency":
        expected = "agreement for the one-way model, or a two-way model"
        return [Fault("no such form", "definition", expected, repr(definition))]
    return []


def _values_faults(x: FloatArray) -> list[Fault]:
    if x.ndim != 2 or x.shape[1] < 2:
        expected = "an array (subjects, two or more readers)"
        return [Fault("unsuitable shape", "values", expected, f"shape {x.shape}")]
    if np.any(np.isinf(x)):
        expected = "finite numbers, NaN for missing"
        return [Fault("infinite value", "values", expected, "an infinity")]
    return []


def _icc_features(x: FloatArray, complete: npt.NDArray[np.bool_]) -> FloatArray:
    """Count, sum by reader, squared subject total, sum of squares; about the grand mean."""
    kept = np.where(complete[:, None], x, 0.0)
    centred = kept - kept.sum() / max(1, complete.sum() * x.shape[1])
    columns = [np.ones(len(x)), centred, centred.sum(axis=1) ** 2, (centred**2).sum(axis=1)]
    return np.where(complete[:, None], np.column_stack(columns), 0.0)


def _icc_statistic(k: int, form: str, unit: Unit) -> Callable[[Totals], Totals]:
    def statistic(totals: Totals) -> Totals:
        enough = np.real(totals[..., 0]) > 1
        n = np.where(enough, totals[..., 0], 2.0)
        subjects, readers, error, within = _mean_squares(totals, n, k)
        noise = within if form == "oneway" else error
        shift = (readers - error) / n if form == "agreement" else 0.0
        spread = (k - 1) * noise + k * shift if unit == "single" else shift
        denominator = subjects + spread
        fine = enough & (np.abs(np.real(denominator)) > _NOTHING * np.real(totals[..., -1]))
        return quotient(subjects - noise, np.where(fine, denominator, 0.0))

    return statistic


def _mean_squares(totals: Totals, n: Totals, k: int) -> tuple[Totals, Totals, Totals, Totals]:
    """Mean squares of subjects, readers, residual, and within subjects."""
    by_reader = totals[..., 1:-2]
    correction = by_reader.sum(axis=-1) ** 2 / (n * k)
    subjects = totals[..., -2] / k - correction
    readers = (by_reader**2).sum(axis=-1) / n - correction
    total = totals[..., -1] - correction
    return (
        subjects / (n - 1),
        readers / (k - 1),
        (total - subjects - readers) / ((n - 1) * (k - 1)),
        (total - subjects) / (n * (k - 1)),
    )
