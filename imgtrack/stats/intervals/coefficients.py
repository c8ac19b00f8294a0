"""What a regression of interval-censored times returns, and the variance of its coefficients."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
from scipy.stats import norm

from imgtrack.stats.results import Estimate

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from imgtrack.stats.intervals.observations import Observations

Model = Literal[
    "weibull",
    "exponential",
    "log-logistic",
    "log-normal",
    "proportional-hazards",
    "proportional-odds",
]
Effect = Literal["log hazard ratio", "log odds ratio", "log time ratio"]

# Smallest information per event, in standardised covariates, that still determines coefficients;
# a hundred independent events would leave a standard error of ten.
LEAST_INFORMATION = 1e-4


@dataclass(frozen=True, slots=True, kw_only=True)
class Coefficient(Estimate):
    """One coefficient with its Wald interval.

    Attributes
    ----------
    name
        Covariate, "intercept" or "log scale".
    z, p_value
        Estimate over standard error, and its two-sided p-value; nan without a standard error.
    """

    name: str
    z: float
    p_value: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RegressionFit:
    """Regression of interval-censored times.

    Attributes
    ----------
    model
        What was fitted.
    effect
        What `coefficients` are; positive hazard and odds ratios mean earlier events, positive
        time ratios later ones.
    coefficients
        One per covariate; empty when undefined.
    log_times
        Intercept, covariates and log scale of log(time) = x @ beta + scale * W, of the models
        with a parametric baseline (the log scale is left out of "exponential"); else empty.
    loglik, loglik_null
        Log-likelihood, and without covariates.
    variance
        "model" from the information, or "cluster-robust".
    n_used, n_excluded
        Rows that entered; rows with a missing bound or covariate, or no weight.
    n_events
        Rows used whose event was seen (a finite right bound).
    n_clusters
        Distinct clusters, rows when there are none.
    why_undefined
        Reason when nothing was fitted; empty otherwise.
    """

    model: Model
    effect: Effect
    coefficients: tuple[Coefficient, ...] = ()
    log_times: tuple[Coefficient, ...] = ()
    loglik: float = np.nan
    loglik_null: float = np.nan
    variance: Literal["model", "cluster-robust"]
    n_used: int
    n_excluded: int
    n_events: int
    n_clusters: int
    why_undefined: str = ""

    @property
    def defined(self) -> bool:
        """Whether the model was fitted."""
        return not self.why_undefined


@dataclass(frozen=True, slots=True)
class Task:
    """A checked regression, still to be fitted."""

    blank: RegressionFit
    observations: Observations
    design: NDArray[np.float64]
    names: tuple[str, ...]
    members: NDArray[np.intp]
    level: float

    def standardised(self) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """Covariates with mean zero and unit spread, and those means and spreads."""
        mean, spread = self.design.mean(axis=0), self.design.std(axis=0)
        spread = np.where(spread > 0, spread, 1.0)
        return (self.design - mean) / spread, mean, spread

    def undetermined(self, efficient: NDArray[np.float64]) -> bool:
        """Whether some combination of standardised coefficients carries no information."""
        least = np.linalg.eigvalsh(efficient).min(initial=np.inf)
        return not least > LEAST_INFORMATION * self.blank.n_events

    def covariance(
        self, scores: NDArray[np.float64], information: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Inverse information, or the sandwich over clusters."""
        inverse = np.asarray(np.linalg.inv(information), dtype=np.float64)
        if self.blank.variance == "model":
            return inverse
        sums = np.zeros((self.blank.n_clusters, scores.shape[1]))
        np.add.at(sums, self.members, scores)
        return np.asarray(inverse @ (sums.T @ sums) @ inverse, dtype=np.float64)

    def coefficients(
        self,
        names: tuple[str, ...],
        values: NDArray[np.float64],
        covariance: NDArray[np.float64],
    ) -> tuple[Coefficient, ...]:
        """Wald intervals."""
        errors = np.sqrt(np.diag(covariance))
        return tuple(
            self._coefficient(name, float(value), float(error))
            for name, value, error in zip(names, values, errors, strict=True)
        )

    def _coefficient(self, name: str, value: float, error: float) -> Coefficient:
        method = f"{self.blank.model}, {self.blank.variance} variance, Wald interval"
        alone = self.blank.variance != "model" and self.blank.n_clusters < 2
        half = float(norm.ppf((1 + self.level) / 2)) * error
        z = value / error if not alone else np.nan
        return Coefficient(
            name=name,
            estimate=value,
            low=np.nan if alone else value - half,
            high=np.nan if alone else value + half,
            se=np.nan if alone else error,
            level=self.level,
            method=method,
            n_used=self.blank.n_used,
            n_excluded=self.blank.n_excluded,
            why_no_interval="one cluster" if alone else "",
            z=z,
            p_value=float(2 * norm.sf(abs(z))),
        )
