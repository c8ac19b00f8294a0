"""Subjects and readers for a kappa."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from scipy.optimize import brentq
from scipy.special import chdtri, chndtr, ndtri

from imgtrack.domain.errors import Fault
from imgtrack.stats.arguments import (
    count_faults,
    level_faults,
    raise_faults,
    range_faults,
)
from imgtrack.stats.planning.design import (
    Sides,
    below_faults,
    different_faults,
    power_faults,
    quantiles,
)
from imgtrack.stats.planning.kappa_model import (
    cohen_variance,
    distance_per_subject,
    kappa_variance,
    possible_kappas,
)
from imgtrack.stats.planning.sizes import NO_INFLATION, Inflation, SampleSize, sample_size

if TYPE_CHECKING:
    from imgtrack.stats.planning.kappa_model import Prevalence


def size_for_kappa_test(
    null: float,
    kappa: float,
    prevalence: Prevalence,
    *,
    readers: int = 2,
    power: float = 0.8,
    alpha: float = 0.05,
    sides: Sides = 2,
    inflation: Inflation = NO_INFLATION,
) -> SampleSize:
    """Return the subjects needed to tell a kappa from a null value.

    Parameters
    ----------
    null, kappa
        Kappa to be rejected and kappa expected, each 0 <= kappa < 1, not equal.
    prevalence
        Share of events for a binary answer, or the shares of all categories (summing to 1) for a
        nominal answer of two readers.
    readers
        Readers of every subject, 2 or more; more than 2 for a binary answer only.
    power, alpha, sides
        Of the test; ``sides`` 1 or 2.
    inflation
        Attrition and clustering.

    Returns
    -------
    SampleSize
        Goodness-of-fit approach under the common-correlation model: two readers, Donner and
        Eliasziw (Stat Med 1992;11:1511-19); more readers, Altaye, Donner and Klar (Biometrics
        2001;57:584-88); more categories, Donner and Eliasziw's extension. With ``null=0`` this
        is ((z_alpha + z_power) / kappa)² whatever the prevalence (Sim and Wright, Phys Ther
        2005;85:257-68).

    Raises
    ------
    InvalidInput
        Values out of range, equal kappas, shares that do not sum to 1.
    """
    raise_faults(
        _kappa_faults("null", null)
        + _kappa_faults("kappa", kappa)
        + _prevalence_faults(prevalence, readers)
        + different_faults("kappa", kappa, null)
        + power_faults(power, alpha, sides)
    )
    distance = distance_per_subject(null, kappa, prevalence, readers)
    noncentrality = _noncentrality(power, alpha * (2.0 if sides == 1 else 1.0))
    method = "goodness of fit, common correlation"
    return sample_size(noncentrality / distance, method, inflation, readers=readers)


def size_for_kappa_limit(
    kappa: float,
    lower: float,
    prevalence: Prevalence,
    *,
    readers: int = 2,
    level: float = 0.95,
    inflation: Inflation = NO_INFLATION,
) -> SampleSize:
    """Return the subjects whose confidence interval of kappa should begin at `lower`.

    Parameters
    ----------
    kappa, lower
        Kappa expected and lower limit wanted, 0 <= lower < kappa < 1.
    prevalence, readers, inflation
        As in `size_for_kappa_test`.
    level
        Two-sided confidence level of the goodness-of-fit interval.

    Returns
    -------
    SampleSize
        Donner and Eliasziw's interval (Stat Med 1992;11:1511-19) solved for the sample size.

    Raises
    ------
    InvalidInput
        Values out of range, or a limit that is not below kappa.
    """
    raise_faults(
        _kappa_faults("kappa", kappa)
        + _kappa_faults("lower", lower)
        + _prevalence_faults(prevalence, readers)
        + below_faults("lower", lower, kappa)
        + level_faults(level)
    )
    quantile = float(chdtri(1.0, 1.0 - level))
    distance = distance_per_subject(lower, kappa, prevalence, readers)
    method = "goodness-of-fit interval, common correlation"
    return sample_size(quantile / distance, method, inflation, readers=readers)


def size_for_kappa_precision(
    kappa: float,
    half_width: float,
    prevalence: float,
    *,
    readers: int = 2,
    level: float = 0.95,
    inflation: Inflation = NO_INFLATION,
) -> SampleSize:
    """Return the subjects for a confidence interval of kappa of a given half-width.

    Parameters
    ----------
    kappa, prevalence
        Kappa expected and share of events of a binary answer.
    half_width
        Half the width of the interval, between 0 and 1.
    readers, level, inflation
        As in `size_for_kappa_limit`.

    Returns
    -------
    SampleSize
        z² v / half_width², where v is the large-sample variance of the intraclass (Fleiss) kappa
        under the common-correlation model; with two readers that of Bloch and Kraemer
        (Biometrics 1989;45:269-87), (1 - k)((1 - k)(1 - 2k) + k(2 - k) / (2 p (1 - p))).

    Raises
    ------
    InvalidInput
        Values out of range.
    """
    raise_faults(
        _kappa_faults("kappa", kappa)
        + level_faults(half_width, where="half_width")
        + level_faults(prevalence, where="prevalence")
        + count_faults("readers", readers, at_least=2)
        + level_faults(level)
    )
    z = float(ndtri(0.5 + level / 2.0))
    unrounded = z * z * kappa_variance(kappa, prevalence, readers) / half_width**2
    method = "large-sample variance, common correlation"
    return sample_size(unrounded, method, inflation, readers=readers)


def size_for_cohen_kappa_test(
    null: float,
    kappa: float,
    shares: tuple[float, float],
    *,
    power: float = 0.8,
    alpha: float = 0.05,
    sides: Sides = 2,
    inflation: Inflation = NO_INFLATION,
) -> SampleSize:
    """Return the subjects for a test of Cohen's kappa of two readers who differ in share.

    Parameters
    ----------
    null, kappa
        Kappa to be rejected and kappa expected, not equal; both must be possible with the shares.
    shares
        Share of events called by each of the two readers.
    power, alpha, sides, inflation
        As in `size_for_kappa_test`.

    Returns
    -------
    SampleSize
        Normal test with the variance of Fleiss, Cohen and Everitt at both kappas (Cantor,
        Psychol Methods 1996;1:150-53).

    Raises
    ------
    InvalidInput
        Values out of range, equal kappas, a kappa that these shares do not allow.
    """
    faults = different_faults("kappa", kappa, null) + power_faults(power, alpha, sides)
    for place, share in enumerate(shares):
        faults += level_faults(share, where=f"shares[{place}]")
    raise_faults(faults)
    raise_faults(
        _impossible_faults("null", null, shares) + _impossible_faults("kappa", kappa, shares)
    )
    z_alpha, z_power = quantiles(power, alpha, sides)
    spread = z_alpha * math.sqrt(cohen_variance(null, shares))
    spread += z_power * math.sqrt(cohen_variance(kappa, shares))
    method = "normal test, Fleiss-Cohen-Everitt variance"
    return sample_size((spread / (kappa - null)) ** 2, method, inflation, readers=2)


def _kappa_faults(where: str, value: float) -> list[Fault]:
    return [] if value == 0.0 else level_faults(value, where=where)


def _prevalence_faults(prevalence: Prevalence, readers: int) -> list[Fault]:
    faults = count_faults("readers", readers, at_least=2)
    if isinstance(prevalence, float | int):
        return faults + level_faults(prevalence, where="prevalence")
    for place, share in enumerate(prevalence):
        faults += level_faults(share, where=f"prevalence[{place}]")
    if not faults and abs(sum(prevalence) - 1.0) > 1e-9:
        total = f"{sum(prevalence):g}"
        faults.append(Fault("not all categories", "prevalence", "a sum of 1", total))
    if readers != 2:
        faults.append(
            Fault("too many readers", "readers", "2 with several categories", f"{readers}")
        )
    return faults


def _impossible_faults(where: str, kappa: float, shares: tuple[float, float]) -> list[Fault]:
    low, high = possible_kappas(shares)
    return range_faults(where, kappa, low, high, closed=True)


def _noncentrality(power: float, alpha: float) -> float:
    """Noncentrality at which a chi-square test on one degree of freedom has the power."""
    critical = float(chdtri(1.0, alpha))

    def excess(noncentrality: float) -> float:
        return 1.0 - float(chndtr(critical, 1.0, noncentrality)) - power

    return float(brentq(excess, 0.0, 1e3, xtol=1e-12))
