"""Simulated coverage of the 95 % limits of reliability statistics.

Run: python tests/bench/coverage_reliability.py [replicates]
Prints one line per cell; a cell outside 93 to 97 % is marked.
"""

from __future__ import annotations

import itertools
import math
import sys
from typing import TYPE_CHECKING

import numpy as np

from imgtrack.stats.reliability import bland_altman, concordance, icc, measurement_error

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from imgtrack.stats.results import Estimate

SEED = 20


def simulate(
    rng: np.random.Generator, n: int, variances: tuple[float, float, float], k: int
) -> np.ndarray:
    """Return values (n, k) with subject, reader and error variances."""
    subject, reader, error = (math.sqrt(variance) for variance in variances)
    subjects = rng.normal(0.0, subject, (n, 1))
    return subjects + rng.normal(0.0, reader, k) + rng.normal(0.0, error, (n, k))


def coverage(make: Callable[[], Estimate], truth: float, replicates: int) -> tuple[float, int]:
    """Return the share of intervals that hold the truth and how many there were."""
    estimates = [make() for _ in range(replicates)]
    kept = [e for e in estimates if e.defined and not e.why_no_interval]
    return sum(e.low <= truth <= e.high for e in kept) / len(kept), len(kept)


def report(cell: str, share: float, made: int, replicates: int) -> None:
    """Print one cell."""
    mark = "" if 0.93 <= share <= 0.97 else "  <-- outside 93-97 %"
    made_note = "" if made == replicates else f" ({replicates - made} without limits)"
    print(f"{cell:62s} {100 * share:5.1f} %{made_note}{mark}", flush=True)


def icc_cells(rng: np.random.Generator) -> Iterator[tuple[str, Callable[[], Estimate], float]]:
    """Complete and incomplete intraclass correlations."""
    readers = 0.1
    for (n, k), rho, missing in itertools.product(
        ((15, 2), (50, 2), (50, 4), (200, 3)), (0.4, 0.7, 0.9), (0.0, 0.2)
    ):
        if missing and (n, k) == (15, 2):
            continue
        variances = (rho, readers * (1 - rho), (1 - readers) * (1 - rho))

        def draw(
            n: int = n, k: int = k, v: tuple[float, float, float] = variances, m: float = missing
        ) -> np.ndarray:
            x = simulate(rng, n, v, k)
            x[rng.random((n, k)) < m] = np.nan
            return x

        oneway = (rho, 0.0, 1 - rho)
        consistency = variances[0] / (variances[0] + variances[2])
        where = f"n={n} readers={k} missing={missing:.0%}"
        yield (
            f"ICC(1) {rho} {where}",
            lambda d=draw, v=oneway: icc(d(v=v), model="oneway"),
            rho,
        )
        yield f"ICC(A,1) {rho} {where}", lambda d=draw: icc(d()), rho
        yield (
            f"ICC(C,1) {consistency:.3f} {where}",
            lambda d=draw: icc(d(), definition="consistency"),
            consistency,
        )


def limit_cells(rng: np.random.Generator) -> Iterator[tuple[str, Callable[[], Estimate], float]]:
    """Limits of agreement, concordance and errors of measurement."""
    z = 1.959963984540054
    for n in (10, 30, 100):
        yield (
            f"upper limit of agreement, exact, n={n}",
            lambda n=n: bland_altman(rng.normal(size=n), np.zeros(n)).upper,
            z,
        )
        yield (
            f"upper limit of agreement, approximate, n={n}",
            lambda n=n: bland_altman(rng.normal(size=n), np.zeros(n)).upper_approximate,
            z,
        )
    for n, share in itertools.product((10, 30, 100), (0.2, 0.6, 0.9)):

        def repeated(n: int = n, share: float = share) -> tuple[np.ndarray, np.ndarray]:
            subjects = np.repeat(np.arange(n), rng.integers(2, 6, n))
            between = rng.normal(0.0, math.sqrt(share), n)[subjects]
            return between + rng.normal(0.0, math.sqrt(1 - share), subjects.size), subjects

        def linked(make: Callable[[], tuple[np.ndarray, np.ndarray]] = repeated) -> Estimate:
            gaps, subjects = make()
            return bland_altman(gaps, np.zeros(gaps.size), subjects=subjects).upper

        yield f"upper limit, 2-5 linked pairs, between={share}, n={n}", linked, z
    for n, rho in itertools.product((20, 50, 200), (0.5, 0.9)):

        def pair(n: int = n, rho: float = rho) -> Estimate:
            a = rng.normal(size=n)
            return concordance(a, rho * a + math.sqrt(1 - rho**2) * rng.normal(size=n))

        yield f"concordance {rho} n={n}", pair, rho
    for n, k in ((20, 2), (50, 3)):
        variances = (1.0, 0.1, 0.3)
        yield (
            f"SEM agreement n={n} readers={k}",
            lambda n=n, k=k, v=variances: measurement_error(simulate(rng, n, v, k)).sem_agreement,
            math.sqrt(0.4),
        )
        yield (
            f"SEM consistency n={n} readers={k}",
            lambda n=n, k=k, v=variances: measurement_error(simulate(rng, n, v, k)).sem_consistency,
            math.sqrt(0.3),
        )
    for n in (30, 100, 300):

        def sloped(n: int = n) -> Estimate:
            m = rng.uniform(1, 10, n)
            gap = 0.1 * m + 0.2 * m * rng.normal(size=n)
            return bland_altman(m + gap / 2, m - gap / 2).by_magnitude.limits_at(5.0)[1]

        yield f"upper limit at magnitude 5 by regression, n={n}", sloped, 0.5 + z * 1.0


def main(replicates: int) -> None:
    """Print the table."""
    rng = np.random.default_rng(SEED)
    print(f"coverage of nominal 95 % limits, {replicates} replicates, seed {SEED}")
    for cells in (icc_cells(rng), limit_cells(rng)):
        for cell, make, truth in cells:
            share, made = coverage(make, truth, replicates)
            report(cell, share, made, replicates)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 2000)
