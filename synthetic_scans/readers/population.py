"""What two simulated readers agree on in the long run, so that intervals can be checked.

An interval for kappa, AC1 or an intraclass correlation is right when it covers the value that
an endless study with the same readers and the same kind of scans would give. Here that value is
computed from a very large simulated study, with the error the simulation still has.

The coefficients are written here from their definitions and share no code with the programs
they are used to check: Cohen J, Educ Psychol Meas 1960;20:37-46; Gwet KL, Br J Math Stat
Psychol 2008;61:29-48; McGraw KO, Wong SP, Psychol Methods 1996;1:30-46.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from synthetic_scans.readers.people import (
    FULL_TEAR,
    LENGTHS,
    MUSCLES,
    SUGAYA_LEVELS,
    Answers,
    Cases,
    Floats,
    Ints,
    Reader,
    read_all,
)

DrawCases = Callable[[int, np.random.Generator], Cases]

BATCHES = 40


@dataclass(frozen=True, slots=True)
class LongRun:
    """A long-run value and the standard error the simulation leaves on it."""

    value: float
    se: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PopulationAgreement:
    """Long-run agreement of two readers on one kind of scans.

    Attributes
    ----------
    n
        Scans simulated.
    both_assessable
        Share of scans both readers could assess; everything below is among those.
    agreement, kappa, kappa_linear, kappa_quadratic, ac1
        For the five Sugaya types.
    retear_agreement, retear_kappa, retear_ac1
        For the dichotomy, types IV and V against I to III.
    icc_agreement, icc_consistency
        For each of `LENGTHS`, among scans where both readers measured it: the values that
        ICC(A,1) and ICC(C,1) approach for these two readers (McGraw and Wong).
    """

    n: int
    both_assessable: LongRun
    agreement: LongRun
    kappa: LongRun
    kappa_linear: LongRun
    kappa_quadratic: LongRun
    ac1: LongRun
    retear_agreement: LongRun
    retear_kappa: LongRun
    retear_ac1: LongRun
    icc_agreement: dict[str, LongRun]
    icc_consistency: dict[str, LongRun]


def population_agreement(
    first: Reader, second: Reader, draw_cases: DrawCases, *, seed: int, n: int = 400_000
) -> PopulationAgreement:
    """Return the long-run agreement of two readers.

    Parameters
    ----------
    first, second
        The readers; they read independently given the truth.
    draw_cases
        Function of a number and a generator that draws that many scans of the population.
    seed, n
        Of the simulation, and how many scans it has; at least ``40 * 50``.

    Notes
    -----
    Values are those of the pooled simulation, standard errors come from 40 equal batches.
    """
    size = n // BATCHES
    if size < 50:
        raise ValueError(f"n: expected at least {BATCHES * 50}, found {n}")
    rng = np.random.default_rng(seed)
    pairs: list[tuple[Answers, Answers]] = []
    for _ in range(BATCHES):
        cases = draw_cases(size, rng)
        pairs.append((read_all(first, cases, rng), read_all(second, cases, rng)))
    tables = np.stack([_joint(a.sugaya, b.sugaya) for a, b in pairs])
    readable = np.array([float(np.mean(a.assessable & b.assessable)) for a, b in pairs])
    torn = np.arange(1, 6) >= FULL_TEAR
    halves = np.stack([torn, ~torn]).astype(float)
    dichotomy = np.einsum("ri,bij,cj->brc", halves, tables, halves)
    measured = [_both_measured(a, b) for a, b in pairs]
    return PopulationAgreement(
        n=size * BATCHES,
        both_assessable=_long_run(float(readable.mean()), readable),
        agreement=_of_tables(tables, agreement),
        kappa=_of_tables(tables, kappa),
        kappa_linear=_of_tables(tables, lambda t: kappa(t, power=1)),
        kappa_quadratic=_of_tables(tables, lambda t: kappa(t, power=2)),
        ac1=_of_tables(tables, ac1),
        retear_agreement=_of_tables(dichotomy, agreement),
        retear_kappa=_of_tables(dichotomy, kappa),
        retear_ac1=_of_tables(dichotomy, ac1),
        icc_agreement=_of_lengths(measured, icc_agreement),
        icc_consistency=_of_lengths(measured, icc_consistency),
    )


def _joint(first: Ints, second: Ints) -> Floats:
    """Count pairs of types, shape (5, 5), scans either reader could not assess left out."""
    n_levels = len(SUGAYA_LEVELS)
    both = (first > 0) & (second > 0)
    flat = (first[both] - 1) * n_levels + second[both] - 1
    counts = np.bincount(flat, minlength=n_levels**2).reshape(n_levels, n_levels)
    return counts.astype(np.float64)


def _long_run(value: float, batches: Floats) -> LongRun:
    return LongRun(value, float(batches.std(ddof=1) / np.sqrt(len(batches))))


def _of_tables(tables: Floats, coefficient: Callable[[Floats], float]) -> LongRun:
    batches = np.array([coefficient(table) for table in tables])
    return _long_run(coefficient(tables.sum(axis=0)), batches)


def _both_measured(first: Answers, second: Answers) -> list[Floats]:
    """Return for each length an array (m, 2) of the scans on which both gave it."""
    both = [np.column_stack(pair) for pair in zip(first.lengths.T, second.lengths.T, strict=True)]
    return [values[~np.isnan(values).any(axis=1)] for values in both]


def _of_lengths(
    measured: list[list[Floats]], coefficient: Callable[[Floats], float]
) -> dict[str, LongRun]:
    found = {}
    for column, name in enumerate(LENGTHS):
        batches = [batch[column] for batch in measured]
        values = np.array([coefficient(batch) for batch in batches])
        found[name] = _long_run(coefficient(np.concatenate(batches)), values)
    return found


def agreement(table: Floats) -> float:
    """Return the share of pairs on the diagonal of a table of counts, shape (q, q)."""
    return float(np.trace(table) / table.sum())


def kappa(table: Floats, *, power: float = 0) -> float:
    """Return Cohen's kappa of a table of counts, shape (q, q).

    Disagreement of levels i and j weighs ``abs(i - j) ** power``: 0 unweighted, 1 linear,
    2 quadratic. NaN when both readers use the same single level.
    """
    shares = table / table.sum()
    level = np.arange(len(table), dtype=float)
    apart = np.abs(level[:, None] - level)
    weight = np.where(apart > 0, apart**power, 0.0)
    by_chance = np.outer(shares.sum(axis=1), shares.sum(axis=0))
    expected = float((weight * by_chance).sum())
    return 1.0 - float((weight * shares).sum()) / expected if expected > 0 else float("nan")


def ac1(table: Floats) -> float:
    """Return Gwet's AC1 of a table of counts, shape (q, q), all q levels counted as declared."""
    shares = table / table.sum()
    mean_share = (shares.sum(axis=1) + shares.sum(axis=0)) / 2
    by_chance = float((mean_share * (1 - mean_share)).sum() / (len(table) - 1))
    return (float(np.trace(shares)) - by_chance) / (1 - by_chance)


