"""Coverage of the 95 % limits of proportions.

Run: python tests/bench/coverage_proportions.py [replicates]
One proportion and the difference of two are enumerated exactly (mean over true shares in
a band, and the least coverage in it); clustered proportions are simulated. A cell whose mean or
simulated coverage lies outside 93 to 97 % is marked.
"""

from __future__ import annotations

import itertools
import math
import sys

import numpy as np
from scipy import stats

from imgtrack.stats.proportions import (
    clustered_proportion,
    difference,
    paired_difference,
    proportion,
)

SEED = 20
METHODS = ("wilson", "clopper-pearson", "agresti-coull", "jeffreys", "midp")


def report(cell: str, mean: float, least: float = math.nan) -> None:
    """Print one cell."""
    mark = "" if 0.93 <= mean <= 0.97 else "  <-- outside 93-97 %"
    lowest = "" if math.isnan(least) else f"  least {100 * least:5.1f} %"
    print(f"{cell:66s} {100 * mean:5.1f} %{lowest}{mark}", flush=True)


def single() -> None:
    """Enumerate every outcome of one binomial count."""
    for n, method in itertools.product((10, 30, 100), METHODS):
        found = [proportion(x, n, method=method) for x in range(n + 1)]
        low, high = np.array([e.low for e in found]), np.array([e.high for e in found])
        for band in ((0.02, 0.1), (0.1, 0.5)):
            shares = np.linspace(*band, 201)
            weights = stats.binom.pmf(np.arange(n + 1), n, shares[:, None])
            inside = (low <= shares[:, None]) & (shares[:, None] <= high)
            covered = (weights * inside).sum(axis=1)
            report(f"{method} n={n} true share {band[0]}-{band[1]}", covered.mean(), covered.min())


def two_groups() -> None:
    """Enumerate every outcome of two binomial counts."""
    for (n1, n2), method in itertools.product(
        ((20, 20), (50, 30)), ("newcombe", "miettinen-nurminen")
    ):
        outcomes = list(itertools.product(range(n1 + 1), range(n2 + 1)))
        found = [difference(a, n1, b, n2, method=method) for a, b in outcomes]
        low, high = np.array([e.low for e in found]), np.array([e.high for e in found])
        for p1, p2 in ((0.05, 0.05), (0.2, 0.1), (0.3, 0.3), (0.8, 0.5)):
            a, b = np.array(outcomes).T
            weights = stats.binom.pmf(a, n1, p1) * stats.binom.pmf(b, n2, p2)
            covered = float(weights @ ((low <= p1 - p2) & (p1 - p2 <= high)))
            report(f"difference {method} n={n1}+{n2} p={p1}, {p2}", covered)


def paired() -> None:
    """Enumerate every outcome of a paired table of small size."""
    n = 25
    tables = [
        (a, b, c, n - a - b - c)
        for a in range(n + 1)
        for b in range(n + 1 - a)
        for c in range(n + 1 - a - b)
    ]
    counts = np.array(tables)
    for method in ("newcombe", "tango"):
        found = [paired_difference([[a, b], [c, d]], method=method) for a, b, c, d in tables]
        low, high = np.array([e.low for e in found]), np.array([e.high for e in found])
        for cells in ((0.1, 0.05, 0.05, 0.8), (0.3, 0.2, 0.05, 0.45), (0.6, 0.1, 0.1, 0.2)):
            weights = stats.multinomial.pmf(counts, n, cells)
            truth = cells[1] - cells[2]
            covered = float(weights @ ((low <= truth + 1e-12) & (truth - 1e-12 <= high)))
            report(f"paired difference {method} n={n} cells {cells}", covered)


def clustered(replicates: int) -> None:
    """Simulate beta-binomial clusters; truth is the share of all units."""
    rng = np.random.default_rng(SEED)
    designs = {"1-2 units": (1, 3), "2 units": (2, 3), "1-6 units": (1, 7)}
    for m, share, rho, design in itertools.product((15, 40, 100), (0.1, 0.3), (0.1, 0.5), designs):
        scale = (1.0 - rho) / rho
        hits = dict.fromkeys(("modified-wilson", "rao-scott", "ratio"), 0)
        made = dict.fromkeys(hits, 0)
        for _ in range(replicates):
            sizes = rng.integers(*designs[design], m)
            events = rng.binomial(sizes, rng.beta(share * scale, (1 - share) * scale, m))
            for method in hits:
                found = clustered_proportion(events, sizes, method=method)
                if not found.why_no_interval:
                    made[method] += 1
                    hits[method] += found.low <= share <= found.high
        for method, hit in hits.items():
            cell = f"{method} clusters={m} of {design}, p={share}, correlation={rho}"
            report(cell, hit / made[method])


def main(replicates: int) -> None:
    """Print the tables."""
    print(f"coverage of nominal 95 % limits; clusters: {replicates} replicates, seed {SEED}")
    single()
    two_groups()
    paired()
    clustered(replicates)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 2000)
