"""Log-probability of an interval under a standard distribution, with its derivatives."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import log_ndtr, ndtri

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Function = Callable[[NDArray[np.float64]], NDArray[np.float64]]


@dataclass(frozen=True, slots=True)
class Family:
    """A standard distribution with log-concave density, as functions of arrays.

    Attributes
    ----------
    log_survival, log_distribution, log_density
        Logs of P(Z > z), of P(Z <= z) and of the density.
    slope, bend
        First and second derivatives of the log-density.
    quantile
        Value not exceeded with probability p.
    """

    log_survival: Function
    log_distribution: Function
    log_density: Function
    slope: Function
    bend: Function
    quantile: Function


EXTREME_VALUE = Family(
    log_survival=lambda z: -np.exp(z),
    log_distribution=lambda z: np.log(-np.expm1(-np.exp(z))),
    log_density=lambda z: z - np.exp(z),
    slope=lambda z: 1.0 - np.exp(z),
    bend=lambda z: -np.exp(z),
    quantile=lambda p: np.log(-np.log1p(-p)),
)
"""Smallest extreme value: log times are Weibull, hazards proportional."""

LOGISTIC = Family(
    log_survival=lambda z: -np.logaddexp(0.0, z),
    log_distribution=lambda z: -np.logaddexp(0.0, -z),
    log_density=lambda z: -np.logaddexp(0.0, z) - np.logaddexp(0.0, -z),
    slope=lambda z: -np.tanh(z / 2),
    bend=lambda z: -0.5 / np.cosh(z / 2) ** 2,
    quantile=lambda p: np.log(p) - np.log1p(-p),
)
"""Logistic: log times are log-logistic, odds of the event proportional."""

NORMAL = Family(
    log_survival=lambda z: log_ndtr(-z),
    log_distribution=log_ndtr,
    log_density=lambda z: -(z**2) / 2 - np.log(2 * np.pi) / 2,
    slope=np.negative,
    bend=lambda z: np.full_like(z, -1.0),
    quantile=ndtri,
)
"""Normal: log times are log-normal."""


@dataclass(frozen=True, slots=True)
class IntervalTerms:
    """Log-probabilities of intervals (lower, upper] and their derivatives in both bounds.

    All arrays are (n,). An infinite bound has derivatives zero. Where both bounds are equal the
    event is exact: the value is the log-density, and all of its derivative is in `lower`.
    """

    value: NDArray[np.float64]
    lower: NDArray[np.float64]
    upper: NDArray[np.float64]
    lower_lower: NDArray[np.float64]
    lower_upper: NDArray[np.float64]
    upper_upper: NDArray[np.float64]


def interval_terms(
    family: Family, lower: NDArray[np.float64], upper: NDArray[np.float64]
) -> IntervalTerms:
    """Evaluate intervals (lower, upper] under `family`, without loss in the tails."""
    value = np.empty_like(lower)
    exact, open_left, open_right = lower == upper, np.isneginf(lower), np.isposinf(upper)
    inner = ~(exact | open_left | open_right)
    value[exact] = family.log_density(lower[exact])
    value[open_right] = family.log_survival(lower[open_right])
    value[open_left] = family.log_distribution(upper[open_left])
    value[open_left & open_right] = 0.0
    outlive = family.log_survival(lower[inner])
    value[inner] = outlive + np.log(-np.expm1(family.log_survival(upper[inner]) - outlive))
    first, first_bend = _edge(family, lower, value, -1.0, ~(exact | open_left))
    last, last_bend = _edge(family, upper, value, 1.0, ~(exact | open_right))
    first[exact], first_bend[exact] = family.slope(lower[exact]), family.bend(lower[exact])
    return IntervalTerms(value, first, last, first_bend, -first * last, last_bend)


def _edge(
    family: Family,
    bound: NDArray[np.float64],
    value: NDArray[np.float64],
    sign: float,
    moves: NDArray[np.bool_],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """First and second derivatives of the log-probability in one bound, where it moves."""
    first, second = np.zeros_like(bound), np.zeros_like(bound)
    at = bound[moves]
    first[moves] = sign * np.exp(family.log_density(at) - value[moves])
    second[moves] = first[moves] * family.slope(at) - first[moves] ** 2
    return first, second
