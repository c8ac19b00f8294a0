"""Time of the NPMLE against surpyval and lifelines, and its growth with the sample.

Run ``python tests/bench/intervals_speed.py`` on one core (OMP_NUM_THREADS=1). Needs surpyval 0.25
or later (before 0.25 its Turnbull estimate was thousands of times slower and stopped far from the
maximum) and lifelines. Visits at 6 weeks, 3, 6, 12 and 24 months, each within its window and
attended with probability 0.8; 30 % never have the event. Every time is the best of several runs in
this process, all from raw bounds to a finished estimate.

lifelines is timed once per size, at its own default tolerance, which is looser than ours (and for
closed intervals, see the notes of `npmle`); nothing is extrapolated.
"""

from __future__ import annotations

import time
import warnings
from functools import partial
from importlib.metadata import version
from itertools import product
from typing import TYPE_CHECKING

import numpy as np

from imgtrack.stats.intervals import npmle

if TYPE_CHECKING:
    from collections.abc import Callable

KKT = 1e-6
VISITS = np.array([42, 91, 182, 365, 730])
WINDOWS = np.array([7, 14, 28, 56, 84])


def sample(n: int, seed: int, *, whole: bool) -> tuple[np.ndarray, np.ndarray]:
    """(left, right] of n repairs, in whole days or not; rows that say nothing are left out."""
    rng = np.random.default_rng(seed)
    days = VISITS + rng.uniform(-1, 1, (n, VISITS.size)) * WINDOWS
    days = np.where(rng.random(days.shape) < 0.8, np.round(days) if whole else days, np.nan)
    event = np.where(rng.random(n) < 0.3, np.inf, 250 * rng.weibull(0.8, n))[:, None]
    left = np.max(np.where(days < event, days, 0.0), axis=1)
    right = np.min(np.where(days >= event, days, np.inf), axis=1)
    says = (left > 0) | np.isfinite(right)
    return left[says], right[says]


def best(run: Callable[[], object], repeats: int) -> float:
    """Return the shortest time in seconds."""
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        run()
        times.append(time.perf_counter() - start)
    return min(times)


def surpyval_kkt(left: np.ndarray, right: np.ndarray) -> float:
    """Karush-Kuhn-Tucker residual of surpyval's estimate, from its own survival function."""
    model = turnbull(left, right)
    fit = npmle(left, right)
    ends = np.where(np.isinf(fit.right), np.nan, fit.right)
    survival = np.where(np.isnan(ends), 0.0, np.ravel(model.sf(np.nan_to_num(ends))))
    masses = np.maximum(-np.diff(survival, prepend=1.0), 0.0)
    cumulative = np.concatenate(((0.0,), np.cumsum(masses)))
    first = np.searchsorted(fit.left, left)
    after = np.searchsorted(fit.right, right, side="right")
    ratio = 1 / (cumulative[after] - cumulative[first])
    ends_at = np.bincount(first, ratio, fit.left.size + 1) - np.bincount(
        after, ratio, fit.left.size + 1
    )
    return float(np.cumsum(ends_at)[:-1].max() / left.size - 1)


def turnbull(left: np.ndarray, right: np.ndarray) -> object:
    """Run surpyval to our tolerance."""
    import surpyval

    return surpyval.Turnbull.fit(xl=left, xr=right, turnbull_estimator="Kaplan-Meier", tol=KKT)


def against_surpyval() -> None:
    """Print times and ratios at the same residual."""
    print(f"NPMLE to a KKT residual of {KKT:g}, against surpyval {version('surpyval')}")
    for whole, n in product((True, False), (500, 5_000, 50_000)):
        left, right = sample(n, 1, whole=whole)
        ours = best(partial(npmle, left, right, tol=KKT), 15)
        theirs = best(partial(turnbull, left, right), 15)
        print(
            f"  n={n:6d} {kind(whole)}: ours {1e3 * ours:7.2f} ms "
            f"(kkt {npmle(left, right, tol=KKT).kkt:.0e}), surpyval {1e3 * theirs:7.2f} ms "
            f"(kkt {surpyval_kkt(left, right):.0e}), ours / theirs {ours / theirs:.2f}"
        )


def closed(left: np.ndarray, right: np.ndarray) -> object:
    """Run lifelines as it comes."""
    import lifelines

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return lifelines.KaplanMeierFitter().fit_interval_censoring(left, right)


def against_lifelines() -> None:
    """Print what lifelines takes, and the ratio."""
    print(f"lifelines {version('lifelines')} at its default tolerance, whole days")
    for n in (500, 1_000, 2_000, 5_000):
        left, right = sample(n, 1, whole=True)
        ours = best(partial(npmle, left, right, tol=KKT), 15)
        theirs = best(partial(closed, left, right), 1)
        print(f"  n={n:6d}: {theirs:7.2f} s, {theirs / ours:,.0f} times ours", flush=True)


def growth() -> None:
    """Print our time up to a million intervals."""
    print("growth, to a KKT residual of 1e-8")
    for whole, n in product((True, False), (1_000, 10_000, 100_000, 1_000_000)):
        left, right = sample(n, 2, whole=whole)
        fit = npmle(left, right)
        taken = best(partial(npmle, left, right), 3)
        print(
            f"  n={n:8d} {kind(whole)}: {taken:7.3f} s, {fit.left.size:6d} Turnbull intervals, "
            f"{int(np.sum(fit.masses > 0)):4d} with mass, {fit.iterations} steps, "
            f"kkt {fit.kkt:.0e}"
        )


def kind(whole: bool) -> str:
    """Name the kind of visit days."""
    return "whole days" if whole else "fractions "


if __name__ == "__main__":
    against_surpyval()
    growth()
    against_lifelines()
