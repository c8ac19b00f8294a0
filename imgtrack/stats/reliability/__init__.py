"""Reliability of measurements: intraclass correlation, agreement limits, measurement error."""

from imgtrack.stats.reliability.concordance import Concordance, concordance
from imgtrack.stats.reliability.icc import IntraclassCorrelation, icc
from imgtrack.stats.reliability.limits import BlandAltman, bland_altman
from imgtrack.stats.reliability.magnitude import ByMagnitude
from imgtrack.stats.reliability.measurement import MeasurementError, measurement_error

__all__ = [
    "BlandAltman",
    "ByMagnitude",
    "Concordance",
    "IntraclassCorrelation",
    "MeasurementError",
    "bland_altman",
    "concordance",
    "icc",
    "measurement_error",
]
