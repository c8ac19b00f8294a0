"""Proportions: one, clustered, two, paired, over ordered groups, and with missing answers."""

from imgtrack.stats.proportions.bounds import MissingBounds, bounds_for_missing
from imgtrack.stats.proportions.clustered import ClusteredProportion, clustered_proportion
from imgtrack.stats.proportions.difference import difference
from imgtrack.stats.proportions.paired import McNemar, mcnemar, paired_difference
from imgtrack.stats.proportions.ratios import odds_ratio, risk_ratio
from imgtrack.stats.proportions.single import proportion
from imgtrack.stats.proportions.trend import Trend, trend

__all__ = [
    "ClusteredProportion",
    "McNemar",
    "MissingBounds",
    "Trend",
    "bounds_for_missing",
    "clustered_proportion",
    "difference",
    "mcnemar",
    "odds_ratio",
    "paired_difference",
    "proportion",
    "risk_ratio",
    "trend",
]
