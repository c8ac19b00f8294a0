"""Interval-censored time to an event: the NPMLE, its limits, log-rank tests and regression."""

from __future__ import annotations

from imgtrack.stats.intervals.band import ConfidenceBand, confidence_band
from imgtrack.stats.intervals.coefficients import Coefficient, RegressionFit
from imgtrack.stats.intervals.estimate import SurvivalBounds, TurnbullEstimate, npmle
from imgtrack.stats.intervals.logrank import LogRankTest, logrank
from imgtrack.stats.intervals.regression import regression

__all__ = [
    "Coefficient",
    "ConfidenceBand",
    "LogRankTest",
    "RegressionFit",
    "SurvivalBounds",
    "TurnbullEstimate",
    "confidence_band",
    "logrank",
    "npmle",
    "regression",
]
