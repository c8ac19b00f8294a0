"""Whether readings of a given design can determine the model at all."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING

import numpy as np

from imgtrack.stats.latent.mixture import Parameters, joint_probability

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from imgtrack.stats.latent.mixture import Mixture
    from imgtrack.stats.latent.readings import Readings

# Patterns examined per stratum and set of columns; more than enough to span the parameters.
CELLS = 4096
RANK_TOL = 1e-9
SPAN_TOL = 1e-6


@dataclass(frozen=True, slots=True)
class Design:
    """What a design can determine, at almost every value of the parameters.

    Attributes
    ----------
    parameters
        Free parameters.
    rank
        How many independent functions of them the pattern probabilities reveal.
    rate_determined
        Whether the positive rate is one of those functions.
    """

    parameters: int
    rank: int
    rate_determined: bool


def examine(mixture: Mixture) -> Design:
    """Rank of the pattern probabilities' derivatives at a generic point (Goodman 1974)."""
    readings = mixture.readings
    size, strata, readers = readings.size, len(readings.strata), len(readings.names)
    # Any generic point would do; a fixed one keeps the answer the same.
    rng = np.random.default_rng(0)
    prevalence = rng.dirichlet(np.full(size, 5.0), strata)
    noise = rng.dirichlet(np.full(size, 5.0), (readers, size))
    confusion = 0.6 * np.eye(size) + 0.4 * noise
    derivatives = _derivatives(mixture, prevalence, confusion, *_cells(readings, rng))
    positive = mixture.positive
    inside = prevalence[:, positive].sum(axis=1, keepdims=True)
    slope = np.zeros(derivatives.shape[1])
    change = readings.shares[:, None] * prevalence * (positive - inside)
    slope[: change.size] = change.ravel()
    triangle = np.linalg.qr(derivatives / np.linalg.norm(derivatives), mode="r")
    _, singular, directions = np.linalg.svd(triangle, full_matrices=False)
    known = directions[singular > RANK_TOL * singular[0]]
    rest = slope - known.T @ (known @ slope)
    return Design(
        parameters=strata * (size - 1) + readers * size * (size - 1),
        rank=len(known),
        rate_determined=bool(np.linalg.norm(rest) < SPAN_TOL * np.linalg.norm(slope)),
    )


def _cells(
    readings: Readings, rng: np.random.Generator
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Every pattern that could have occurred: the columns seen together, in each stratum."""
    seen = np.column_stack((readings.patterns < readings.size, readings.stratum))
    patterns, strata = [], []
    for row in np.unique(seen, axis=0):
        columns = np.flatnonzero(row[:-1])
        if readings.size**columns.size <= CELLS:
            values = np.array(list(product(range(readings.size), repeat=columns.size)))
        else:
            values = rng.integers(readings.size, size=(CELLS, columns.size))
        cells = np.full((len(values), row.size - 1), readings.size)
        cells[:, columns] = values
        patterns.append(cells)
        strata.append(np.full(len(values), row[-1]))
    return np.concatenate(patterns), np.concatenate(strata)


def _derivatives(
    mixture: Mixture,
    prevalence: NDArray[np.float64],
    confusion: NDArray[np.float64],
    patterns: NDArray[np.intp],
    stratum: NDArray[np.intp],
) -> NDArray[np.float64]:
    """Differentiate the patterns' log-probabilities in the logits of every distribution."""
    readings = mixture.readings
    joint = joint_probability(
        readings, Parameters(prevalence[None], confusion[None]), patterns, stratum
    )[0]
    share = joint / joint.sum(axis=1, keepdims=True)
    member = (stratum[:, None] == np.arange(len(prevalence)))[..., None]
    in_prevalence = member * (share[:, None, :] - prevalence)
    in_confusion = np.zeros((len(patterns), *confusion.shape))
    for column, reader in enumerate(readings.reader):
        read = patterns[:, column]
        chosen = (read[:, None] == np.arange(readings.size)).astype(np.float64)
        surprise = chosen[:, None, :] - confusion[reader]
        seen = (read < readings.size)[:, None, None]
        in_confusion[:, reader] += seen * share[..., None] * surprise
    flat = (in_prevalence.reshape(len(patterns), -1), in_confusion.reshape(len(patterns), -1))
    return np.concatenate(flat, axis=1)
