"""What is assumed of a reader's errors, imposed on expected counts exactly."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

Constraint = Literal["monotone", "better-than-chance"]


def constrained_confusion(
    counts: NDArray[np.float64], constraint: Constraint
) -> NDArray[np.float64]:
    """Most likely confusion matrices under a constraint, from positive expected counts.

    Parameters
    ----------
    counts
        (..., K, K) true category by category read, all positive.
    constraint
        - "monotone": at every step up the scale, a reader who got so far is at least as likely to
          go further when the true category is higher (uniform stochastic ordering; for two
          categories: sensitivity + specificity at least one).
        - "better-than-chance": no other category is read more often than the true one (for two
          categories: sensitivity and specificity at least one half each).
    """
    if constraint == "monotone":
        return _monotone(counts)
    shares: NDArray[np.float64] = counts / counts.sum(axis=-1, keepdims=True)
    return _mode_on_diagonal(shares)


def _monotone(counts: NDArray[np.float64]) -> NDArray[np.float64]:
    """Isotonic regression of the stopping probabilities (Dykstra, Kochar and Robertson 1991)."""
    size = counts.shape[-1]
    confusion = np.empty_like(counts)
    going = np.ones(counts.shape[:-1])
    for category in range(size - 1):
        at_risk = counts[..., category:].sum(axis=-1)
        stops = _nonincreasing(counts[..., category], at_risk)
        confusion[..., category] = going * stops
        going = going * (1 - stops)
    confusion[..., -1] = going
    return confusion


def _nonincreasing(events: NDArray[np.float64], trials: NDArray[np.float64]) -> NDArray[np.float64]:
    """Binomial proportions along the last axis, the most likely that never increase.

    Each is the smallest, over stretches' starts, of the largest average over their ends.
    """
    fitted = np.full_like(events, np.inf)
    for start in range(events.shape[-1]):
        averages = events[..., start:].cumsum(axis=-1) / trials[..., start:].cumsum(axis=-1)
        largest = np.maximum.accumulate(averages[..., ::-1], axis=-1)[..., ::-1]
        fitted[..., start:] = np.minimum(fitted[..., start:], largest)
    return fitted


def _mode_on_diagonal(shares: NDArray[np.float64]) -> NDArray[np.float64]:
    """Pool each diagonal share with the largest others until none exceeds it."""
    size = shares.shape[-1]
    diagonal = np.eye(size, dtype=bool)
    own = shares[..., diagonal]
    others = np.where(diagonal, -np.inf, shares)
    falling = -np.sort(-others, axis=-1)[..., :-1]
    sums = np.concatenate((own[..., None], falling), axis=-1).cumsum(axis=-1)
    pooled = (sums / np.arange(1, size + 1)).max(axis=-1, keepdims=True)
    confusion: NDArray[np.float64] = np.where(diagonal, pooled, np.minimum(shares, pooled))
    return confusion
