"""Compare interval-censored times between groups: weighted log-rank tests."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal, get_args

import numpy as np
import pandas as pd
from scipy.stats import chi2

from imgtrack.domain.errors import Fault
from imgtrack.stats.arguments import choice_faults, count_faults, raise_faults
from imgtrack.stats.intervals.estimate import estimate_masses
from imgtrack.stats.intervals.observations import as_labels, as_vector, observe
from imgtrack.stats.intervals.scores import Scores, score_sample
from imgtrack.stats.proportions import proportion

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from imgtrack.stats.intervals.scores import ScoredSample

Reference = Literal["permutation", "monte-carlo", "score"]

TOL = 1e-10
# Differences below this are rounding.
SAME = 1e-9
# Numbers held at once while permuting.
CELLS_AT_ONCE = 2**20


@dataclass(frozen=True, slots=True, kw_only=True)
class LogRankTest:
    """Weighted log-rank test of equal distributions.

    Attributes
    ----------
    statistic
        Chi-square form, with `df` degrees of freedom; nan when undefined.
    z
        Its signed root for two groups, positive when the first has the earlier events; nan for
        more groups.
    df
        Groups minus one.
    p_value
        Two-sided; nan when undefined.
    p_low, p_high
        99 % limits for a Monte Carlo `p_value`, equal to it otherwise.
    groups, sizes
        Labels in order of first appearance, and rows in each.
    excess
        Sum of scores in each group: events beyond expectation, in the spirit of observed minus
        expected.
    scores, reference
        What was computed.
    n_used, n_excluded
        Rows that entered; rows with a missing bound or label.
    why_undefined
        Reason when there is no test; empty otherwise.
    """

    statistic: float = np.nan
    z: float = np.nan
    df: int
    p_value: float = np.nan
    p_low: float = np.nan
    p_high: float = np.nan
    groups: tuple[object, ...]
    sizes: tuple[int, ...]
    excess: tuple[float, ...] = ()
    scores: Scores
    reference: Reference
    n_used: int
    n_excluded: int
    why_undefined: str = ""

    @property
    def defined(self) -> bool:
        """Whether there is a test."""
        return not self.why_undefined


def logrank(
    left: ArrayLike,
    right: ArrayLike,
    group: ArrayLike,
    *,
    scores: Scores = "sun",
    reference: Reference = "permutation",
    rng: int | np.random.Generator | None = None,
    permutations: int = 9999,
) -> LogRankTest:
    """Test whether interval-censored times differ between groups.

    Parameters
    ----------
    left, right
        (n,) the event lies in (left, right], as for `npmle`.
    group
        (n,) labels; None or nan for missing.
    scores
        - "sun": the log-rank test for grouped data of Sun 1996.
        - "finkelstein": the score test of grouped proportional hazards, Finkelstein 1986.
        - "wilcoxon": Wilcoxon-Mann-Whitney scores, of proportional odds.
    reference
        - "permutation": the scores' permutation variance and the normal limit. Right when visit
          days do not depend on the group.
        - "monte-carlo": the scores permuted at random; needs `rng`.
        - "score": the observed information of the model the scores belong to. Holds with visit
          days that depend on the group, but counts the masses of the pooled estimate as a fixed
          number of parameters.
    rng
        Seed or generator for "monte-carlo".
    permutations
        How many; the p-value counts the observed arrangement as one more.

    Returns
    -------
    LogRankTest

    Raises
    ------
    InvalidInput
        As `npmle`; also an unknown choice, labels of another length, no seed where one is needed.

    Notes
    -----
    Rows with a missing bound or label are left out. Rows must be independent: for two shoulders
    of one patient use `regression` with clusters. Fewer than two groups, or data in which every
    row has the same score, give ``why_undefined``.

    References
    ----------
    Fay MP, Shaw PA. Exact and asymptotic weighted logrank tests for interval censored data: the
    interval R package. J Stat Softw 2010;36(2):1-34. Sun J. A non-parametric test for
    interval-censored failure time data with application to AIDS studies. Stat Med
    1996;15:1387-1395. Finkelstein DM. A proportional hazards model for interval-censored failure
    time data. Biometrics 1986;42:845-854.
    """
    faults = choice_faults("scores", scores, get_args(Scores))
    faults += choice_faults("reference", reference, get_args(Reference))
    faults += count_faults("permutations", permutations, at_least=1)
    if reference == "monte-carlo" and rng is None:
        faults.append(Fault("no seed", "rng", "a seed or a generator", "None"))
    raise_faults(faults)
    bounds = as_vector(left, "left")
    numbers = as_labels(group, "group", bounds.size)
    observations = observe(np.where(numbers < 0, np.nan, bounds), right)
    member, labels = _membership(np.asarray(group, dtype=object)[observations.kept])
    blank = LogRankTest(
        df=max(len(labels) - 1, 0),
        groups=labels,
        sizes=tuple(int(size) for size in member.sum(axis=0)),
        scores=scores,
        reference=reference,
        n_used=observations.n_used,
        n_excluded=observations.n_excluded,
    )
    if len(labels) < 2:
        return replace(blank, why_undefined="fewer than two groups")
    sample = score_sample(observations, estimate_masses(observations, TOL), scores)
    if np.ptp(sample.score) < SAME:
        return replace(blank, why_undefined="every row has the same score")
    test = replace(blank, excess=tuple(float(total) for total in sample.score @ member))
    if reference == "score":
        return _score_test(test, sample, member)
    return _permutation_test(test, sample.score, member, (permutations, rng))


def _membership(labels: NDArray[np.object_]) -> tuple[NDArray[np.bool_], tuple[object, ...]]:
    numbers, distinct = pd.factorize(labels)
    return numbers[:, None] == np.arange(len(distinct)), tuple(distinct)


def _with_statistic(test: LogRankTest, statistic: float) -> LogRankTest:
    p_value = float(chi2.sf(statistic, test.df))
    sign = np.sign(test.excess[0]) if test.df == 1 else np.nan
    return replace(
        test,
        statistic=statistic,
        z=float(sign * np.sqrt(statistic)),
        p_value=p_value,
        p_low=p_value,
        p_high=p_value,
    )


def _score_test(test: LogRankTest, sample: ScoredSample, member: NDArray[np.bool_]) -> LogRankTest:
    """Refer the sums to the observed information, the last group being the standard."""
    information = sample.information(member[:, :-1])
    if np.linalg.eigvalsh(information)[0] <= SAME:
        return replace(test, why_undefined="the data carry no information about a difference")
    excess = np.array(test.excess[:-1])
    return _with_statistic(test, float(excess @ np.linalg.solve(information, excess)))


def _permutation_test(
    test: LogRankTest,
    score: NDArray[np.float64],
    member: NDArray[np.bool_],
    drawing: tuple[int, int | np.random.Generator | None],
) -> LogRankTest:
    """Refer the sums to their distribution over arrangements of the scores."""
    centred = score - score.mean()
    sizes = member.sum(axis=0)
    variance = float(centred @ centred) / (score.size - 1)
    statistic = float(np.sum((centred @ member) ** 2 / sizes) / variance)
    asymptotic = _with_statistic(test, statistic)
    if test.reference == "permutation":
        return asymptotic
    permutations, seed = drawing
    least = (statistic - SAME) * variance
    reached = _arrangements_reaching(least, centred, sizes, permutations, seed)
    limits = proportion(reached, permutations, method="clopper-pearson", level=0.99)
    p_value = (reached + 1) / (permutations + 1)
    return replace(asymptotic, p_value=p_value, p_low=limits.low, p_high=limits.high)


def _arrangements_reaching(
    least: float,
    centred: NDArray[np.float64],
    sizes: NDArray[np.intp],
    permutations: int,
    rng: int | np.random.Generator | None,
) -> int:
    """Count random arrangements whose sum of squares between groups is at least `least`."""
    generator = np.random.default_rng(rng)
    starts = np.concatenate(((0,), np.cumsum(sizes)[:-1]))
    reached, step = 0, max(1, CELLS_AT_ONCE // centred.size)
    for start in range(0, permutations, step):
        copies = np.tile(centred, (min(step, permutations - start), 1))
        sums = np.add.reduceat(generator.permuted(copies, axis=1), starts, axis=1)
        reached += int(np.sum(np.sum(sums**2 / sizes, axis=1) >= least))
    return reached
