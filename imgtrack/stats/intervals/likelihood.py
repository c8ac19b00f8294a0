"""The likelihood of masses on Turnbull intervals, with its gradient and curvature."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from imgtrack.stats.intervals.observations import Cliques


@dataclass(frozen=True, slots=True)
class Likelihood:
    """Mean log-likelihood of masses on K Turnbull intervals, ties collapsed to weights.

    Attributes
    ----------
    first, after
        (u,) the distinct runs of Turnbull intervals that observations cover.
    weight
        (u,) share of the observations that covers each run; sums to one.
    total
        Sum of the frequency weights.
    starts
        (b,) first Turnbull interval of each block of masses with a fixed total.
    totals
        (b,) those totals; sum to one.
    size
        K.
    """

    first: NDArray[np.intp]
    after: NDArray[np.intp]
    weight: NDArray[np.float64]
    total: float
    starts: NDArray[np.intp]
    totals: NDArray[np.float64]
    size: int

    @classmethod
    def of(
        cls,
        cliques: Cliques,
        weight: NDArray[np.float64],
        starts: tuple[int, ...] = (0,),
        totals: tuple[float, ...] = (1.0,),
    ) -> Likelihood:
        """Collapse observations that cover the same run into one."""
        size = cliques.left.size
        runs, member = np.unique(cliques.first * (size + 1) + cliques.after, return_inverse=True)
        weights = np.bincount(member, weight)
        return cls(
            first=runs // (size + 1),
            after=runs % (size + 1),
            weight=weights / weights.sum(),
            total=float(weights.sum()),
            starts=np.asarray(starts, dtype=np.intp),
            totals=np.asarray(totals, dtype=np.float64),
            size=size,
        )

    def uniform(self) -> NDArray[np.float64]:
        """Return masses spread evenly inside each block."""
        lengths = np.diff(self.starts, append=self.size)
        return np.repeat(self.totals / lengths, lengths)

    def coverage(self, masses: NDArray[np.float64]) -> NDArray[np.float64]:
        """Probability of each observation under `masses`."""
        cumulative: NDArray[np.float64] = np.concatenate(((0.0,), np.cumsum(masses)))
        return cumulative[self.after] - cumulative[self.first]

    def value(self, coverage: NDArray[np.float64]) -> float:
        """Mean log-likelihood; minus infinity when an observation is impossible."""
        if coverage.min() <= 0:
            return -np.inf
        return float(self.weight @ np.log(coverage))

    def gradient(self, coverage: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the derivative of the value in each mass."""
        ratio = self.weight / coverage
        slopes: NDArray[np.float64] = np.cumsum(self.at_starts(ratio) - self.at_ends(ratio))
        return slopes[: self.size]

    def at_starts(self, amounts: NDArray[np.float64]) -> NDArray[np.float64]:
        """Sum `amounts` of the observations whose run starts at each of K + 1 nodes."""
        return np.asarray(np.bincount(self.first, amounts, self.size + 1), dtype=np.float64)

    def at_ends(self, amounts: NDArray[np.float64]) -> NDArray[np.float64]:
        """Sum `amounts` of the observations whose run ends at each of K + 1 nodes."""
        return np.asarray(np.bincount(self.after, amounts, self.size + 1), dtype=np.float64)

    def over_blocks(self, ufunc: np.ufunc, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Reduce values on Turnbull intervals to one per block."""
        reduced: NDArray[np.float64] = ufunc.reduceat(values, self.starts)
        return reduced

    def block_of(self, places: NDArray[np.intp]) -> NDArray[np.intp]:
        """Block each of the Turnbull intervals `places` belongs to."""
        return np.searchsorted(self.starts, places, side="right") - 1

    def gap(self, masses: NDArray[np.float64], gradient: NDArray[np.float64]) -> float:
        """Karush-Kuhn-Tucker residual: a bound on how far the value is below its maximum.

        With one block it is the largest derivative minus one. By concavity no masses reach more
        than ``value + gap``; complementary slackness follows, as the derivatives average to one
        under the masses.
        """
        best = self.over_blocks(np.maximum, gradient)
        return float(self.totals @ best - masses @ gradient)

    def curvature(
        self, places: NDArray[np.intp], coverage: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Minus the second derivatives in the masses at `places`, (m, m)."""
        m = places.size
        before = np.searchsorted(places, np.arange(self.size + 1))
        cell = before[self.first] * (m + 1) + before[self.after]
        amounts = np.bincount(cell, self.weight / coverage**2, (m + 1) ** 2).reshape(m + 1, m + 1)
        covering = np.cumsum(np.cumsum(amounts, axis=0)[:, ::-1], axis=1)[:, ::-1]
        upper: NDArray[np.float64] = np.triu(covering[:m, 1:])
        return upper + np.triu(upper, 1).T
