"""The latent class model of readings, fitted to many weightings of the patterns at once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from imgtrack.stats.latent.constraints import Constraint, constrained_confusion

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from imgtrack.stats.latent.readings import Readings

# Share of the previous confusion kept as a count, so that a true category nobody has stays put.
INERTIA = 1e-9
# What stands for zero where logarithms or ratios are taken.
TINY = 1e-12
TOL = 1e-9
CYCLES = 2000
# Enough for a rate held to be exact to rounding; coarser ones keep EM from settling.
BISECTIONS = 60
# Shares of right readings to start from.
ACCURACIES = (0.95, 0.8, 0.65)


@dataclass(frozen=True, slots=True)
class Parameters:
    """Batches of parameters.

    Attributes
    ----------
    prevalence
        (b, s, K) shares of the true categories in each stratum.
    confusion
        (b, r, K, K) probability of each reading, by reader and true category.
    """

    prevalence: NDArray[np.float64]
    confusion: NDArray[np.float64]

    def take(self, rows: NDArray[np.intp] | NDArray[np.bool_]) -> Parameters:
        """Return some members of the batch."""
        return Parameters(self.prevalence[rows], self.confusion[rows])

    def put(self, rows: NDArray[np.intp] | NDArray[np.bool_], others: Parameters) -> None:
        """Overwrite some members of the batch."""
        self.prevalence[rows] = others.prevalence
        self.confusion[rows] = others.confusion


@dataclass(frozen=True, slots=True)
class Mixture:
    """The model, its assumption about errors, and which categories count as positive."""

    readings: Readings
    constraint: Constraint
    positive: NDArray[np.bool_]

    def rate(self, parameters: Parameters) -> NDArray[np.float64]:
        """Share of the subjects whose true category is positive, (b,)."""
        inside = parameters.prevalence[..., self.positive].sum(axis=-1)
        return np.asarray(inside @ self.readings.shares, dtype=np.float64)

    def fit(
        self,
        start: Parameters,
        counts: NDArray[np.float64],
        held: NDArray[np.float64] | None = None,
    ) -> tuple[Parameters, NDArray[np.float64]]:
        """Climb from `start` in every member of the batch, by EM with squared extrapolation.

        A cycle takes two EM steps, extrapolates them (Varadhan and Roland 2008), and keeps the
        extrapolated point only where it is at least as likely as the first step's; so the
        likelihood never falls and the constraint always holds.

        Parameters
        ----------
        start
            Batch of b parameters, none of them zero.
        counts
            (b, u) subjects with each pattern.
        held
            (b,) positive rates to hold; free when absent.

        Returns
        -------
        The parameters and their log-likelihoods, (b,).
        """
        best = self._allowed(start.prevalence, start.confusion, held)
        logliks = np.full(len(counts), -np.inf)
        active = np.arange(len(counts))
        for _ in range(CYCLES):
            hold = None if held is None else held[active]
            now = best.take(active)
            one, before = self._step(now, counts[active], hold)
            two, loglik = self._step(one, counts[active], hold)
            jump = self._allowed(*_extrapolated(now, one, two), hold)
            three, ahead = self._step(jump, counts[active], hold)
            two.put(ahead >= loglik, three.take(ahead >= loglik))
            best.put(active, two)
            logliks[active] = np.maximum(loglik, ahead)
            active = active[loglik - before > TOL]
            if not active.size:
                break
        return best, logliks

    def _allowed(
        self,
        prevalence: NDArray[np.float64],
        confusion: NDArray[np.float64],
        held: NDArray[np.float64] | None,
    ) -> Parameters:
        """Meet the constraint and the rates held, from positive tallies of any total."""
        if held is None:
            shares = prevalence / prevalence.sum(axis=-1, keepdims=True)
        else:
            shares = self._held_prevalence(prevalence, held)
        return Parameters(shares, constrained_confusion(confusion, self.constraint))

    def _step(
        self,
        now: Parameters,
        counts: NDArray[np.float64],
        held: NDArray[np.float64] | None,
    ) -> tuple[Parameters, NDArray[np.float64]]:
        """One EM step, and the log-likelihoods before it."""
        readings = self.readings
        joint = joint_probability(readings, now)
        total = joint.sum(axis=-1)
        loglik = np.sum(counts * np.log(np.where(counts > 0, total, 1.0)), axis=-1)
        expected = joint * (counts / np.where(total > 0, total, 1.0))[..., None]
        by_stratum = readings.stratum == np.arange(len(readings.strata))[:, None]
        sums = by_stratum.astype(np.float64) @ expected + TINY
        tallies = INERTIA * np.maximum(now.confusion, INERTIA)
        across = expected.swapaxes(1, 2)
        for column, reader in enumerate(readings.reader):
            tallies[:, reader] += across @ readings.chosen(column)
        return self._allowed(sums, tallies, held), loglik

    def _held_prevalence(
        self, sums: NDArray[np.float64], held: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Most likely prevalences whose positive shares average to the rate held."""
        shares = sums / sums.sum(axis=-1, keepdims=True)
        rates = held_rates(shares[..., self.positive].sum(axis=-1), self.readings.shares, held)
        prevalence = np.empty_like(sums)
        for inside, total in ((self.positive, rates), (~self.positive, 1 - rates)):
            part = np.maximum(shares[..., inside], TINY)
            prevalence[..., inside] = part / part.sum(axis=-1, keepdims=True) * total[..., None]
        return prevalence

    def starts(self) -> Parameters:
        """Start from careful, fair and poor readers, with few or many positives."""
        readings, size = self.readings, self.positive.size
        votes = sum(readings.chosen(at) for at in range(readings.reader.size))
        common = readings.counts @ np.asarray(votes) + 0.5
        rare = np.where(self.positive, 0.1, 1.0) * common
        many = np.where(self.positive, 10.0, 1.0) * common
        guesses = [(mix / mix.sum(), right) for mix in (common, rare, many) for right in ACCURACIES]
        strata, readers = len(readings.strata), len(readings.names)
        wrong = (1 - np.eye(size)) / (size - 1)
        return Parameters(
            np.array([np.tile(mix, (strata, 1)) for mix, _ in guesses]),
            np.array(
                [
                    np.tile(right * np.eye(size) + (1 - right) * wrong, (readers, 1, 1))
                    for _, right in guesses
                ]
            ),
        )


