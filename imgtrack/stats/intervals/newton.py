"""Newton's method for a concave log-likelihood."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

STEPS = 60
GAIN = 1e-10
HALVINGS = 40


@dataclass(frozen=True, slots=True)
class Expansion:
    """A log-likelihood at one point.

    Attributes
    ----------
    value
        Log-likelihood; minus infinity outside its domain.
    scores
        (n, p) gradient, by observation.
    information
        (p, p) minus the second derivatives.
    """

    value: float
    scores: NDArray[np.float64]
    information: NDArray[np.float64]

    @property
    def newton_step(self) -> NDArray[np.float64]:
        """Step to the maximum of the quadratic expansion."""
        gradient = self.scores.sum(axis=0)
        step = np.linalg.lstsq(self.information, gradient, rcond=1e-12)[0]
        return np.asarray(step, dtype=np.float64)

    @property
    def gain_left(self) -> float:
        """Twice what that step would raise the log-likelihood by."""
        return float(self.scores.sum(axis=0) @ self.newton_step)


def climb(
    expand: Callable[[NDArray[np.float64]], Expansion], start: NDArray[np.float64]
) -> tuple[NDArray[np.float64], Expansion]:
    """Maximise a concave function from `start`, halving steps that do not rise.

    Stops when the gain left is below `GAIN`, when no step rises, or after `STEPS`.
    """
    point, here = start, expand(start)
    for _ in range(STEPS):
        if here.gain_left < GAIN:
            break
        step = here.newton_step
        for _ in range(HALVINGS):
            ahead = expand(point + step)
            if ahead.value > here.value:
                break
            step /= 2
        else:
            break
        point, here = point + step, ahead
    return point, here
