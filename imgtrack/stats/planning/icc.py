"""Subjects and readers for an intraclass correlation."""

from __future__ import annotations

import math

from scipy.special import ndtri

from imgtrack.stats.arguments import count_faults, level_faults, raise_faults
from imgtrack.stats.planning.design import (
    Sides,
    below_faults,
    different_faults,
    power_faults,
    quantiles,
)
from imgtrack.stats.planning.sizes import (
    NO_INFLATION,
    Inflation,
    SampleSize,
    round_up,
    sample_size,
)


def size_for_icc_test(
    null: float,
    icc: float,
    *,
    readers: int = 2,
    power: float = 0.8,
    alpha: float = 0.05,
    sides: Sides = 1,
    inflation: Inflation = NO_INFLATION,
) -> SampleSize:
    """Return the subjects needed to show that an intraclass correlation is above a null value.

    Parameters
    ----------
    null, icc
        Correlation to be rejected and correlation expected, 0 <= null < icc < 1.
    readers
        Measurements of every subject, 2 or more.
    power, alpha, sides
        Of the F test; one-sided by default, as in the source.
    inflation
        Attrition and clustering.

    Returns
    -------
    SampleSize
        Walter, Eliasziw and Donner (Stat Med 1998;17:101-10), one-way single-measurement form.

    Raises
    ------
    InvalidInput
        Values out of range, or a null value that is not below `icc`.
    """
    raise_faults(
        ([] if null == 0.0 else level_faults(null, where="null"))
        + level_faults(icc, where="icc")
        + count_faults("readers", readers, at_least=2)
        + different_faults("icc", icc, null)
        + below_faults("null", null, icc)
        + power_faults(power, alpha, sides)
    )
    z_alpha, z_power = quantiles(power, alpha, sides)
    ratio = (1.0 + readers * _odds(null)) / (1.0 + readers * _odds(icc))
    spread = 2.0 * (z_alpha + z_power) ** 2 * readers
    unrounded = 1.0 + spread / (math.log(ratio) ** 2 * (readers - 1.0))
    return sample_size(unrounded, "Walter-Eliasziw-Donner", inflation, readers=readers)


def size_for_icc_precision(
    icc: float,
    width: float,
    *,
    readers: int = 2,
    level: float = 0.95,
    inflation: Inflation = NO_INFLATION,
) -> SampleSize:
    """Return the subjects for a confidence interval of an intraclass correlation of given width.

    Parameters
    ----------
    icc
        Correlation expected, between 0 and 1.
    width
        Upper minus lower limit, between 0 and 1 (the whole width, as in the source).
    readers
        Measurements of every subject, 2 or more.
    level
        Two-sided confidence level.
    inflation
        Attrition and clustering.

    Returns
    -------
    SampleSize
        Bonett (Stat Med 2002;21:1331-35), with his addition of 5 icc subjects when there are two
        readers and icc >= 0.7.

    Raises
    ------
    InvalidInput
        Values out of range.
    """
    raise_faults(
        level_faults(icc, where="icc")
        + level_faults(width, where="width")
        + count_faults("readers", readers, at_least=2)
        + level_faults(level)
    )
    z = float(ndtri(0.5 + level / 2.0))
    k = float(readers)
    spread = 8.0 * z**2 * (1.0 - icc) ** 2 * (1.0 + (k - 1.0) * icc) ** 2
    unrounded = spread / (k * (k - 1.0) * width**2) + 1.0
    if readers == 2 and icc >= 0.7:
        unrounded += 5.0 * icc
    return sample_size(unrounded, "Bonett", inflation, readers=readers)


def readers_for_average(icc: float, target: float) -> int:
    """Return how many readers must be averaged for a reliability of `target`.

    Parameters
    ----------
    icc
        Single-reader intraclass correlation, between 0 and 1.
    target
        Reliability wanted of the mean, between 0 and 1.

    Returns
    -------
    Smallest number of readers by the Spearman-Brown formula, at least 1.

    Raises
    ------
    InvalidInput
        Values outside (0, 1).
    """
    raise_faults(level_faults(icc, where="icc") + level_faults(target, where="target"))
    return round_up(_odds(target) / _odds(icc))


def _odds(share: float) -> float:
    return share / (1.0 - share)