def _extrapolated(
    now: Parameters, one: Parameters, two: Parameters
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Follow two EM steps to where they are heading, kept positive."""
    first, second = _flat(one) - _flat(now), _flat(two) - _flat(one)
    bend = np.linalg.norm(second - first, axis=1)
    length = np.linalg.norm(first, axis=1) / np.where(bend > 0, bend, 1.0)
    reach = np.maximum(length, 1.0)[:, None]
    ahead = _flat(now) + 2 * reach * first + reach**2 * (second - first)
    split = now.prevalence[0].size
    kept = np.maximum(ahead, TINY)
    return kept[:, :split].reshape(now.prevalence.shape), kept[:, split:].reshape(
        now.confusion.shape
    )


def _flat(parameters: Parameters) -> NDArray[np.float64]:
    batch = len(parameters.prevalence)
    return np.concatenate(
        (parameters.prevalence.reshape(batch, -1), parameters.confusion.reshape(batch, -1)), axis=1
    )


def joint_probability(
    readings: Readings,
    parameters: Parameters,
    patterns: NDArray[np.intp] | None = None,
    stratum: NDArray[np.intp] | None = None,
) -> NDArray[np.float64]:
    """Probability of each pattern together with each true category, (b, u, K).

    Parameters
    ----------
    readings
        The design, and the patterns unless others are given.
    parameters
        Batch of b.
    patterns, stratum
        (u, c) and (u,) other patterns to evaluate.
    """
    patterns = readings.patterns if patterns is None else patterns
    stratum = readings.stratum if stratum is None else stratum
    joint = parameters.prevalence[:, stratum, :]
    unread = np.ones((*parameters.confusion.shape[:-1], 1))
    confusion = np.concatenate((parameters.confusion, unread), axis=-1)
    for column, reader in enumerate(readings.reader):
        read = confusion[:, reader][:, :, patterns[:, column]]
        joint = joint * read.swapaxes(1, 2)
    return joint


def held_rates(
    free: NDArray[np.float64], shares: NDArray[np.float64], held: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Binomial proportions nearest in likelihood to `free` whose weighted mean is held.

    Parameters
    ----------
    free
        (b, s) unconstrained proportions.
    shares
        (s,) share of the subjects in each stratum.
    held
        (b,) weighted means to hit.
    """
    if shares.size == 1:
        return held[:, None]
    low, high = np.full(held.size, -50.0), np.full(held.size, 50.0)
    for _ in range(BISECTIONS):
        middle = (low + high) / 2
        above = _pushed(free, middle) @ shares > held
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    return _pushed(free, (low + high) / 2)


def _pushed(free: NDArray[np.float64], push: NDArray[np.float64]) -> NDArray[np.float64]:
    """Proportions after a Lagrange multiplier pushes them down (positive) or up."""
    multiplier = (np.sign(push) * np.expm1(np.abs(push)))[:, None]
    linear = multiplier + 1
    root = np.sqrt(np.maximum(linear**2 - 4 * multiplier * free, 0.0))
    negative = np.minimum(multiplier, -1e-300)
    down = 2 * free / np.maximum(linear + root, 1e-300)
    pushed: NDArray[np.float64] = np.where(multiplier < 0, (linear - root) / (2 * negative), down)
    return pushed.clip(0.0, 1.0)
