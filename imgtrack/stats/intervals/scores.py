"""Score of every observation when a group's survival departs from the pooled estimate."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from imgtrack.stats.intervals.observations import turnbull_cliques

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from imgtrack.stats.intervals.estimate import TurnbullEstimate
    from imgtrack.stats.intervals.observations import Observations

Scores = Literal["sun", "finkelstein", "wilcoxon"]


@dataclass(frozen=True, slots=True)
class Departure:
    """Derivatives of survival at the m + 1 nodes between masses, in a group's effect at zero.

    Attributes
    ----------
    slope, bend
        (m + 1,) first and second derivatives of survival in the effect.
    cross
        (m + 1, m - 1) derivative of `slope` in survival at each inner node.
    """

    slope: NDArray[np.float64]
    bend: NDArray[np.float64]
    cross: NDArray[np.float64]


def departure(survival: NDArray[np.float64], scores: Scores) -> Departure:
    """Differentiate the model a choice of scores is efficient for.

    Parameters
    ----------
    survival
        (m + 1,) pooled survival at the nodes, from one down to zero.
    scores
        "finkelstein": proportional hazards. "wilcoxon": proportional odds of survival. "sun":
        proportional odds of the hazard in each interval.
    """
    inner = survival[1:-1]
    slope, bend = np.zeros_like(survival), np.zeros_like(survival)
    cross = np.zeros((survival.size, inner.size))
    if scores == "finkelstein":
        slope[1:-1] = inner * np.log(inner)
        bend[1:-1] = slope[1:-1] * (1 + np.log(inner))
        cross[1:-1] = np.diag(1 + np.log(inner))
    elif scores == "wilcoxon":
        slope[1:-1] = -inner * (1 - inner)
        bend[1:-1] = inner * (1 - inner) * (1 - 2 * inner)
        cross[1:-1] = np.diag(2 * inner - 1)
    else:
        hazard = 1 - inner / survival[:-2]
        slope[1:-1] = -inner * np.cumsum(hazard)
        bend[1:-1] = inner * (np.cumsum(hazard) ** 2 - np.cumsum(hazard * (1 - hazard)))
        cross[1:-1] = _sun_cross(survival, np.cumsum(hazard))
    return Departure(slope, bend, cross)


def _sun_cross(
    survival: NDArray[np.float64], cumulative: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Differentiate minus survival times cumulative hazard in survival at the inner nodes."""
    before, inner, following = survival[:-2], survival[1:-1], survival[2:]
    own = -1 / before
    passed = own + following / inner**2
    hazard_change = np.tril(np.broadcast_to(passed, (inner.size, inner.size)), -1) + np.diag(own)
    return -np.diag(cumulative) - inner[:, None] * hazard_change


@dataclass(frozen=True, slots=True)
class ScoredSample:
    """Observations placed on the nodes between the pooled estimate's masses.

    Attributes
    ----------
    first, after
        (n,) node an observation's interval starts and ends at.
    probability
        (n,) pooled probability of the interval.
    score
        (n,) positive for events earlier than the pooled estimate expects.
    departure
        The derivatives they come from.
    """

    first: NDArray[np.intp]
    after: NDArray[np.intp]
    probability: NDArray[np.float64]
    score: NDArray[np.float64]
    departure: Departure

    def information(self, member: NDArray[np.bool_]) -> NDArray[np.float64]:
        """Observed information about group effects, after the pooled masses are estimated.

        Parameters
        ----------
        member
            (n, g) membership of the groups that have an effect.
        """
        inner = slice(1, -1)
        own = self.score**2 - self._differences(self.departure.bend) / self.probability
        effects = np.diag(own @ member)
        mixed = np.array(
            [
                self._at_nodes(column * self.score / self.probability)[inner]
                - self._at_nodes(column / self.probability) @ self.departure.cross
                for column in member.T.astype(np.float64)
            ]
        )
        lost = mixed @ np.linalg.solve(self._masses_information(), mixed.T)
        return np.asarray(effects - lost, dtype=np.float64)

    def _differences(self, at_nodes: NDArray[np.float64]) -> NDArray[np.float64]:
        return at_nodes[self.first] - at_nodes[self.after]

    def _at_nodes(self, amounts: NDArray[np.float64]) -> NDArray[np.float64]:
        size = self.departure.slope.size
        starting = np.bincount(self.first, amounts, size)
        return np.asarray(starting - np.bincount(self.after, amounts, size), dtype=np.float64)

    def _masses_information(self) -> NDArray[np.float64]:
        size = self.departure.slope.size
        amounts = 1 / self.probability**2
        pairs = np.bincount(self.first * size + self.after, amounts, size**2).reshape(size, size)
        ends = np.diag(pairs.sum(axis=0) + pairs.sum(axis=1))
        return np.asarray((ends - pairs - pairs.T)[1:-1, 1:-1], dtype=np.float64)


def score_sample(observations: Observations, fit: TurnbullEstimate, scores: Scores) -> ScoredSample:
    """Score observations under the pooled estimate `fit` of the same observations."""
    cliques = turnbull_cliques(observations.left, observations.right)
    nodes = np.concatenate(((0,), np.cumsum(fit.masses > 0)))
    first, after = nodes[cliques.first], nodes[cliques.after]
    tail = np.cumsum(fit.masses[fit.masses > 0][::-1])[::-1]
    survival = np.concatenate(((1.0,), tail[1:], (0.0,)))
    slopes = departure(survival, scores)
    probability = survival[first] - survival[after]
    score = (slopes.slope[first] - slopes.slope[after]) / probability
    return ScoredSample(first, after, probability, score, slopes)
