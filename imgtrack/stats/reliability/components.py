"""Variances of subjects, readers and error: by mean squares when complete, by REML when not."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from imgtrack.stats.reliability.reml import Model, reml
from imgtrack.stats.reliability.spread import without_rounding

if TYPE_CHECKING:
    import numpy.typing as npt

    from imgtrack.stats.reliability.readings import Readings


@dataclass(frozen=True, slots=True, kw_only=True)
class Components:
    """Variance components with the sizes and degrees of freedom their F limits need.

    Attributes
    ----------
    subject, reader, residual
        Variances; subject and reader may be negative when estimated from mean squares. In the
        one-way model ``reader`` is 0 and its variance is part of ``residual``.
    per_subject, per_reader
        Measurements per subject and per reader; harmonic means when values are missing.
    df_subject, df_reader, df_residual
        Degrees of freedom; ``df_reader`` is 0 in the one-way model.
    estimator
        ``"mean squares"`` or ``"reml"``.
    """

    subject: float
    reader: float
    residual: float
    per_subject: float
    per_reader: float
    df_subject: float
    df_reader: float
    df_residual: float
    estimator: str

    @property
    def ms_subject(self) -> float:
        """Mean square between subjects, or what it would be at these variances."""
        return self.per_subject * self.subject + self.residual

    @property
    def ms_reader(self) -> float:
        """Mean square between readers, or what it would be at these variances."""
        return self.per_reader * self.reader + self.residual


def why_no_components(readings: Readings, model: Model) -> str:
    """Return why the variances cannot be told apart; empty when they can."""
    if readings.n_subjects < 2:
        return "fewer than two subjects measured"
    if readings.n_readers < 2:
        return "fewer than two readers"
    if readings.present.sum(axis=1).max() < 2:
        return "no subject measured twice"
    return "" if model == "oneway" else _why_no_readers_effect(readings)


def _why_no_readers_effect(readings: Readings) -> str:
    if _rank_of_readers(readings.present) < readings.n_readers - 1:
        return "readers are not linked by common subjects"
    if _residual_df(readings, "twoway") < 1:
        return "no degree of freedom left for error"
    return ""


def components(readings: Readings, model: Model) -> Components:
    """Estimate the variance components; call only where `why_no_components` is empty.

    Complete values give the analysis of variance. With missing values the components are the
    restricted maximum likelihood estimates (Patterson and Thompson, Biometrika 1971;58:545-54):
    readers random in ``"oneway"`` (as part of error) and ``"twoway"``, fixed in
    ``"twoway-mixed"``, whose reader variance is that of the fixed effects less their sampling
    variance.
    """
    present = readings.present
    subject, reader, residual = (
        _mean_squares(readings, model) if readings.complete else reml(readings.values, model)
    )
    oneway = model == "oneway"
    return Components(
        subject=subject,
        reader=0.0 if oneway else reader,
        residual=residual,
        per_subject=_harmonic_mean(present.sum(axis=1)),
        per_reader=_harmonic_mean(present.sum(axis=0)),
        df_subject=readings.n_subjects - 1.0,
        df_reader=0.0 if oneway else readings.n_readers - 1.0,
        df_residual=_residual_df(readings, model),
        estimator="mean squares" if readings.complete else "reml",
    )


def within_subject_variance(readings: Readings) -> tuple[float, float]:
    """Return the pooled variance within subjects and its degrees of freedom (may be 0)."""
    counts = readings.present.sum(axis=1)
    df = float(counts.sum() - counts.size)
    means = np.nanmean(readings.values, axis=1, keepdims=True)
    squares = float(np.nansum((readings.values - means) ** 2))
    variance = squares / df if df else math.nan
    return without_rounding(variance, float(np.nanmax(np.abs(readings.values)))), df


def _residual_df(readings: Readings, model: Model) -> float:
    n, k = readings.values.shape
    fitted = n if model == "oneway" else n + k - 1
    return float(readings.present.sum() - fitted)


def _harmonic_mean(counts: npt.NDArray[np.intp]) -> float:
    return float(counts.size / (1.0 / counts).sum())


def _rank_of_readers(present: npt.NDArray[np.bool_]) -> int:
    shown = present.astype(float)
    information = np.diag(shown.sum(axis=0)) - (shown / shown.sum(axis=1)[:, None]).T @ shown
    return int(np.linalg.matrix_rank(information, tol=1e-9 * shown.shape[0]))


def _mean_squares(readings: Readings, model: Model) -> tuple[float, float, float]:
    x = readings.values
    n, k = x.shape
    grand, rows, columns = x.mean(), x.mean(axis=1), x.mean(axis=0)
    between = k * float(((rows - grand) ** 2).sum()) / (n - 1)
    readers = n * float(((columns - grand) ** 2).sum()) / (k - 1)
    if model == "oneway":
        error = float(((x - rows[:, None]) ** 2).sum()) / (n * (k - 1))
    else:
        remainder = x - rows[:, None] - columns + grand
        error = float((remainder**2).sum()) / ((n - 1) * (k - 1))
    error = without_rounding(error, float(np.abs(x).max()))
    return (between - error) / k, (readers - error) / n, error
