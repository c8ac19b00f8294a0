"""Resampled estimates of survival at given times, drawing whole patients."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from imgtrack.domain.errors import Fault, InvalidInput
from imgtrack.stats.intervals.estimate import estimate_masses
from imgtrack.stats.intervals.observations import as_labels

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from imgtrack.stats.intervals.observations import Observations

REPLICATE_TOL = 1e-6


def cluster_members(clusters: ArrayLike | None, observations: Observations) -> NDArray[np.intp]:
    """Give the rows used cluster numbers from zero; every row its own without clusters."""
    if clusters is None:
        return np.arange(observations.n_used)
    numbers = as_labels(clusters, "clusters", observations.kept.size)
    missing = int(np.sum(numbers < 0))
    if missing:
        expected = "a label in every row"
        raise InvalidInput(Fault("missing label", "clusters", expected, f"{missing} missing"))
    return np.asarray(np.unique(numbers[observations.kept], return_inverse=True)[1], dtype=np.intp)


def resampled_survival(
    observations: Observations,
    members: NDArray[np.intp] | None,
    times: NDArray[np.float64],
    replicates: int,
    rng: np.random.Generator,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Estimate survival bounds in resamples.

    Parameters
    ----------
    observations
        The sample.
    members
        (n,) cluster number of each row; None when rows are independent and weights are counts.
    times
        (m,) times.
    replicates
        Resamples.
    rng
        Generator.

    Returns
    -------
    Lower and upper bounds, (replicates, m) each.
    """
    counts = observations.weight if members is None else np.ones(int(members.max()) + 1)
    drawn, shares = round(float(counts.sum())), counts / counts.sum()
    lower = np.empty((replicates, times.size))
    upper = np.empty((replicates, times.size))
    for replicate in range(replicates):
        times_drawn = rng.multinomial(drawn, shares).astype(np.float64)
        weight = times_drawn if members is None else observations.weight * times_drawn[members]
        fit = estimate_masses(observations.reweighted(weight), REPLICATE_TOL)
        bounds = fit.survival(times)
        lower[replicate], upper[replicate] = bounds.lower, bounds.upper
    return lower, upper
