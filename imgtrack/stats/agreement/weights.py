"""How much two levels agree: named weights and matrices."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, TypeAlias, get_args

import numpy as np
import numpy.typing as npt

from imgtrack.domain.errors import Fault
from imgtrack.stats.arguments import choice_faults, raise_faults

if TYPE_CHECKING:
    from collections.abc import Iterator

    from imgtrack.stats.bootstrap.subject_sums import FloatArray

WeightName: TypeAlias = Literal["identity", "linear", "quadratic", "ordinal"]
Weights: TypeAlias = WeightName | npt.ArrayLike


def agreement_weights(weights: Weights, q: int, *, symmetric: bool = True) -> FloatArray:
    """Agreement weights between q ordered levels: 1 = same, 0 = furthest apart.

    Parameters
    ----------
    weights
        ``"identity"``: 1 when equal, else 0. ``"linear"``: 1 - d/(q - 1) and ``"quadratic"``:
        1 - (d/(q - 1))^2, d the number of levels apart (Cicchetti and Allison 1971; Fleiss and
        Cohen 1973): levels count as equally spaced whatever their values. ``"ordinal"``: 1 -
        C(d + 1, 2)/C(q, 2) (Gwet 2014). Or a matrix (q, q) with ones on the diagonal and values
        from 0 to 1, for instance to space levels unequally.
    q
        Number of declared levels.
    symmetric
        Whether a matrix must be symmetric.

    Returns
    -------
    Array (q, q).

    Raises
    ------
    InvalidInput
        For an unknown name or an unsuitable matrix.
    """
    if isinstance(weights, str):
        raise_faults(choice_faults("weights", weights, get_args(WeightName)))
        return _named(weights, q)
    matrix = np.asarray(weights, dtype=float)
    raise_faults(_matrix_faults(matrix, q, symmetric=symmetric))
    return matrix


def weights_name(weights: Weights) -> str:
    """Return the name of named weights, ``"matrix"`` for others."""
    return weights if isinstance(weights, str) else "matrix"


def _named(name: str, q: int) -> FloatArray:
    steps = np.abs(np.subtract.outer(np.arange(q), np.arange(q))).astype(float)
    if name == "identity" or q == 1:
        return np.eye(q)
    most = q - 1
    if name == "linear":
        return np.asarray(1 - steps / most)
    if name == "quadratic":
        return np.asarray(1 - (steps / most) ** 2)
    return np.asarray(1 - steps * (steps + 1) / (most * q))


def _matrix_faults(matrix: FloatArray, q: int, *, symmetric: bool) -> Iterator[Fault]:
    if matrix.shape != (q, q):
        expected = f"shape ({q}, {q}), one row and column per level"
        yield Fault("unsuitable shape", "weights", expected, f"shape {matrix.shape}")
        return
    if not np.all((matrix >= 0) & (matrix <= 1)):
        yield Fault("weight out of range", "weights", "0 <= weight <= 1", "others or NaN")
    if not np.all(np.diag(matrix) == 1):
        expected = "1 on the diagonal (agreement, not disagreement)"
        yield Fault("equal levels must agree fully", "weights", expected, f"{np.diag(matrix)}")
    if symmetric and not np.array_equal(matrix, matrix.T):
        yield Fault("weights differ by direction", "weights", "a symmetric matrix", "another")
