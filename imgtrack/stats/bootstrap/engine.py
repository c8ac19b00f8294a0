"""Draw bootstrap replicates of a statistic of sums, resampling whole clusters."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from imgtrack.stats.arguments import count_faults, raise_faults

if TYPE_CHECKING:
    from collections.abc import Iterator

    import numpy.typing as npt

    from imgtrack.domain.errors import Fault
    from imgtrack.stats.bootstrap.subject_sums import FloatArray, SubjectSums

_CELLS_AT_ONCE = 2**17
"""Draws held at once when no block size is given: 1 MB, to stay in the processor's cache."""


def replicate(
    sums: SubjectSums,
    *,
    rng: int | np.random.Generator,
    clusters: npt.ArrayLike | None = None,
    replicates: int = 10_000,
    block: int | None = None,
) -> FloatArray:
    """Draw bootstrap replicates of a statistic.

    Clusters are drawn with replacement, as many as there are, each with all its subjects.
    Clusters that add the same to every sum are of one kind; how often each kind was drawn, times
    what it adds, gives the sums of many replicates as one matrix product.

    Parameters
    ----------
    sums
        The statistic, from `imgtrack.stats.agreement.sums` or `imgtrack.stats.bootstrap.sums`.
    rng
        Seed or generator. The same seed gives the same replicates whatever the order of the
        subjects.
    clusters
        Cluster (patient) of each subject, array (subjects,); None when each subject is one.
    replicates
        How many to draw.
    block
        Replicates held in memory at once; the result does not depend on it (beyond the last
        bits of floating-point sums).

    Returns
    -------
    Array (replicates,), ``nan`` where a replicate leaves the statistic undefined.

    Raises
    ------
    InvalidInput
        For fewer than one replicate, a block below one, or cluster labels that are missing or
        not one per subject.
    """
    raise_faults(size_faults(replicates, block))
    return draw(sums, sums.by_cluster(clusters), np.random.default_rng(rng), replicates, block)


def size_faults(replicates: int, block: int | None) -> list[Fault]:
    """Faults of the number of replicates and of the block size."""
    faults = count_faults("replicates", replicates, at_least=1)
    return faults if block is None else faults + count_faults("block", block, at_least=1)


def draw(
    sums: SubjectSums,
    per_cluster: FloatArray,
    rng: np.random.Generator,
    replicates: int,
    block: int | None,
) -> FloatArray:
    """Draw replicates from features already summed by cluster, array (clusters, sums)."""
    clusters = len(per_cluster)
    if clusters == 0:
        return np.full(replicates, np.nan)
    kinds, sizes = np.unique(per_cluster, axis=0, return_counts=True)
    kind_of = np.repeat(np.arange(len(kinds)), sizes)
    step = block or max(1, _CELLS_AT_ONCE // max(clusters, kinds.shape[1]))
    values = []
    for n in _steps(replicates, step):
        drawn = kind_of[rng.integers(clusters, size=(n, clusters))]
        drawn += len(kinds) * np.arange(n)[:, None]
        counts = np.bincount(drawn.ravel(), minlength=n * len(kinds)).reshape(n, -1)
        values.append(sums.statistic(counts @ kinds))
    return np.concatenate(values)


def _steps(total: int, step: int) -> Iterator[int]:
    for start in range(0, total, step):
        yield min(step, total - start)
