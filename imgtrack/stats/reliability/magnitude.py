"""Bias and spread of differences as straight lines on the magnitude of the measurement."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import stdtrit

from imgtrack.stats.results import Estimate

if TYPE_CHECKING:
    from imgtrack.stats.arguments import FloatArray
    from imgtrack.stats.reliability.differences import Codes

_FEWEST_SUBJECTS = 4
_HALF_NORMAL = math.sqrt(math.pi / 2.0)  # SD of a normal variable over its mean absolute value


@dataclass(frozen=True, slots=True, kw_only=True)
class ByMagnitude:
    """Limits of agreement that change with the mean m of the two measurements.

    Attributes
    ----------
    coefficients
        Intercept and slope of the difference on m, then intercept and slope of the absolute
        residual on m, both by least squares; empty when undefined.
    covariance
        Of the coefficients, 4 x 4, by jackknife over subjects; empty when undefined.
    z
        Normal quantile of the share of differences the limits should hold.
    level, n_used, why_undefined
        As in `Estimate`; limits use the t distribution with n_used - 2 degrees of freedom.
    """

    coefficients: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    z: float
    level: float
    n_used: int
    why_undefined: str = ""

    @property
    def bias_slope(self) -> Estimate:
        """Change of the bias per unit of magnitude."""
        return self._combine((0.0, 1.0, 0.0, 0.0), "slope of the difference")

    @property
    def spread_slope(self) -> Estimate:
        """Change of the SD of the difference per unit of magnitude.

        Limits that leave out 0 say that constant limits of agreement do not fit.
        """
        return self._combine((0.0, 0.0, 0.0, _HALF_NORMAL), "slope of the spread")

    def bias_at(self, magnitude: float) -> Estimate:
        """Return the expected difference at a magnitude."""
        return self._combine((1.0, magnitude, 0.0, 0.0), "bias by regression")

    def sd_at(self, magnitude: float) -> Estimate:
        """Return the SD of the difference at a magnitude; undefined where its line is negative."""
        weights = (0.0, 0.0, _HALF_NORMAL, _HALF_NORMAL * magnitude)
        return self._combine(weights, "sd by regression", self._why_no_spread(magnitude))

    def limits_at(self, magnitude: float) -> tuple[Estimate, Estimate]:
        """Return the lower and upper limit of agreement at a magnitude.

        Bias line -/+ z sqrt(pi / 2) times the spread line (Bland and Altman, Stat Methods Med
        Res 1999;8:135-60, section 3.2); undefined where the spread line is negative.
        """
        reach = self.z * _HALF_NORMAL
        why = self._why_no_spread(magnitude)
        name = "limit of agreement by regression"
        return (
            self._combine((1.0, magnitude, -reach, -reach * magnitude), name, why),
            self._combine((1.0, magnitude, reach, reach * magnitude), name, why),
        )

    def _why_no_spread(self, magnitude: float) -> str:
        if self.why_undefined:
            return self.why_undefined
        _, _, intercept, slope = self.coefficients
        below = intercept + slope * magnitude < 0.0
        return "the line of the spread is below zero at this magnitude" if below else ""

    def _combine(self, weights: tuple[float, ...], method: str, why: str = "") -> Estimate:
        why = why or self.why_undefined
        if why:
            return Estimate(
                estimate=math.nan,
                level=self.level,
                method=method,
                n_used=self.n_used,
                why_undefined=why,
            )
        row = np.array(weights)
        estimate = float(row @ np.array(self.coefficients))
        se = math.sqrt(max(0.0, float(row @ np.array(self.covariance) @ row)))
        reach = se * float(stdtrit(self.n_used - 2.0, 0.5 + self.level / 2.0))
        return Estimate(
            estimate=estimate,
            low=estimate - reach,
            high=estimate + reach,
            se=se,
            level=self.level,
            method=method,
            n_used=self.n_used,
        )


def by_magnitude(
    a: FloatArray, b: FloatArray, groups: Codes, *, z: float, level: float
) -> ByMagnitude:
    """Fit both lines to complete pairs; ``groups`` numbers the subject of each pair."""
    middle, gaps = (a + b) / 2.0, a - b
    _, codes = np.unique(groups, return_inverse=True)
    n = int(codes.max()) + 1 if codes.size else 0
    why = _why_undefined(middle, codes, n)
    if why:
        return ByMagnitude(
            coefficients=(), covariance=(), z=z, level=level, n_used=n, why_undefined=why
        )
    left_out = np.array([_lines(middle[codes != i], gaps[codes != i]) for i in range(n)])
    offset = left_out - left_out.mean(axis=0)
    covariance = (n - 1.0) / n * offset.T @ offset
    return ByMagnitude(
        coefficients=tuple(_lines(middle, gaps).tolist()),
        covariance=tuple(tuple(row) for row in covariance.tolist()),
        z=z,
        level=level,
        n_used=n,
    )


def _why_undefined(middle: FloatArray, codes: Codes, n: int) -> str:
    if n < _FEWEST_SUBJECTS:
        return f"fewer than {_FEWEST_SUBJECTS} subjects"
    lone = (np.ptp(middle[codes != i]) == 0 for i in range(n))
    return "without one of the subjects all magnitudes are the same" if any(lone) else ""


def _lines(middle: FloatArray, gaps: FloatArray) -> FloatArray:
    bias = _line(middle, gaps)
    spread = _line(middle, np.abs(gaps - bias[0] - bias[1] * middle))
    return np.concatenate([bias, spread])


def _line(x: FloatArray, y: FloatArray) -> FloatArray:
    offset = x - x.mean()
    slope = float(offset @ y / (offset @ offset))
    return np.array([y.mean() - slope * x.mean(), slope])
