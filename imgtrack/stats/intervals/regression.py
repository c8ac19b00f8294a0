"""Regression of interval-censored times on covariates, with patients as clusters."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, get_args

import numpy as np
import pandas as pd

from imgtrack.domain.errors import Fault, InvalidInput
from imgtrack.stats.arguments import choice_faults, level_faults, raise_faults
from imgtrack.stats.intervals.coefficients import Effect, Model, RegressionFit, Task
from imgtrack.stats.intervals.estimate import NOTHING_OBSERVED, estimate_masses
from imgtrack.stats.intervals.families import EXTREME_VALUE, LOGISTIC, NORMAL, Family
from imgtrack.stats.intervals.observations import as_vector, observe, turnbull_cliques
from imgtrack.stats.intervals.parametric import fit_parametric
from imgtrack.stats.intervals.resampling import cluster_members
from imgtrack.stats.intervals.semiparametric import fit_semiparametric

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from imgtrack.stats.intervals.observations import Observations

FAMILIES: dict[Model, tuple[Family, Effect]] = {
    "weibull": (EXTREME_VALUE, "log hazard ratio"),
    "exponential": (EXTREME_VALUE, "log hazard ratio"),
    "log-logistic": (LOGISTIC, "log odds ratio"),
    "log-normal": (NORMAL, "log time ratio"),
    "proportional-hazards": (EXTREME_VALUE, "log hazard ratio"),
    "proportional-odds": (LOGISTIC, "log odds ratio"),
}
# Log-likelihood that may be left to gain where a search stops.
GAIN_ALLOWED = 1e-6
BASELINE_FREE = ("proportional-hazards", "proportional-odds")

NOT_CONVERGED = "the search for the maximum did not converge"
UNDETERMINED = (
    "the data do not determine the coefficients: covariates that are constant or repeat each "
    "other, or a group without events"
)


def regression(
    left: ArrayLike,
    right: ArrayLike,
    covariates: ArrayLike | pd.DataFrame,
    *,
    model: Model = "weibull",
    weights: ArrayLike | None = None,
    clusters: ArrayLike | None = None,
    level: float = 0.95,
) -> RegressionFit:
    """Relate interval-censored times to covariates.

    Parameters
    ----------
    left, right, weights
        As for `npmle`, with times of at least zero.
    covariates
        (n, p) or (n,) numbers, or a DataFrame of numbers whose columns name the coefficients;
        code categories as indicators first. No column of ones. No column at all gives the
        baseline distribution alone (parametric models).
    model
        - "weibull", "exponential": proportional hazards with that baseline.
        - "log-logistic": proportional odds of the event with that baseline.
        - "log-normal": accelerated failure time.
        - "proportional-hazards", "proportional-odds": nothing assumed of the baseline.
    clusters
        (n,) patient of each row. Gives a sandwich variance that allows rows of one patient to be
        dependent; the coefficients stay the same and describe the average repair.
    level
        Confidence level.

    Returns
    -------
    RegressionFit

    Raises
    ------
    InvalidInput
        As `npmle`; also negative times, an exact event at zero under a parametric baseline, an
        unknown model, covariates that are not finite numbers or of another length, missing
        clusters.

    Notes
    -----
    Rows with a missing bound or covariate are left out. No event, no usable row, covariates that
    repeat each other or are constant, and a coefficient without a maximum (a group without
    events, say) give ``why_undefined``. The sandwich has no small-sample factor and needs some
    thirty clusters to be trusted. Under an unspecified baseline the variance treats the places
    where the baseline rises as known, which agrees with the curvature of the profile likelihood.

    References
    ----------
    Finkelstein DM, Wolfe RA. A semiparametric model for regression analysis of interval-censored
    failure time data. Biometrics 1985;41:933-945. Huang J. Efficient estimation for the
    proportional hazards model with interval censoring. Ann Stat 1996;24:540-568. Murphy SA, van
    der Vaart AW. On profile likelihood. J Am Stat Assoc 2000;95:449-465. Lin DY, Wei LJ. The
    robust inference for the Cox proportional hazards model. J Am Stat Assoc 1989;84:1074-1078.
    """
    raise_faults([*choice_faults("model", model, get_args(Model)), *level_faults(level)])
    bounds = as_vector(left, "left")
    design, names = _design(covariates, bounds.size)
    if not names and model in BASELINE_FREE:
        raise InvalidInput(Fault("nothing to fit", "covariates", "one column or more", "none"))
    complete = ~np.isnan(design).any(axis=1)
    observations = observe(np.where(complete, bounds, np.nan), right, weights, floor=0.0)
    members = cluster_members(clusters, observations)
    _refuse_event_at_zero(observations, model)
    blank = RegressionFit(
        model=model,
        effect=FAMILIES[model][1],
        variance="model" if clusters is None else "cluster-robust",
        n_used=observations.n_used,
        n_excluded=observations.n_excluded,
        n_events=int(np.isfinite(observations.right).sum()),
        n_clusters=np.unique(members).size,
    )
    task = Task(blank, observations, design[observations.kept], names, members, level)
    reason = _hopeless(blank, observations)
    if reason:
        return replace(blank, why_undefined=reason)
    return _fit_free(task) if model in BASELINE_FREE else _fit_parametric(task)


def _design(
    covariates: ArrayLike | pd.DataFrame, size: int
) -> tuple[NDArray[np.float64], tuple[str, ...]]:
    try:
        design = np.asarray(covariates, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise InvalidInput(Fault("not numbers", "covariates", "numbers", str(error))) from error
    design = design[:, None] if design.ndim == 1 else design
    if design.ndim != 2 or design.shape[0] != size:
        expected = f"{size} rows, one column for each covariate"
        found = f"shape {design.shape}"
        raise InvalidInput(Fault("wrong shape", "covariates", expected, found))
    if np.isinf(design).any():
        raise InvalidInput(Fault("infinite covariate", "covariates", "finite numbers", "inf"))
    if isinstance(covariates, pd.DataFrame):
        return design, tuple(str(column) for column in covariates.columns)
    return design, tuple(f"x{index + 1}" for index in range(design.shape[1]))


def _refuse_event_at_zero(observations: Observations, model: Model) -> None:
    at_zero = int(np.sum(observations.right == 0))
    if at_zero and model not in BASELINE_FREE:
        expected = "exact events after time zero"
        raise InvalidInput(Fault("event at zero", "right", expected, f"{at_zero} rows"))


def _hopeless(blank: RegressionFit, observations: Observations) -> str:
    """Reason why nothing can be fitted, whatever the covariates."""
    if blank.n_used == 0:
        return NOTHING_OBSERVED
    if blank.n_events == 0:
        return "no event: every row is right-censored"
    if turnbull_cliques(observations.left, observations.right).left.size < 2:
        return "all intervals overlap: no two times are told apart"
    return ""


def _fit_parametric(task: Task) -> RegressionFit:
    blank, observations = task.blank, task.observations
    family, effect = FAMILIES[blank.model]
    fixed = blank.model == "exponential"
    covariates, mean, spread = task.standardised()
    ones = np.ones((observations.n_used, 1))
    fit = fit_parametric(family, observations, np.hstack((ones, covariates)), fixed_shape=fixed)
    if not fit.baseline_determined or task.undetermined(fit.efficient):
        return replace(blank, why_undefined=UNDETERMINED)
    if fit.expansion.gain_left > GAIN_ALLOWED:
        return replace(blank, why_undefined=NOT_CONVERGED)
    null = fit_parametric(family, observations, ones, fixed_shape=fixed)
    size = fit.expansion.information.shape[0]
    back = _from_standardised(mean, spread)[:size, :size]
    covariance = back @ task.covariance(fit.expansion.scores, fit.expansion.information) @ back.T
    point = np.append(back @ fit.point[:size], fit.point[size:])
    linear, shape = point[:-1], point[-1]
    jacobian = np.eye(point.size) / shape
    jacobian[:-1, -1], jacobian[-1, -1] = -linear / shape**2, -1 / shape
    jacobian = jacobian[:size, :size]
    names = ("intercept", *task.names, "log scale")[:size]
    log_times = task.coefficients(
        names,
        np.append(linear / shape, -np.log(shape))[:size],
        jacobian @ covariance @ jacobian.T,
    )
    inner = slice(1, 1 + len(task.names))
    ratios = task.coefficients(task.names, -linear[1:], covariance[inner, inner])
    return replace(
        blank,
        coefficients=log_times[inner] if effect == "log time ratio" else ratios,
        log_times=log_times,
        loglik=fit.expansion.value,
        loglik_null=null.expansion.value,
    )


def _from_standardised(
    mean: NDArray[np.float64], spread: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Matrix from intercept, standardised coefficients and shape to those of raw covariates."""
    back = np.diag(np.concatenate(((1.0,), 1 / spread, (1.0,))))
    back[0, 1:-1] = -mean / spread
    return back


def _fit_free(task: Task) -> RegressionFit:
    blank = task.blank
    covariates, _, spread = task.standardised()
    fit = fit_semiparametric(FAMILIES[blank.model][0], task.observations, covariates)
    if task.undetermined(fit.information):
        return replace(blank, why_undefined=UNDETERMINED)
    if not fit.converged:
        return replace(blank, why_undefined=NOT_CONVERGED)
    covariance = task.covariance(fit.scores, fit.information) / np.outer(spread, spread)
    return replace(
        blank,
        coefficients=task.coefficients(task.names, fit.coefficients / spread, covariance),
        loglik=fit.value,
        loglik_null=estimate_masses(task.observations, 1e-10).loglik,
    )
