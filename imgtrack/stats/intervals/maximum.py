"""Maximise the likelihood of masses on Turnbull intervals: EM-ICM first, then Newton steps."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.linalg import LinAlgError, cho_factor, cho_solve
from scipy.optimize import isotonic_regression

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from imgtrack.stats.intervals.likelihood import Likelihood

# Newton steps cost the cube of the number of places with mass; above this EM-ICM is cheaper.
NEWTON_PLACES = 1500
# EM-ICM steps between attempts at Newton steps.
WARM_STEPS = 10


@dataclass(frozen=True, slots=True)
class Maximum:
    """Masses where the search stopped.

    Attributes
    ----------
    masses
        (K,) masses.
    gap
        Karush-Kuhn-Tucker residual there, see `Likelihood.gap`.
    value
        Mean log-likelihood.
    iterations
        EM-ICM and Newton steps together.
    """

    masses: NDArray[np.float64]
    gap: float
    value: float
    iterations: int


def maximise(likelihood: Likelihood, tol: float, max_iterations: int) -> Maximum:
    """Climb to a Karush-Kuhn-Tucker residual of at most `tol`, or stop at `max_iterations`.

    EM-ICM (Wellner and Zhan 1997) finds the right neighbourhood in a few steps of linear cost and
    converges from anywhere; Newton steps on the places with mass, with new places admitted where
    the gradient asks for them (Wang 2008), then converge quadratically.
    """
    masses = likelihood.uniform()
    coverage = likelihood.coverage(masses)
    gradient = likelihood.gradient(coverage)
    iterations, newton = 0, False
    while (gap := likelihood.gap(masses, gradient)) > tol and iterations < max_iterations:
        moved = _newton_step(likelihood, masses, coverage, gradient) if newton else None
        # Newton steps go on while they climb; after a failure EM-ICM has another turn.
        newton = moved is not None or (not newton and (iterations + 1) % WARM_STEPS == 0)
        masses = _em_icm_step(likelihood, masses, gradient) if moved is None else moved
        coverage = likelihood.coverage(masses)
        gradient = likelihood.gradient(coverage)
        iterations += 1
    return Maximum(masses, gap, likelihood.value(coverage), iterations)


def _em_icm_step(
    likelihood: Likelihood, masses: NDArray[np.float64], gradient: NDArray[np.float64]
) -> NDArray[np.float64]:
    """One self-consistency step followed by one iterative convex minorant step."""
    expected = masses * gradient
    sums = likelihood.over_blocks(np.add, expected)
    lengths = np.diff(likelihood.starts, append=likelihood.size)
    # A block no observation needs keeps its masses.
    scale = np.where(sums > 0, likelihood.totals / np.where(sums > 0, sums, 1.0), 0.0)
    updated = np.where(np.repeat(sums > 0, lengths), expected * np.repeat(scale, lengths), masses)
    coverage = likelihood.coverage(updated)
    value = likelihood.value(coverage)
    cumulative = np.cumsum(updated)
    direction = _convex_minorant(likelihood, cumulative, coverage) - cumulative
    for _ in range(30):
        candidate: NDArray[np.float64] = np.diff(cumulative + direction, prepend=0.0)
        if likelihood.value(likelihood.coverage(candidate)) >= value:
            return candidate.clip(min=0.0)
        direction /= 2
    return updated


def _convex_minorant(
    likelihood: Likelihood, cumulative: NDArray[np.float64], coverage: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Newton step of every cumulative mass by itself, then made monotone inside each block."""
    ratio = likelihood.weight / coverage
    slope = (likelihood.at_ends(ratio) - likelihood.at_starts(ratio))[1:]
    bend = (likelihood.at_ends(ratio / coverage) + likelihood.at_starts(ratio / coverage))[1:]
    target = cumulative.copy()
    ceiling = np.cumsum(likelihood.totals)
    for start, stop, top, total in zip(
        likelihood.starts,
        np.append(likelihood.starts[1:], likelihood.size),
        ceiling,
        likelihood.totals,
        strict=True,
    ):
        free = slice(start, stop - 1)
        if stop - start > 1:
            step = cumulative[free] + slope[free] / bend[free]
            monotone = isotonic_regression(step, weights=bend[free]).x
            target[free] = np.clip(monotone, top - total, top)
        target[stop - 1] = top
    return target


