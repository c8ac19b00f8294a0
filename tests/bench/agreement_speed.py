"""How much faster the bootstrap is than a loop over a library, measured in one run.

Run ``python tests/bench/agreement_speed.py``. Each peer gets its data in the form that suits it
best and is called on a shorter loop, whose time is scaled to the full number of replicates; ours
is timed in full, from the raw ratings, as the best of several runs. Set OMP_NUM_THREADS=1 for a
single-core comparison.
"""

from __future__ import annotations

import time
import warnings
from collections.abc import Callable

import krippendorff
import numpy as np
import pandas as pd
import pingouin
from sklearn.metrics import cohen_kappa_score
from statsmodels.stats.inter_rater import cohens_kappa

from imgtrack.stats import agreement, bootstrap

LEVELS = np.arange(5)
REPLICATES = 10_000


def make_grades(readers: int) -> np.ndarray:
    rng = np.random.default_rng(1)
    truth = rng.choice(5, p=[0.35, 0.25, 0.2, 0.12, 0.08], size=(200, 1))
    noise = rng.integers(-1, 2, size=(200, readers)) * (rng.random((200, readers)) < 0.5)
    return np.clip(truth + noise, 0, 4)


def make_lengths() -> np.ndarray:
    rng = np.random.default_rng(2)
    return 20 + 6 * rng.normal(size=(200, 1)) + 2 * rng.normal(size=(200, 3))


def best_time(work: Callable[[], object], runs: int = 5) -> float:
    times = []
    for _ in range(runs):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return min(times)


def loop_time(once: Callable[[np.ndarray], object], loops: int, subjects: int = 200) -> float:
    """Time of the full number of replicates, scaled from a shorter loop."""
    draws = np.random.default_rng(3).integers(0, subjects, size=(loops, subjects))
    once(draws[0])
    start = time.perf_counter()
    for drawn in draws:
        once(drawn)
    return (time.perf_counter() - start) / loops * REPLICATES


def report(what: str, ours: float, peer: str, theirs: float, *, target: float) -> None:
    ratio = theirs / ours
    verdict = "met" if ratio >= target else "MISSED"
    print(
        f"{what:<44} {ours * 1e3:7.1f} ms  {peer:<26} {theirs:9.2f} s (scaled)  "
        f"ratio {ratio:7.0f}  target {target:.0f} {verdict}"
    )


def quadratic_kappa() -> None:
    a, b = make_grades(2).T
    cells = a * 5 + b
    ours = best_time(
        lambda: bootstrap.replicate(
            agreement.sums.cohen_kappa(a, b, categories=LEVELS, weights="quadratic"),
            rng=1,
            replicates=REPLICATES,
        )
    )
    what = "quadratic kappa, 200 x 2, 10,000 replicates"
    sklearn = loop_time(
        lambda i: cohen_kappa_score(a[i], b[i], labels=LEVELS, weights="quadratic"), 1000
    )
    report(what, ours, "scikit-learn", sklearn, target=100)

    def values_only(drawn: np.ndarray) -> float:
        table = np.bincount(cells[drawn], minlength=25).reshape(5, 5)
        return cohens_kappa(table, wt="quadratic", return_results=False)

    report(what, ours, "statsmodels, values only", loop_time(values_only, 3000), target=10)
    limits = best_time(
        lambda: bootstrap.interval(
            agreement.sums.cohen_kappa(a, b, categories=LEVELS, weights="quadratic"), rng=1
        )
    )
    print(f"{'  the same with BCa limits':<44} {limits * 1e3:7.1f} ms")


def ordinal_alpha() -> None:
    grades = make_grades(3)
    ours = best_time(
        lambda: bootstrap.replicate(
            agreement.sums.krippendorff_alpha(grades, metric="ordinal", categories=LEVELS),
            rng=1,
            replicates=REPLICATES,
        )
    )
    counts = (grades[:, :, None] == LEVELS).sum(axis=1)
    theirs = loop_time(
        lambda i: krippendorff.alpha(
            value_counts=counts[i], value_domain=LEVELS, level_of_measurement="ordinal"
        ),
        2000,
    )
    report("ordinal alpha, 200 x 3, 10,000 replicates", ours, "krippendorff", theirs, target=30)


def single_reader_icc() -> None:
    lengths = make_lengths()
    ours = best_time(
        lambda: bootstrap.replicate(bootstrap.sums.icc(lengths), rng=1, replicates=REPLICATES)
    )
    subjects, readers = (i.ravel() for i in np.indices(lengths.shape))

    def once(drawn: np.ndarray) -> pd.DataFrame:
        table = pd.DataFrame(
            {"subject": subjects, "reader": readers, "length": lengths[drawn].ravel()}
        )
        return pingouin.intraclass_corr(table, "subject", "reader", "length")

    report(
        "ICC(2,1), 200 x 3, 10,000 replicates", ours, "pingouin", loop_time(once, 40), target=300
    )


if __name__ == "__main__":
    warnings.simplefilter("ignore")
    quadratic_kappa()
    ordinal_alpha()
    single_reader_icc()
