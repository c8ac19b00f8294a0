"""Answers of readers under a given kappa, and the variances that follow."""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeAlias

import numpy as np
from scipy.special import comb

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    FloatArray: TypeAlias = npt.NDArray[np.float64]
    Prevalence: TypeAlias = float | Sequence[float]


def distance_per_subject(null: float, kappa: float, prevalence: Prevalence, readers: int) -> float:
    """Chi-square per subject of the cells at `kappa` when those at `null` are expected."""
    expected = cells(null, prevalence, readers)
    return float(((cells(kappa, prevalence, readers) - expected) ** 2 / expected).sum())


def kappa_variance(kappa: float, prevalence: float, readers: int) -> float:
    """Return n times the large-sample variance of the intraclass kappa of a binary answer."""
    patterns = binary_cells(kappa, prevalence, readers)
    events = np.arange(readers + 1.0)
    disagreeing = events * (readers - events) / (readers * (readers - 1.0))
    spread = prevalence * (1.0 - prevalence)
    expected = float(patterns @ disagreeing)
    influence = (expected - disagreeing) / spread + expected * (1.0 - 2.0 * prevalence) * (
        events / readers - prevalence
    ) / spread**2
    return float(patterns @ influence**2)


def cohen_variance(kappa: float, shares: tuple[float, float]) -> float:
    """Return n times the variance of Cohen's kappa of a binary answer of two readers.

    Fleiss, Cohen and Everitt (Psychol Bull 1969;72:323-27), with each reader's share of events.
    """
    first, second = shares
    chance = first * second + (1.0 - first) * (1.0 - second)
    observed = kappa * (1.0 - chance) + chance
    both = (observed - 1.0 + first + second) / 2.0
    table = np.array([[both, first - both], [second - both, observed - both]])
    sums = np.add.outer([first, 1.0 - first], [second, 1.0 - second]).T
    on = np.diag(table) @ ((1.0 - chance) - np.diag(sums) * (1.0 - observed)) ** 2
    off = (1.0 - observed) ** 2 * (table[0, 1] * sums[0, 1] ** 2 + table[1, 0] * sums[1, 0] ** 2)
    centre = (observed * chance - 2.0 * chance + observed) ** 2
    return float((on + off - centre) / (1.0 - chance) ** 4)


def possible_kappas(shares: tuple[float, float]) -> tuple[float, float]:
    """Return the least and the largest kappa two readers with these shares can have."""
    first, second = shares
    chance = first * second + (1.0 - first) * (1.0 - second)
    least, most = max(0.0, first + second - 1.0), min(first, second)
    agreed = (1.0 - first - second + 2.0 * both for both in (least, most))
    low, high = ((share - chance) / (1.0 - chance) for share in agreed)
    return low, high


def cells(kappa: float, prevalence: Prevalence, readers: int) -> FloatArray:
    """Return the probability of each pattern of answers to one subject."""
    if isinstance(prevalence, float | int):
        return binary_cells(kappa, prevalence, readers)
    shares = np.asarray(prevalence, dtype=float)
    same = shares**2 + kappa * shares * (1.0 - shares)
    first, second = np.triu_indices(shares.size, k=1)
    return np.concatenate([same, 2.0 * shares[first] * shares[second] * (1.0 - kappa)])


def binary_cells(kappa: float, prevalence: float, readers: int) -> FloatArray:
    """Return the probabilities of 0, 1, ... events among the readers of a subject."""
    events = np.arange(readers + 1.0)
    chance = comb(readers, events) * prevalence**events * (1.0 - prevalence) ** (readers - events)
    cells = (1.0 - kappa) * np.asarray(chance, dtype=float)
    cells[0] += kappa * (1.0 - prevalence)
    cells[-1] += kappa * prevalence
    return cells
