"""Interval-censored observations: checked, and reduced to what the likelihood sees of them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from imgtrack.domain.errors import Fault, InvalidInput

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import ArrayLike, NDArray


@dataclass(frozen=True, slots=True)
class Observations:
    """Complete rows of an interval-censored sample.

    Attributes
    ----------
    left, right
        (n,) the event lies in (left, right]; at left exactly when both are equal.
    weight
        (n,) positive frequency weights.
    kept
        (m,) which of the given rows are complete and have weight.
    """

    left: NDArray[np.float64]
    right: NDArray[np.float64]
    weight: NDArray[np.float64]
    kept: NDArray[np.bool_]

    @property
    def n_used(self) -> int:
        """Rows that enter."""
        return self.left.size

    @property
    def n_excluded(self) -> int:
        """Rows left out: a missing bound, or a weight of zero."""
        return int(self.kept.size - self.left.size)

    def reweighted(self, weight: NDArray[np.float64]) -> Observations:
        """Return the same rows with other weights; rows of weight zero are gone."""
        rows = weight > 0
        return Observations(self.left[rows], self.right[rows], weight[rows], self.kept)


@dataclass(frozen=True, slots=True)
class Cliques:
    """Turnbull (innermost) intervals and which of them each observation covers.

    The NPMLE puts mass nowhere else (Turnbull 1976), and each observation covers a run of
    consecutive ones. Some observation ends at every one of them, so the covering matrix has full
    column rank: the maximising masses are unique.

    Attributes
    ----------
    left, right
        (K,) bounds in ascending order; equal where an exact event lies.
    first, after
        (n,) first Turnbull interval an observation covers, and one past the last.
    """

    left: NDArray[np.float64]
    right: NDArray[np.float64]
    first: NDArray[np.intp]
    after: NDArray[np.intp]


def as_vector(values: ArrayLike, name: str) -> NDArray[np.float64]:
    """Return a one-dimensional float array, or refuse what is not one."""
    try:
        vector = np.asarray(values, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise InvalidInput(Fault("not numbers", name, "numbers", str(error))) from error
    if vector.ndim != 1:
        raise InvalidInput(Fault("wrong shape", name, "one dimension", f"shape {vector.shape}"))
    return vector


def as_labels(values: ArrayLike, name: str, size: int) -> NDArray[np.intp]:
    """Give labels numbers from zero in order of first appearance; missing ones get -1."""
    labels = np.asarray(values, dtype=object)
    if labels.shape != (size,):
        expected = f"one label for each of {size} rows"
        raise InvalidInput(Fault("wrong shape", name, expected, f"shape {labels.shape}"))
    return np.asarray(pd.factorize(labels)[0], dtype=np.intp)


def observe(
    left: ArrayLike, right: ArrayLike, weights: ArrayLike | None = None, *, floor: float = -np.inf
) -> Observations:
    """Check bounds and weights, gathering every fault, and keep the complete rows.

    Parameters
    ----------
    left, right
        (n,) bounds of (left, right]; ``inf`` in `right` for right-censored, nan for missing.
    weights
        (n,) frequency weights, one each when absent.
    floor
        Smallest value a left bound may take.
    """
    lower, upper = as_vector(left, "left"), as_vector(right, "right")
    weight = np.ones(lower.size) if weights is None else as_vector(weights, "weights")
    if not lower.size == upper.size == weight.size:
        found = f"{lower.size}, {upper.size} and {weight.size}"
        raise InvalidInput(Fault("lengths differ", "left, right, weights", "one length", found))
    known = ~(np.isnan(lower) | np.isnan(upper))
    faults = list(_faults(lower, upper, weight, known, floor))
    if faults:
        raise InvalidInput(faults)
    kept = known & (weight > 0)
    if kept.all():
        return Observations(lower, upper, weight, kept)
    return Observations(lower[kept], upper[kept], weight[kept], kept)


def _faults(
    left: NDArray[np.float64],
    right: NDArray[np.float64],
    weight: NDArray[np.float64],
    known: NDArray[np.bool_],
    floor: float,
) -> Iterable[Fault]:
    checks = (
        (known & (right < left), "right", "a right bound not before its left bound"),
        (known & np.isposinf(left), "left", "a finite left bound, or -inf"),
        (known & np.isneginf(right), "right", "a finite right bound, or inf"),
        (known & (left < floor), "left", f"left bounds of at least {floor:g}"),
        (~np.isfinite(weight) | (weight < 0), "weights", "finite weights of at least zero"),
    )
    for wrong, where, expected in checks:
        if wrong.any():
            rows = np.flatnonzero(wrong)
            shown = ", ".join(str(row) for row in rows[:5])
            found = f"{rows.size} rows, first at positions {shown}"
            yield Fault("impossible value", where, expected, found)


def turnbull_cliques(
    left: NDArray[np.float64], right: NDArray[np.float64], cut: float | None = None
) -> Cliques:
    """Find the Turnbull intervals of (left, right], exact where both bounds are equal.

    Every bound becomes a place on one line: at time t an exact event opens first, then intervals
    close at t (t belongs to them), then intervals open (t does not). An innermost interval is an
    opening directly followed by a closing.

    Parameters
    ----------
    left, right
        (n,) bounds, n at least one.
    cut
        A time at which every interval is divided, so that no Turnbull interval straddles it.
    """
    if cut is not None:
        left = np.concatenate((left, (-np.inf, cut)))
        right = np.concatenate((right, (cut, np.inf)))
    times = np.unique(np.concatenate((left, right)))
    opening = 3 * np.searchsorted(times, left) + np.where(left == right, 0, 2)
    closing = 3 * np.searchsorted(times, right) + 1
    opens = np.zeros(3 * times.size, dtype=bool)
    closes = np.zeros(3 * times.size, dtype=bool)
    opens[opening] = True
    closes[closing] = True
    places = np.flatnonzero(opens | closes)
    inner = np.flatnonzero(opens[places[:-1]] & closes[places[1:]])
    starts, ends = places[inner], places[inner + 1]
    observed = slice(None) if cut is None else slice(-2)
    return Cliques(
        left=times[starts // 3],
        right=times[ends // 3],
        first=np.searchsorted(starts, opening[observed]),
        after=np.searchsorted(ends, closing[observed], side="right"),
    )
