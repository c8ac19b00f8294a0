"""Restricted maximum likelihood of subject, reader and error variances with missing values."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, TypeAlias

import numpy as np
from scipy.optimize import minimize

if TYPE_CHECKING:
    from collections.abc import Callable

    from imgtrack.stats.arguments import FloatArray

Model: TypeAlias = Literal["oneway", "twoway", "twoway-mixed"]

_ROUNDING = 1e-12  # of the variance of all values; the likelihood cannot be computed closer


def reml(values: FloatArray, model: Model) -> tuple[float, float, float]:
    """Return the variances of subjects, readers and error of values (subjects, readers).

    NaN = missing; every row and column has a value and readers are linked by common subjects.
    Subjects are random; readers are part of error in ``"oneway"``, random in ``"twoway"`` and
    fixed in ``"twoway-mixed"``, where their variance is that of the estimated effects less its
    sampling part, or 0. Without any error the variances are those of the least-squares effects.
    """
    present = ~np.isnan(values)
    centre, scale = float(np.nanmean(values)), float(np.nanstd(values))
    if scale == 0.0:
        return 0.0, 0.0, 0.0
    sums = _Sums(present.astype(float), np.where(present, (values - centre) / scale, 0.0))
    if _exact_fit(sums, model):
        fitted = _variances_without_error(sums, model)
    elif model == "twoway-mixed":
        fitted = _fixed_readers(sums)
    else:
        fitted = _random_readers(sums, oneway=model == "oneway")
    subject, reader, residual = (
        0.0 if abs(variance) < _ROUNDING else float(variance) * scale**2 for variance in fitted
    )
    return subject, reader, residual


@dataclass(frozen=True, slots=True, eq=False)
class _Sums:
    """Cross-products from which the restricted likelihood is computed at any variance ratio."""

    shown: FloatArray
    filled: FloatArray

    def absorbed(self, ratio: float) -> tuple[FloatArray, FloatArray, float, float]:
        """Absorb subject effects of variance ratio `ratio` (to the error variance).

        Returns the reader information (readers, readers), the reader totals (readers,), the sum
        of squares and the log determinant of the covariance of the values.
        """
        counts = self.shown.sum(axis=1)
        weight = 1.0 / counts if math.isinf(ratio) else ratio / (1.0 + ratio * counts)
        totals = self.filled.sum(axis=1)
        information = (
            np.diag(self.shown.sum(axis=0)) - (self.shown * weight[:, None]).T @ self.shown
        )
        right = self.filled.sum(axis=0) - self.shown.T @ (weight * totals)
        squares = float((self.filled**2).sum() - weight @ totals**2)
        log_det = 0.0 if math.isinf(ratio) else float(np.log1p(ratio * counts).sum())
        return information, right, squares, log_det


def _exact_fit(sums: _Sums, model: Model) -> bool:
    """Whether subject (and reader) effects leave no error at all."""
    information, right, squares, _ = sums.absorbed(math.inf)
    explained = 0.0 if model == "oneway" else float(right @ np.linalg.pinv(information) @ right)
    return bool(squares - explained <= _ROUNDING * sums.shown.sum())


def _variances_without_error(sums: _Sums, model: Model) -> tuple[float, float, float]:
    """Return variances of the least-squares effects, known without error."""
    information, right, _, _ = sums.absorbed(math.inf)
    readers = np.zeros(right.size) if model == "oneway" else np.linalg.pinv(information) @ right
    subjects = (sums.filled - sums.shown * readers).sum(axis=1) / sums.shown.sum(axis=1)
    reader = float(readers.var(ddof=1))
    return float(subjects.var(ddof=1)), reader, 0.0


def _random_readers(sums: _Sums, *, oneway: bool) -> tuple[float, float, float]:
    total, k = float(sums.shown.sum()), sums.shown.shape[1]
    one = np.ones(k)

    def fit(roots: FloatArray) -> tuple[float, float]:
        subject, reader = roots[0] ** 2, 0.0 if oneway else roots[-1] ** 2
        information, right, squares, log_det = sums.absorbed(subject)
        kernel = np.eye(k) + reader * information
        solved = np.linalg.solve(kernel, np.column_stack([information @ one, right]))
        weight, mean = solved.sum(axis=0)
        left_over = squares - reader * float(right @ solved[:, 1]) - mean**2 / weight
        log_det += float(np.linalg.slogdet(kernel)[1]) + math.log(weight)
        return (total - 1.0) * math.log(left_over) + log_det, left_over / (total - 1.0)

    roots = _minimise(lambda at: fit(at)[0], [1.0] if oneway else [1.0, 0.5])
    residual = fit(roots)[1]
    reader = 0.0 if oneway else roots[-1] ** 2 * residual
    return roots[0] ** 2 * residual, reader, residual


def _fixed_readers(sums: _Sums) -> tuple[float, float, float]:
    total, k = float(sums.shown.sum()), sums.shown.shape[1]

    def fit(roots: FloatArray) -> tuple[float, float, FloatArray, FloatArray]:
        information, right, squares, log_det = sums.absorbed(roots[0] ** 2)
        effects = np.asarray(np.linalg.solve(information, right), dtype=np.float64)
        left_over = squares - float(right @ effects)
        log_det += float(np.linalg.slogdet(information)[1])
        deviance = (total - k) * math.log(left_over) + log_det
        return deviance, left_over / (total - k), effects, information

    roots = _minimise(lambda at: fit(at)[0], [1.0])
    _, residual, effects, information = fit(roots)
    contrast = np.eye(k) - 1.0 / k
    sampling = residual * float(np.trace(contrast @ np.linalg.inv(information))) / (k - 1)
    return roots[0] ** 2 * residual, max(0.0, float(effects.var(ddof=1)) - sampling), residual


def _minimise(deviance: Callable[[FloatArray], float], start: list[float]) -> FloatArray:
    """Minimise over square roots of variance ratios, whose sign does not matter."""
    found = minimize(
        deviance,
        np.array(start),
        method="Nelder-Mead",
        options={"xatol": 1e-8, "fatol": 1e-11, "maxiter": 2000, "maxfev": 4000},
    )
    return np.asarray(found.x, dtype=float)
