"""Log-rank tests: ordinary tests as special cases, symmetry, references, refusals."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import chi2, mannwhitneyu

from imgtrack.domain.errors import InvalidInput
from imgtrack.stats.intervals import logrank

SCORES = ("sun", "finkelstein", "wilcoxon")


def sample(n=80, seed=0, shift=0.6, groups=2):
    rng = np.random.default_rng(seed)
    group = rng.integers(0, groups, n)
    event = rng.exponential(200 * np.exp(-shift * group))
    left = np.floor(event / 60) * 60
    right = np.where(rng.random(n) < 0.3, np.inf, left + 60)
    return left, right, group


@pytest.mark.parametrize("scores", SCORES)
@pytest.mark.parametrize("reference", ["permutation", "score"])
def test_names_and_order_of_groups_do_not_matter(scores, reference):
    left, right, group = sample()
    test = logrank(left, right, group, scores=scores, reference=reference)
    named = np.where(group == group[0], "same", "other")
    order = np.random.default_rng(1).permutation(left.size)
    other = logrank(left[order], right[order], named[order], scores=scores, reference=reference)
    assert other.statistic == pytest.approx(test.statistic, rel=1e-5)
    assert other.p_value == pytest.approx(chi2.sf(other.statistic, 1))
    assert abs(test.z) == pytest.approx(np.sqrt(test.statistic))
    flip = 1 if other.groups[0] == "same" else -1
    assert flip * other.z == pytest.approx(test.z, rel=1e-5)
    assert sum(test.excess) == pytest.approx(0, abs=1e-5)
    assert sum(test.sizes) == test.n_used == left.size


def test_sun_scores_of_exact_times_are_observed_minus_expected():
    """The ordinary log-rank numerator, counted from the numbers at risk."""
    rng = np.random.default_rng(3)
    group, event, censoring = (
        rng.integers(0, 2, 60),
        rng.integers(1, 25, 60),
        rng.integers(5, 40, 60),
    )
    time, seen = np.minimum(event, censoring), event <= censoring
    difference = 0.0
    for at in np.unique(time[seen]):
        dead, risk = (time == at) & seen, time >= at
        difference += np.sum(dead & (group == group[0]))
        difference -= np.sum(risk & (group == group[0])) * dead.sum() / risk.sum()
    test = logrank(time, np.where(seen, time, np.inf), group)
    assert test.excess[0] == pytest.approx(difference, abs=1e-6)


def test_wilcoxon_scores_of_exact_times_are_mann_whitney():
    """scipy as oracle: without ties the permutation statistic is the rank sum's."""
    rng = np.random.default_rng(5)
    time, group = rng.exponential(1, 40), np.repeat([0, 1], 20)
    test = logrank(time, time, group, scores="wilcoxon")
    other = mannwhitneyu(
        time[group == 0], time[group == 1], use_continuity=False, method="asymptotic"
    )
    assert test.p_value == pytest.approx(other.pvalue, rel=1e-6)


@pytest.mark.parametrize("scores", SCORES)
def test_three_groups_have_two_degrees_of_freedom(scores):
    left, right, group = sample(150, 2, 0.5, 3)
    permutation = logrank(left, right, group, scores=scores)
    score = logrank(left, right, group, scores=scores, reference="score")
    assert permutation.df == score.df == 2
    assert np.isnan(permutation.z)
    assert score.statistic == pytest.approx(permutation.statistic, rel=0.35)
    turned = logrank(left, right, 2 - group, scores=scores, reference="score")
    assert turned.statistic == pytest.approx(score.statistic, rel=1e-6)


def test_random_arrangements_agree_with_the_normal_limit():
    left, right, group = sample(60, 6, 0.35)
    limit = logrank(left, right, group)
    drawn = logrank(left, right, group, reference="monte-carlo", rng=2, permutations=4000)
    again = logrank(left, right, group, reference="monte-carlo", rng=2, permutations=4000)
    assert drawn.p_value == again.p_value
    assert drawn.p_low <= drawn.p_value <= drawn.p_high
    assert drawn.p_low - 0.02 <= limit.p_value <= drawn.p_high + 0.02
    assert drawn.statistic == limit.statistic


def test_every_arrangement_at_least_as_extreme_gives_p_one():
    test = logrank([0, 0, 1, 1], [1, 1, 2, 2], [1, 2, 1, 2], reference="monte-carlo", rng=1)
    assert test.statistic == pytest.approx(0, abs=1e-12)
    assert test.p_value == test.p_high == 1


def test_rows_without_bounds_or_group_are_left_out():
    left, right, group = sample()
    labels = group.astype(object)
    labels[3], labels[5] = None, np.nan
    right[7] = np.nan
    kept = np.ones(left.size, dtype=bool)
    kept[[3, 5, 7]] = False
    test = logrank(left, right, labels)
    other = logrank(left[kept], right[kept], group[kept])
    assert test.n_excluded == 3
    assert test.z == pytest.approx(other.z)


@pytest.mark.parametrize(
    ("left", "right", "group", "reason"),
    [
        ([], [], [], "fewer than two groups"),
        ([0, 1], [1, 2], ["a", "a"], "fewer than two groups"),
        ([0, 0, 0], [5, 5, 5], ["a", "b", "b"], "every row has the same score"),
        ([3, 6, 9], [np.inf] * 3, ["a", "b", "b"], "every row has the same score"),
    ],
)
def test_degenerate_data_give_a_reason(left, right, group, reason):
    test = logrank(left, right, group)
    assert not test.defined
    assert test.why_undefined == reason
    assert np.isnan(test.p_value)


def test_a_score_test_without_information_gives_a_reason():
    """The only member of the second group could have had the event anywhere."""
    test = logrank(
        [0, 2, 0], [2, np.inf, 3], ["a", "a", "b"], scores="finkelstein", reference="score"
    )
    assert test.why_undefined == "the data carry no information about a difference"


@pytest.mark.parametrize(
    ("arguments", "wheres"),
    [
        ({"scores": "gehan", "reference": "exact"}, ["scores", "reference"]),
        ({"reference": "monte-carlo", "permutations": 0}, ["permutations", "rng"]),
    ],
)
def test_impossible_arguments_are_refused(arguments, wheres):
    with pytest.raises(InvalidInput) as caught:
        logrank([0, 1], [1, 2], ["a", "b"], **arguments)
    assert [fault.where for fault in caught.value.faults] == wheres


def test_a_label_for_every_row_is_needed():
    with pytest.raises(InvalidInput):
        logrank([0, 1], [1, 2], ["a"])
