"""Latent class analysis: what it must satisfy, when it must refuse, and its intervals."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import minimize

from imgtrack.domain.errors import InvalidInput
from imgtrack.stats.latent import latent_truth
from imgtrack.stats.latent.constraints import constrained_confusion
from imgtrack.stats.latent.mixture import held_rates

ACCURACY = ((0.85, 0.95), (0.8, 0.9), (0.9, 0.92))
BINARY = {"categories": (0, 1), "positive": (1,)}
RATIO = {**BINARY, "interval": "likelihood-ratio"}
DRAWN = {**BINARY, "rng": 3, "replicates": 300}


def readings(n, rate, seed, accuracy=ACCURACY):
    rng = np.random.default_rng(seed)
    truth = rng.random(n) < rate
    chance = np.array([np.where(truth, right, 1 - wrong) for right, wrong in accuracy]).T
    return (rng.random(chance.shape) < chance).astype(int)


def graded(n, seed, readers=3, accuracy=0.75):
    """Three grades; wrong readings go to a neighbour."""
    rng = np.random.default_rng(seed)
    truth = rng.choice(3, n, p=[0.5, 0.3, 0.2])
    confusion = np.array([[1, 0, 0], [0.5, 0, 0.5], [0, 0, 1]]) * (1 - accuracy)
    confusion[1, 1] = confusion[0, 0] = confusion[2, 2] = accuracy
    confusion[0, 1] = confusion[2, 1] = 1 - accuracy
    seen = [[rng.choice(3, p=confusion[grade]) for grade in truth] for _ in range(readers)]
    return np.array(seen).T


def multinomial_maximum(counts, bounds):
    """Most likely distributions under inequality constraints, by a general optimiser."""
    size = len(counts)
    start = np.full((size, size), 1 / size)
    found = minimize(
        lambda p: -np.sum(counts * np.log(np.maximum(p.reshape(size, size), 1e-9))),
        start.ravel(),
        method="SLSQP",
        bounds=[(1e-9, 1)] * size**2,
        constraints=[
            {"type": "eq", "fun": lambda p: p.reshape(size, size).sum(axis=1) - 1},
            {"type": "ineq", "fun": lambda p: bounds(p.reshape(size, size))},
        ],
        options={"maxiter": 500, "ftol": 1e-12},
    )
    return found.x.reshape(size, size)


def stopping(p):
    """P(read = l | read >= l) never rises with the true category."""
    left = p[:, ::-1].cumsum(axis=1)[:, ::-1]
    return -np.diff((p / left)[:, :-1], axis=0).ravel()


def on_diagonal(p):
    return (np.diag(p)[:, None] - p).ravel()


@pytest.mark.parametrize(
    ("constraint", "bounds"), [("monotone", stopping), ("better-than-chance", on_diagonal)]
)
@pytest.mark.parametrize("seed", range(4))
def test_constraints_give_the_most_likely_confusion(constraint, bounds, seed):
    """Against a general constrained optimiser on the multinomial likelihood."""
    counts = np.random.default_rng(seed).integers(1, 30, (3, 3)).astype(float)
    found = constrained_confusion(counts, constraint)
    other = multinomial_maximum(counts, bounds)
    np.testing.assert_allclose(found.sum(axis=1), 1)
    assert bounds(found).min() > -1e-9
    value, best = (np.sum(counts * np.log(p)) for p in (found, other))
    assert value >= best - 1e-6
    np.testing.assert_allclose(found, other, atol=2e-3)


def test_held_rates_meet_their_mean_at_the_highest_likelihood():
    """Against a general optimiser, with rates at the edges too."""
    free, shares = np.array([[0.2, 0.6, 0.0], [0.1, 0.9, 1.0]]), np.array([0.5, 0.3, 0.2])
    for held in (0.15, 0.4, 0.8):
        found = held_rates(free, shares, np.full(2, held))
        np.testing.assert_allclose(found @ shares, held, atol=1e-12)
        for proportions, rates in zip(free, found, strict=True):
            other = minimize(
                lambda r, p=proportions: (
                    -np.sum(shares * (p * np.log(r) + (1 - p) * np.log(1 - r)))
                ),
                np.full(3, held),
                bounds=[(1e-9, 1 - 1e-9)] * 3,
                constraints={"type": "eq", "fun": lambda r, h=held: r @ shares - h},
                method="SLSQP",
                options={"ftol": 1e-14},
            )
            np.testing.assert_allclose(rates, other.x, atol=2e-4)


def test_three_readers_reproduce_the_observed_patterns():
    """Seven parameters, seven degrees of freedom: the fit is the multinomial one."""
    seen = readings(400, 0.3, 1)
    found = latent_truth(seen, **RATIO)
    counts = np.unique(seen, axis=0, return_counts=True)[1]
    assert found.parameters == found.rank == 7
    assert found.loglik == pytest.approx(np.sum(counts * np.log(counts / 400)), abs=1e-4)
    assert np.nanmax(np.abs(found.excess_agreement)) < 1e-3
    assert found.rate.low < found.rate.estimate < found.rate.high
    for reader, (sensitivity, specificity) in zip(found.readers, ACCURACY, strict=True):
        assert reader.sensitivity.estimate == pytest.approx(sensitivity, abs=0.12)
        assert reader.specificity.estimate == pytest.approx(specificity, abs=0.06)
        assert reader.sensitivity.why_no_interval == "limits for a reader come with the bootstrap"


def test_the_rate_is_nearer_to_the_truth_than_any_reader():
    found = latent_truth(readings(20_000, 0.1, 5), **RATIO)
    raw = [reader.raw_rate for reader in found.readers]
    assert found.rate.estimate == pytest.approx(0.1, abs=0.01)
    assert min(abs(rate - 0.1) for rate in raw) > 0.01


def test_order_names_and_copies_do_not_matter():
    seen = readings(150, 0.3, 2)
    found = latent_truth(seen, **RATIO)
    order = np.random.default_rng(0).permutation(150)
    turned = latent_truth(seen[order][:, [2, 0, 1]], **RATIO)
    assert turned.rate.estimate == pytest.approx(found.rate.estimate, abs=1e-4)
    assert turned.rate.low == pytest.approx(found.rate.low, abs=1e-3)
    np.testing.assert_allclose(turned.posterior, found.posterior[order], atol=1e-3)
    words = np.array(["intact", "torn"], dtype=object)[seen]
    named = latent_truth(
        pd.DataFrame(words, columns=["A", "B", "C"]),
        categories=("intact", "torn"),
        positive=("torn",),
        interval="likelihood-ratio",
    )
    assert named.rate.estimate == pytest.approx(found.rate.estimate, abs=1e-6)
    assert [reader.reader for reader in named.readers] == ["A", "B", "C"]
    mirrored = latent_truth(1 - seen, categories=(0, 1), positive=(0,), interval="likelihood-ratio")
    assert mirrored.rate.estimate == pytest.approx(found.rate.estimate, abs=1e-4)
    doubled = latent_truth(np.tile(seen, (2, 1)), **RATIO)
    assert doubled.rate.estimate == pytest.approx(found.rate.estimate, abs=1e-4)
    widths = [part.rate.high - part.rate.low for part in (doubled, found)]
    assert widths[0] == pytest.approx(widths[1] / np.sqrt(2), rel=0.15)


def test_perfect_readers_leave_a_plain_proportion():
    seen = np.repeat(np.repeat([0, 1], [45, 15])[:, None], 3, axis=1)
    found = latent_truth(seen, **DRAWN)
    assert found.rate.estimate == pytest.approx(0.25, abs=1e-6)
    assert found.rate.se == pytest.approx(np.sqrt(0.25 * 0.75 / 60), rel=0.15)
    assert found.readers[0].sensitivity.estimate == pytest.approx(1, abs=1e-6)
    assert found.readers[0].sensitivity.why_no_interval == "every resample gives the same value"


def test_grades_are_dichotomised_after_the_correction():
    seen = graded(500, 3)
    found = latent_truth(seen, categories=(0, 1, 2), positive=(2,), interval="likelihood-ratio")
    assert found.parameters == found.rank == 20
    assert found.rate.estimate == pytest.approx(0.2, abs=0.05)
    assert found.prevalence[0, 2] == pytest.approx(found.rate.estimate)
    for reader in found.readers:
        np.testing.assert_allclose(reader.confusion.sum(axis=1), 1)
        assert stopping(reader.confusion).min() > -1e-6
    assert found.posterior.shape == (500, 3)


@pytest.mark.parametrize(
    ("columns", "names", "counts"),
    [
        ([0], None, (3, 1)),
        ([0, 1], None, (5, 3)),
        ([0, 1], ["same", "same"], (3, 2)),
    ],
)
def test_too_few_readings_are_refused(columns, names, counts):
    """Degrees of freedom counted by hand: patterns minus one, alike readers being exchangeable."""
    found = latent_truth(readings(200, 0.3, 1)[:, columns], readers=names, **DRAWN)
    assert (found.parameters, found.rank) == counts
    assert not found.defined
    assert np.isnan(found.rate.estimate)
    assert "not identifiable" in found.rate.why_undefined
    assert found.posterior is None


def test_two_readers_of_three_grades_are_refused():
    found = latent_truth(graded(300, 1)[:, :2], categories=(0, 1, 2), positive=(2,), rng=1)
    assert (found.parameters, found.rank) == (14, 8)
    assert not found.defined


def test_two_readers_and_strata_that_differ_are_enough():
    """Hui and Walter: six parameters, six degrees of freedom."""
    accuracy = ACCURACY[:2]
    seen = np.concatenate((readings(400, 0.1, 1, accuracy), readings(400, 0.5, 2, accuracy)))
    strata = np.repeat(["small", "large"], 400)
    found = latent_truth(seen, strata=strata, **RATIO)
    assert found.parameters == found.rank == 6
    assert found.strata == ("small", "large")
    np.testing.assert_allclose(found.prevalence[:, 1], [0.1, 0.5], atol=0.08)
    assert found.rate.estimate == pytest.approx(found.prevalence[:, 1].mean())
    assert found.rate.low < 0.3 < found.rate.high


def test_two_readers_and_strata_alike_lie_on_a_ridge():
    """The counts suffice, these data do not: both strata have the same table."""
    cells = np.repeat([[1, 1], [1, 0], [0, 1], [0, 0]], [30, 10, 12, 48], axis=0)
    found = latent_truth(np.tile(cells, (2, 1)), strata=np.repeat([1, 2], 100), **RATIO)
    assert found.rank == 6
    assert "fit equally well" in found.rate.why_undefined


def test_no_positive_reading_is_a_ridge_unless_readers_beat_chance():
    """Rate zero, or any rate with sensitivity zero; the second needs a reader worse than chance."""
    seen = np.zeros((60, 3), dtype=int)
    assert "fit equally well" in latent_truth(seen, **DRAWN).rate.why_undefined
    found = latent_truth(seen, constraint="better-than-chance", **RATIO)
    assert found.rate.estimate == pytest.approx(0, abs=1e-6)
    assert 0.01 < found.rate.high < 0.1
    side = found.readers[0].sensitivity
    assert side.why_undefined == "no subject is truly on this side of the cut"
    drawn = latent_truth(seen, constraint="better-than-chance", **DRAWN)
    assert drawn.rate.why_no_interval == "every resample gives the same value"
    mirrored = latent_truth(1 - seen, constraint="better-than-chance", **RATIO)
    assert mirrored.rate.high == 1
    assert mirrored.rate.low == pytest.approx(1 - found.rate.high, abs=1e-3)


def test_repeat_readings_share_a_reader():
    seen = readings(300, 0.3, 5, (*ACCURACY[:2], *ACCURACY[:2]))
    found = latent_truth(seen, readers=["A", "B", "A", "B"], **RATIO)
    assert found.parameters == found.rank == 5
    assert [reader.reader for reader in found.readers] == ["A", "B"]
    assert found.readers[0].raw_rate == pytest.approx(seen[:, [0, 2]].mean())
    assert found.rate.low < 0.3 < found.rate.high


def test_missing_readings_are_ignored():
    seen = readings(600, 0.3, 6).astype(float)
    whole = latent_truth(seen, **RATIO)
    gaps = np.where(np.random.default_rng(60).random(seen.shape) < 0.1, np.nan, seen)
    gaps[:2] = np.nan
    unread = np.isnan(gaps).all(axis=1)
    found = latent_truth(gaps, **RATIO)
    assert found.rate.n_excluded == unread.sum() >= 2
    np.testing.assert_array_equal(np.isnan(found.posterior).all(axis=1), unread)
    assert found.rate.estimate == pytest.approx(whole.rate.estimate, abs=0.02)


def test_readers_who_never_meet_can_be_compared_through_others():
    seen = readings(400, 0.3, 10, (*ACCURACY, ACCURACY[0])).astype(float)
    seen[:200, 0], seen[200:, 3] = np.nan, np.nan
    found = latent_truth(seen, **RATIO)
    assert found.defined
    assert np.isnan(found.excess_agreement[0, 3])
    assert np.isfinite(found.excess_agreement[0, 1])
    # With the others gone as well, nothing tells them apart.
    alone = latent_truth(seen[:, [0, 3]], **RATIO)
    assert alone.rank == 2
    assert not alone.defined


def test_dependent_errors_show_as_excess_agreement():
    """Two of four readers copy each other; the model takes them for the truth, others pay."""
    seen = readings(600, 0.3, 7, (*ACCURACY, (0.8, 0.9)))
    seen[:, 3] = seen[:, 1]
    found = latent_truth(seen, **RATIO)
    assert found.parameters == 9
    assert np.nanmax(found.excess_agreement) > 0.05
    independent = latent_truth(readings(600, 0.3, 7, (*ACCURACY, (0.8, 0.9))), **RATIO)
    assert np.nanmax(independent.excess_agreement) < 0.02
    assert "independently" in found.caution


def test_bootstrap_is_seeded_and_resamples_whole_patients():
    seen = np.repeat(readings(90, 0.3, 8), 2, axis=0)
    plain, again = latent_truth(seen, **DRAWN), latent_truth(seen, **DRAWN)
    assert (plain.rate.low, plain.rate.high) == (again.rate.low, again.rate.high)
    paired = latent_truth(seen, clusters=np.arange(180) // 2, **DRAWN)
    assert paired.rate.estimate == plain.rate.estimate
    assert paired.rate.se == pytest.approx(np.sqrt(2) * plain.rate.se, rel=0.25)
    reader = paired.readers[0].specificity
    assert reader.low < reader.estimate <= reader.high


def test_the_size_of_a_block_does_not_matter(monkeypatch):
    from imgtrack.stats.latent import analysis

    seen = readings(90, 0.3, 8)
    whole = latent_truth(seen, **DRAWN)
    monkeypatch.setattr(analysis, "CELLS_AT_ONCE", 700)
    parts = latent_truth(seen, **DRAWN)
    assert parts.rate.low == pytest.approx(whole.rate.low, abs=1e-9)
    assert parts.readers[1].sensitivity.high == pytest.approx(
        whole.readers[1].sensitivity.high, abs=1e-9
    )


def test_a_search_cut_short_stays_below_the_maximum(monkeypatch):
    from imgtrack.stats.latent import mixture

    seen = readings(90, 0.3, 8)
    whole = latent_truth(seen, **RATIO)
    monkeypatch.setattr(mixture, "CYCLES", 2)
    short = latent_truth(seen, **RATIO)
    assert short.loglik < whole.loglik


def test_bootstrap_and_likelihood_ratio_roughly_agree():
    seen = readings(300, 0.3, 9)
    drawn, ratio = latent_truth(seen, **DRAWN).rate, latent_truth(seen, **RATIO).rate
    assert drawn.estimate == pytest.approx(ratio.estimate)
    assert drawn.low == pytest.approx(ratio.low, abs=0.03)
    assert drawn.high == pytest.approx(ratio.high, abs=0.03)


def test_many_readers_are_examined_on_a_sample_of_patterns():
    """Five grades, six readers: 15,625 possible patterns."""
    from imgtrack.stats.latent.identify import examine
    from imgtrack.stats.latent.mixture import Mixture
    from imgtrack.stats.latent.readings import count_patterns

    seen = np.random.default_rng(1).integers(0, 5, (40, 6))
    model = Mixture(count_patterns(seen, range(5), None, None), "monotone", np.arange(5) > 2)
    design = examine(model)
    assert design.parameters == design.rank == 4 + 6 * 20
    assert design.rate_determined


@pytest.mark.parametrize("seen", [np.empty((0, 3)), np.full((4, 3), np.nan)])
def test_no_reading_gives_a_reason(seen):
    found = latent_truth(seen, **DRAWN)
    assert found.rate.why_undefined == "no reading"
    assert found.rate.n_excluded == len(seen)


def test_one_subject_says_nothing():
    assert "not identifiable" in latent_truth([[0, 1, 1]], **DRAWN).rate.why_undefined


@pytest.mark.parametrize(
    ("arguments", "wheres"),
    [
        (
            {"constraint": "none", "interval": "wald", "level": 1},
            ["constraint", "interval", "level"],
        ),
        ({"replicates": 1, "rng": None}, ["replicates", "rng"]),
        ({"positive": (0, 1)}, ["positive"]),
        ({"positive": ()}, ["positive"]),
        ({"positive": (7,)}, ["positive"]),
        ({"clusters": [1, 2], "interval": "likelihood-ratio"}, ["clusters"]),
        ({"clusters": [1]}, ["clusters"]),
        ({"clusters": [1, None]}, ["clusters"]),
        ({"categories": (1, 1), "positive": (1,)}, ["positive"]),
        ({"categories": (0, 1, 1)}, ["categories"]),
        ({"categories": (1, 2)}, ["ratings"]),
        ({"readers": ["A"]}, ["readers"]),
        ({"strata": ["A"]}, ["strata"]),
        ({"strata": ["A", None]}, ["strata"]),
    ],
)
def test_impossible_arguments_are_refused(arguments, wheres):
    usual = {"ratings": [[0, 1, 1], [0, 0, 1]], **DRAWN}
    with pytest.raises(InvalidInput) as caught:
        latent_truth(**{**usual, **arguments})
    assert [fault.where for fault in caught.value.faults] == wheres


@pytest.mark.nightly
@pytest.mark.parametrize("interval", ["bootstrap", "likelihood-ratio"])
def test_coverage_is_nominal(interval):
    hits = 0
    for seed in range(500):
        rate = latent_truth(readings(150, 0.3, seed), **{**DRAWN, "interval": interval}).rate
        hits += rate.low <= 0.3 <= rate.high
    assert 0.92 <= hits / 500 <= 0.98