def icc_agreement(values: Floats) -> float:
    """Return ICC(A,1), two-way, absolute agreement, single reading; values (n, k), complete."""
    n, k = values.shape
    rows, columns, error = _mean_squares(values)
    return float((rows - error) / (rows + (k - 1) * error + k / max(n, 1) * (columns - error)))


def icc_consistency(values: Floats) -> float:
    """Return ICC(C,1), two-way, consistency, single reading; values (n, k), complete."""
    rows, _, error = _mean_squares(values)
    return float((rows - error) / (rows + (values.shape[1] - 1) * error))


def _mean_squares(values: Floats) -> tuple[float, float, float]:
    """Return the mean squares of subjects, readers and residual of a complete table (n, k)."""
    n, k = values.shape
    if n < 2:
        return float("nan"), float("nan"), float("nan")
    centred = values - values.mean()
    subject, reader = centred.mean(axis=1), centred.mean(axis=0)
    residual = centred - subject[:, None] - reader
    return (
        float(k * (subject**2).sum() / (n - 1)),
        float(n * (reader**2).sum() / (k - 1)),
        float((residual**2).sum() / ((n - 1) * (k - 1))),
    )


TYPICAL_SHARES = (0.20, 0.40, 0.12, 0.12, 0.16)
TYPICAL_METAL_SHARE = 0.2


def typical_cases(n: int, rng: np.random.Generator) -> Cases:
    """Draw n made-up follow-up scans without any phantom, for simulations of agreement.

    Shares of the types, sizes of gaps and thicknesses are invented; a fifth of the scans has
    metal over part of the tendon, and the scans fall evenly into two years.
    """
    sugaya = 1 + rng.choice(5, size=n, p=TYPICAL_SHARES)
    torn = sugaya >= FULL_TEAR
    width = np.where(sugaya == 5, rng.uniform(8.0, 34.0, n), rng.uniform(3.0, 8.0, n))
    retraction = width * rng.uniform(0.6, 1.2, n)
    thickness = np.where(sugaya == 3, rng.normal(2.1, 0.3, n), rng.normal(5.2, 0.8, n))
    lengths = np.column_stack((width, retraction, retraction * 1.06, thickness))
    lengths[~torn, :3] = np.nan
    lengths[torn, 3] = np.nan
    slices = np.rint(lengths[:, [1, 0]] / 3.3)
    fat = rng.binomial(4, 0.2 + 0.2 * torn[:, None], size=(n, len(MUSCLES)))
    return Cases(
        sugaya=sugaya,
        pattern=np.where(torn, rng.choice((1, 2), size=n), 0),
        patte=np.where(torn, 1 + (retraction > 14) + (retraction > 28), 0),
        fatty=fat,
        tangent=fat[:, 0] >= 3,
        occupation_ratio=np.clip(0.8 - 0.12 * fat[:, 0] + rng.normal(0, 0.05, n), 0.1, 1.0),
        lengths=lengths,
        gap_slices=np.where(torn[:, None], np.maximum(np.nan_to_num(slices), 1), 0).astype(int),
        metal=np.where(rng.random(n) < TYPICAL_METAL_SHARE, rng.uniform(0.4, 1.0, n), 0.0),
        day=rng.uniform(0, 730, n),
    )
