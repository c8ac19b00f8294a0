"""What every statistic returns: one frozen estimate that says how it was made or why it is not."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """A number with its uncertainty, or the reason there is none.

    Attributes
    ----------
    estimate
        The value; ``nan`` only together with a reason in ``why_undefined``.
    low, high
        Confidence limits at ``level``; ``nan`` when they do not exist, with the reason in
        ``why_undefined`` or, when the estimate itself stands, in ``why_no_interval``.
    se
        Standard error; ``nan`` when the method has none.
    level
        Confidence level, 0.95 for 95 %.
    method
        Name of the estimator and interval, with its source in the function's docstring.
    n_used, n_excluded
        Subjects that entered, and subjects left out by the missing-value policy.
    why_undefined, why_no_interval
        Plain words; empty when defined.
    """

    estimate: float
    low: float = math.nan
    high: float = math.nan
    se: float = math.nan
    level: float = 0.95
    method: str
    n_used: int
    n_excluded: int = 0
    why_undefined: str = ""
    why_no_interval: str = ""

    def __post_init__(self) -> None:
        """Refuse a bare nan."""
        if math.isnan(self.estimate) != bool(self.why_undefined):
            msg = "an estimate is nan exactly when why_undefined gives the reason"
            raise ValueError(msg)
        if not self.defined:
            return
        if (math.isnan(self.low) or math.isnan(self.high)) and not self.why_no_interval:
            msg = "limits that are nan need why_no_interval"
            raise ValueError(msg)

    @property
    def defined(self) -> bool:
        """Whether there is a value."""
        return not self.why_undefined
