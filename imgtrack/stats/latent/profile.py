"""Profile likelihood of the positive rate: best fit, ridges and likelihood-ratio limits."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.stats import chi2

from imgtrack.stats.latent.mixture import Parameters

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from imgtrack.stats.latent.mixture import Mixture

GRID = np.linspace(0.0, 1.0, 41)
REFINED = 17
# A profile that falls by less than this over more than FLAT_WIDTH is a ridge: it says less about
# the rate than one perfectly read subject would, whose information at a rate of one half is 4.
FLAT_DROP = 1e-3
FLAT_WIDTH = 0.05
# Keeps starting points off zero, where EM could not move them.
SMOOTHING = 0.02


@dataclass(frozen=True, slots=True)
class Profile:
    """Best fit, and how the likelihood falls as the rate is held elsewhere.

    Attributes
    ----------
    best
        Batch of one: the most likely parameters.
    loglik
        Log-likelihood there.
    rates, drops
        (g,) rates held in ascending order, the best one among them, and how far the
        log-likelihood falls below its maximum there.
    """

    best: Parameters
    loglik: float
    rates: NDArray[np.float64]
    drops: NDArray[np.float64]

    @property
    def ridge(self) -> tuple[float, float] | None:
        """Outermost rates that fit practically as well as the best, when they lie far apart."""
        flat = self.rates[self.drops < FLAT_DROP]
        return (float(flat[0]), float(flat[-1])) if np.ptp(flat) > FLAT_WIDTH else None


def profile_rate(mixture: Mixture) -> Profile:
    """Fit the model freely from several starts, then with the rate held on a grid."""
    starts = mixture.starts()
    counts = np.tile(mixture.readings.counts, (len(starts.prevalence), 1))
    fitted, logliks = mixture.fit(starts, counts)
    best = fitted.take(np.argmax(logliks, keepdims=True))
    held, values = held_fits(mixture, best, GRID)
    # The grid may have found a better hill than the starts did.
    again, top = mixture.fit(smoothed(held.take(np.argmax(values, keepdims=True))), counts[:1])
    if top[0] > logliks.max():
        best = again
    loglik = max(float(top[0]), float(logliks.max()))
    rates = np.append(GRID, mixture.rate(best))
    order = np.argsort(rates)
    drops = np.append(loglik - values, 0.0)
    return Profile(best, loglik, rates[order], np.maximum(drops[order], 0.0))


def held_fits(
    mixture: Mixture, best: Parameters, rates: NDArray[np.float64]
) -> tuple[Parameters, NDArray[np.float64]]:
    """Fit with each rate held, from the best fit and from fair readers; keep the better.

    Returns
    -------
    The parameters and log-likelihoods, one per rate.
    """
    neutral = mixture.starts().take(np.array([1]))
    counts = np.tile(mixture.readings.counts, (rates.size, 1))
    each = np.zeros(rates.size, dtype=np.intp)
    near, near_values = mixture.fit(smoothed(best).take(each), counts, rates)
    far, far_values = mixture.fit(neutral.take(each), counts, rates)
    better = np.flatnonzero(far_values > near_values)
    near.put(better, far.take(better))
    return near, np.maximum(near_values, far_values)


def smoothed(parameters: Parameters) -> Parameters:
    """Mix every distribution with a little of the uniform one."""
    even = SMOOTHING / parameters.prevalence.shape[-1]
    return Parameters(
        (1 - SMOOTHING) * parameters.prevalence + even,
        (1 - SMOOTHING) * parameters.confusion + even,
    )


def ratio_limits(mixture: Mixture, profile: Profile, level: float) -> tuple[float, float]:
    """Outermost rates the likelihood ratio does not reject at `level`."""
    allowed = float(chi2.ppf(level, 1)) / 2
    inside = np.flatnonzero(profile.drops <= allowed)
    first, last = int(inside[0]), int(inside[-1])
    low = 0.0 if first == 0 else _crossing(mixture, profile, first - 1, first, allowed)
    if last == profile.rates.size - 1:
        return low, 1.0
    return low, _crossing(mixture, profile, last + 1, last, allowed)


def _crossing(
    mixture: Mixture, profile: Profile, outside: int, inside: int, allowed: float
) -> float:
    """Rate between two neighbours on the grid where the drop passes what is allowed."""
    rates = np.linspace(profile.rates[outside], profile.rates[inside], REFINED)
    _, values = held_fits(mixture, profile.best, rates[1:-1])
    inner = np.maximum(profile.loglik - values, 0.0)
    drops = np.concatenate(((profile.drops[outside],), inner, (profile.drops[inside],)))
    within = int(np.argmax(drops <= allowed))
    share = (drops[within - 1] - allowed) / (drops[within - 1] - drops[within])
    return float(rates[within - 1] + share * (rates[within] - rates[within - 1]))
