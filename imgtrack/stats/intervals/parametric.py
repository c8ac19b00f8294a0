"""Maximum likelihood of accelerated failure time models from interval-censored times."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from imgtrack.stats.intervals.families import interval_terms
from imgtrack.stats.intervals.newton import Expansion, climb

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from imgtrack.stats.intervals.families import Family, IntervalTerms
    from imgtrack.stats.intervals.observations import Observations


# Smallest eigenvalue of the correlation of intercept and shape that still tells them apart.
LEAST_EIGENVALUE = 1e-9


@dataclass(frozen=True, slots=True)
class ParametricFit:
    """Coefficients of z = shape * log(time) - covariates @ linear.

    Attributes
    ----------
    point
        (p + 1,) the linear coefficients, intercept first, then the shape.
    expansion
        The log-likelihood there.
    """

    point: NDArray[np.float64]
    expansion: Expansion

    @property
    def baseline_determined(self) -> bool:
        """Whether intercept and shape are told apart."""
        nuisance = self._nuisance
        own = np.sqrt(np.diag(nuisance))
        if own.min() == 0:
            return False
        return bool(np.linalg.eigvalsh(nuisance / np.outer(own, own))[0] > LEAST_EIGENVALUE)

    @property
    def efficient(self) -> NDArray[np.float64]:
        """Information about the covariates' coefficients, net of intercept and shape."""
        information, covariates = self.expansion.information, slice(1, self.point.size - 1)
        mixed = np.delete(information, np.arange(1, self.point.size - 1), axis=0)[:, covariates]
        lost = mixed.T @ np.linalg.solve(self._nuisance, mixed)
        return np.asarray(information[covariates, covariates] - lost, dtype=np.float64)

    @property
    def _nuisance(self) -> NDArray[np.float64]:
        size = self.expansion.information.shape[0]
        places = [0, *range(self.point.size - 1, size)]
        return self.expansion.information[np.ix_(places, places)]


def fit_parametric(
    family: Family, observations: Observations, design: NDArray[np.float64], *, fixed_shape: bool
) -> ParametricFit:
    """Maximise the likelihood; concave in these coefficients (Burridge 1981).

    Parameters
    ----------
    family
        Distribution of z.
    observations
        (n,) times of at least zero; exact times above zero.
    design
        (n, p) covariates, a column of ones first.
    fixed_shape
        Hold the shape at one.
    """
    model = _Model.of(family, observations, design)
    finite = np.concatenate(
        (model.lower[np.isfinite(model.lower)], model.upper[np.isfinite(model.upper)])
    )
    shape = 1.0 if fixed_shape else 1 / max(float(np.std(finite)), 0.1)
    start = np.zeros(design.shape[1] + 1)
    start[0], start[-1] = shape * float(np.mean(finite)), shape
    if not fixed_shape:
        return ParametricFit(*climb(model.expand, start))
    linear, expansion = climb(model.expand_linear, start[:-1])
    return ParametricFit(np.append(linear, 1.0), expansion)


@dataclass(frozen=True, slots=True)
class _Model:
    """The likelihood as a function of the linear coefficients and the shape."""

    family: Family
    lower: NDArray[np.float64]
    upper: NDArray[np.float64]
    weight: NDArray[np.float64]
    design: NDArray[np.float64]

    @classmethod
    def of(cls, family: Family, observations: Observations, design: NDArray[np.float64]) -> _Model:
        with np.errstate(divide="ignore"):
            lower, upper = np.log(observations.left), np.log(observations.right)
        return cls(family, lower, upper, observations.weight, design)

    def expand_linear(self, linear: NDArray[np.float64]) -> Expansion:
        """Expand in the linear coefficients, the shape held at one."""
        whole = self.expand(np.append(linear, 1.0))
        return Expansion(whole.value, whole.scores[:, :-1], whole.information[:-1, :-1])

    def expand(self, point: NDArray[np.float64]) -> Expansion:
        """Expand in the linear coefficients and the shape."""
        shape, shift = point[-1], self.design @ point[:-1]
        if shape <= 0:
            return self._outside(point)
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
            terms = interval_terms(
                self.family, shape * self.lower - shift, shape * self.upper - shift
            )
        exact = self.lower == self.upper
        value = terms.value.copy()
        value[exact] += np.log(shape) - self.lower[exact]
        if not np.isfinite(value).all():
            return self._outside(point)
        scores = self._at_lower * terms.lower[:, None] + self._at_upper * terms.upper[:, None]
        scores[exact, -1] += 1 / shape
        information = -self._bend(terms)
        information[-1, -1] += self.weight @ exact / shape**2
        weighted = scores * self.weight[:, None]
        return Expansion(float(self.weight @ value), weighted, information)

    def _outside(self, point: NDArray[np.float64]) -> Expansion:
        return Expansion(-np.inf, np.zeros((self.lower.size, point.size)), np.eye(point.size))

    @property
    def _at_lower(self) -> NDArray[np.float64]:
        finite = np.where(np.isfinite(self.lower), self.lower, 0.0)
        return np.column_stack((-self.design, finite))

    @property
    def _at_upper(self) -> NDArray[np.float64]:
        finite = np.where(np.isfinite(self.upper), self.upper, 0.0)
        return np.column_stack((-self.design, finite))

    def _bend(self, terms: IntervalTerms) -> NDArray[np.float64]:
        at_lower, at_upper = self._at_lower, self._at_upper
        lower_lower = (self.weight * terms.lower_lower)[:, None]
        upper_upper = (self.weight * terms.upper_upper)[:, None]
        cross = (at_lower * (self.weight * terms.lower_upper)[:, None]).T @ at_upper
        own = (at_lower * lower_lower).T @ at_lower + (at_upper * upper_upper).T @ at_upper
        return np.asarray(own + cross + cross.T, dtype=np.float64)
