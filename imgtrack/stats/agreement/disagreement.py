"""Krippendorff's alpha as a function of sums over subjects, metric by metric."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal, TypeAlias, get_args

import numpy as np
import numpy.typing as npt

from imgtrack.domain.errors import Fault
from imgtrack.stats.agreement.kernels import AgreementSums, bilinear, one_minus_ratio
from imgtrack.stats.arguments import choice_faults, raise_faults
from imgtrack.stats.bootstrap.subject_sums import quotient

if TYPE_CHECKING:
    from collections.abc import Iterator

    from imgtrack.stats.agreement.kernels import Parts
    from imgtrack.stats.agreement.ratings import Coded
    from imgtrack.stats.bootstrap.subject_sums import FloatArray, Totals

MetricName: TypeAlias = Literal["nominal", "ordinal", "interval", "ratio"]
Metric: TypeAlias = MetricName | npt.ArrayLike

_NOTHING = 1e-12


def alpha_sums(coded: Coded, metric: Metric, *, declared: bool) -> AgreementSums:
    """Alpha of coded ratings as sums; see `imgtrack.stats.agreement.krippendorff_alpha`.

    Parameters
    ----------
    coded
        The ratings. Subjects with fewer than two do not enter.
    metric
        Name, or matrix of squared differences between levels.
    declared
        Whether the levels and their order were declared, not only observed.

    Raises
    ------
    InvalidInput
        For an unknown metric, an unsuitable matrix, or levels the metric cannot use.
    """
    if isinstance(metric, str):
        raise_faults(choice_faults("metric", metric, get_args(MetricName)))
        raise_faults(_level_faults(metric, coded.levels, declared=declared))
    features, parts = _features(coded, metric)
    return AgreementSums(
        name="Krippendorff's alpha",
        features=np.where(coded.per_subject[:, None] > 1, features, 0.0),
        statistic=one_minus_ratio(parts),
        why_nan=_why_nan(coded),
        parts=parts,
        levels=coded.levels,
        weights=metric if isinstance(metric, str) else "matrix",
        n_readers=coded.n_readers,
        paired=coded.per_subject > 1,
    )


def _features(coded: Coded, metric: Metric) -> tuple[FloatArray, Parts]:
    if isinstance(metric, str) and metric == "interval":
        return _interval(coded)
    if isinstance(metric, str) and metric == "ordinal":
        return _ordinal(coded)
    return _fixed(coded, _squared_differences(metric, coded.levels))


def _interval(coded: Coded) -> tuple[FloatArray, Parts]:
    """Moments of each subject suffice: number of ratings, sum and sum of squares."""
    given = (coded.codes >= 0) & (coded.per_subject[:, None] > 1)
    x = np.zeros(coded.codes.shape)
    x[given] = np.asarray(coded.levels, dtype=float)[coded.codes[given]]
    x[given] -= x.sum() / max(1, given.sum())
    n = given.sum(axis=1)
    sums, squares = x.sum(axis=1), (x**2).sum(axis=1)
    apart = np.where(given, x - (sums / np.maximum(n, 1))[:, None], 0.0)
    within = 2.0 * n * (apart**2).sum(axis=1) / np.maximum(n - 1, 1)

    def parts(totals: Totals) -> tuple[Totals, Totals]:
        observed, n, total, squares = np.moveaxis(totals, -1, 0)
        return _per_pair(observed, _spread(n, total, squares), n)

    return np.column_stack([within, n, sums, squares]), parts


def _ordinal(coded: Coded) -> tuple[FloatArray, Parts]:
    """Interval alpha with each level's mid-rank as its value, ranks taken anew in each sample.

    Krippendorff's ordinal difference between two levels, the ratings between them counting
    whole and their own half, is the difference of their mid-ranks.
    """
    counts = coded.counts()
    first, second = np.nonzero(np.triu(counts.T @ counts, 1))
    n = coded.per_subject[:, None]
    together = 2.0 * counts[:, first] * counts[:, second] / np.maximum(n - 1, 1)

    def parts(totals: Totals) -> tuple[Totals, Totals]:
        coincidences, margins = totals[..., : len(first)], totals[..., len(first) :]
        ranks = np.cumsum(margins, axis=-1) - margins / 2.0
        observed = (coincidences * (ranks[..., first] - ranks[..., second]) ** 2).sum(axis=-1)
        total, squares = (margins * ranks).sum(axis=-1), (margins * ranks**2).sum(axis=-1)
        n = margins.sum(axis=-1)
        return _per_pair(observed, _spread(n, total, squares), n)

    return np.column_stack([together, counts]), parts


def _fixed(coded: Coded, difference: FloatArray) -> tuple[FloatArray, Parts]:
    """Differences between levels that do not depend on how often they are used."""
    counts = coded.counts()
    within = bilinear(counts, difference, counts) / np.maximum(coded.per_subject - 1, 1)

    def parts(totals: Totals) -> tuple[Totals, Totals]:
        margins = totals[..., 1:]
        expected = bilinear(margins, difference, margins)
        return _per_pair(totals[..., 0], expected, margins.sum(axis=-1))

    return np.column_stack([within, counts]), parts


def _spread(n: Totals, total: Totals, squares: Totals) -> Totals:
    """Sum of squared differences over ordered pairs, 0 where only rounding keeps it from 0."""
    pairs = 2.0 * (n * squares - total**2)
    return np.where(np.real(pairs) <= _NOTHING * np.real(n * squares), 0.0, pairs)


def _per_pair(observed: Totals, expected: Totals, n: Totals) -> tuple[Totals, Totals]:
    return quotient(observed, n), quotient(expected, n * (n - 1.0))


def _squared_differences(metric: Metric, levels: tuple[Any, ...]) -> FloatArray:
    if not isinstance(metric, str):
        matrix = np.asarray(metric, dtype=float)
        raise_faults(_matrix_faults(matrix, len(levels)))
        return matrix
    if metric == "nominal":
        return 1.0 - np.eye(len(levels))
    values = np.asarray(levels, dtype=float)
    sums = np.add.outer(values, values)
    differences = np.subtract.outer(values, values)
    return np.asarray((differences / np.where(sums > 0, sums, 1.0)) ** 2)


def _level_faults(metric: str, levels: tuple[Any, ...], *, declared: bool) -> Iterator[Fault]:
    numeric = np.asarray(levels).dtype.kind in "biuf"
    if metric == "ordinal" and not (numeric or declared):
        yield Fault("labels have no order", "categories", "the ordered levels", "none declared")
    if metric in {"interval", "ratio"}:
        if not numeric:
            yield Fault(f"{metric} differences need numbers", "ratings", "numbers", "labels")
        elif not np.all(np.isfinite(np.asarray(levels, dtype=float))):
            yield Fault("infinite value", "ratings", "finite numbers, NaN for missing", "infinity")
        elif metric == "ratio" and min(levels, default=0) < 0:
            yield Fault("ratio differences need a zero point", "ratings", "0 or more", "negative")


def _matrix_faults(matrix: FloatArray, q: int) -> Iterator[Fault]:
    if matrix.shape != (q, q):
        expected = f"shape ({q}, {q}), one row and column per level"
        yield Fault("unsuitable shape", "metric", expected, f"shape {matrix.shape}")
        return
    if not np.all((matrix >= 0) & np.isfinite(matrix)):
        yield Fault("difference out of range", "metric", "0 or more, finite", "others or NaN")
    if np.any(np.diag(matrix) != 0) or not np.array_equal(matrix, matrix.T):
        expected = "a symmetric matrix with 0 on the diagonal"
        yield Fault("no matrix of differences", "metric", expected, "another")


def _why_nan(coded: Coded) -> str:
    if not np.any(coded.per_subject > 1):
        return "no subject was rated by two readers"
    return "the readers used one category only, so no disagreement is expected by chance"