def _newton_step(
    likelihood: Likelihood,
    masses: NDArray[np.float64],
    coverage: NDArray[np.float64],
    gradient: NDArray[np.float64],
) -> NDArray[np.float64] | None:
    """One constrained Newton step with line search; None when it is too dear or does not climb."""
    places = _promising_places(likelihood, masses, gradient)
    if places.size > NEWTON_PLACES:
        return None
    now = masses[places]
    try:
        target = _quadratic_maximum(likelihood, places, coverage, gradient, now)
    except LinAlgError:
        return None
    value = likelihood.value(coverage)
    rise = float(gradient[places] @ (target - now))
    moved = np.zeros_like(masses)
    for fraction in 0.5 ** np.arange(12):
        moved[places] = target if fraction == 1.0 else now + fraction * (target - now)
        if likelihood.value(likelihood.coverage(moved)) >= value + fraction * rise / 3:
            return moved
    return None


def _promising_places(
    likelihood: Likelihood, masses: NDArray[np.float64], gradient: NDArray[np.float64]
) -> NDArray[np.intp]:
    """Places with mass, and between each two of them the one the gradient favours most."""
    has_mass = masses > 0
    breaks = has_mass.copy()
    breaks[likelihood.starts] = True
    edges = np.flatnonzero(breaks)
    peaks = np.maximum.reduceat(gradient, edges)
    lengths = np.diff(edges, append=likelihood.size)
    sums = likelihood.over_blocks(np.add, masses * gradient)
    level = (sums / likelihood.totals)[likelihood.block_of(edges)]
    wanted = np.repeat(np.where(peaks > level, peaks, np.inf), lengths)
    return np.flatnonzero(has_mass | (gradient >= wanted))


def _quadratic_maximum(
    likelihood: Likelihood,
    places: NDArray[np.intp],
    coverage: NDArray[np.float64],
    gradient: NDArray[np.float64],
    now: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Maximise the second-order expansion over non-negative masses with the block totals.

    An active-set walk: solve without signs, step back to the first mass that turns negative,
    drop it, repeat; then readmit dropped places the multipliers ask for.
    """
    curvature = likelihood.curvature(places, coverage)
    # Places no observation tells apart across a block's edge leave it singular but for this.
    curvature[np.diag_indices_from(curvature)] += 1e-12 * curvature.max()
    pull = 2 * gradient[places]
    block = likelihood.block_of(places)
    membership = (block[:, None] == np.arange(likelihood.totals.size)).astype(np.float64)
    free = np.ones(places.size, dtype=bool)
    current = now.copy()
    for _ in range(3 * places.size + 10):
        target, multipliers = _equality_maximum(curvature, pull, membership, likelihood, free)
        blocked = free & (target < 0)
        if blocked.any():
            fraction = np.min(current[blocked] / (current[blocked] - target[blocked]))
            current = current + fraction * (target - current)
            free &= current > 1e-15
            current[~free] = 0.0
            continue
        current = target
        reduced = np.where(free, -np.inf, pull - curvature @ current - membership @ multipliers)
        worst = int(np.argmax(reduced))
        if reduced[worst] <= 1e-12:
            break
        free[worst] = True
    return current


def _equality_maximum(
    curvature: NDArray[np.float64],
    pull: NDArray[np.float64],
    membership: NDArray[np.float64],
    likelihood: Likelihood,
    free: NDArray[np.bool_],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Stationary point of the expansion over the `free` places with the block totals held."""
    factor = cho_factor(curvature[np.ix_(free, free)], check_finite=False)
    sides = cho_solve(factor, np.column_stack((pull[free], membership[free])), check_finite=False)
    schur = membership[free].T @ sides[:, 1:]
    multipliers = np.linalg.solve(schur, membership[free].T @ sides[:, 0] - likelihood.totals)
    target = np.zeros(free.size)
    target[free] = sides[:, 0] - sides[:, 1:] @ multipliers
    return target, np.asarray(multipliers, dtype=np.float64)
