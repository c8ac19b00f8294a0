"""What unseen units could change about a proportion."""

from __future__ import annotations

from dataclasses import dataclass

from imgtrack.stats.arguments import (
    choice_faults,
    count_faults,
    events_faults,
    level_faults,
    raise_faults,
)
from imgtrack.stats.proportions.single import LIMITS, Method, proportion
from imgtrack.stats.results import Estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class MissingBounds:
    """A proportion and how far the missing units could move it.

    Attributes
    ----------
    assessed_only
        Among the assessed: what is reported when the missing are ignored.
    lowest, highest
        As if no missing unit, and as if every missing unit, had the event.
    low, high
        Lower limit of ``lowest`` and upper limit of ``highest``: covers the true share at the
        level at least, whatever the missing would have shown; ``nan`` when nothing was seen.
    missing
        Units without an answer.
    """

    assessed_only: Estimate
    lowest: Estimate
    highest: Estimate
    low: float
    high: float
    missing: int


def bounds_for_missing(
    events: int, assessed: int, missing: int, *, method: Method = "wilson", level: float = 0.95
) -> MissingBounds:
    """Bound a proportion by the best and the worst the missing units can hide.

    Parameters
    ----------
    events, assessed
        Counts among the units with an answer, 0 <= events <= assessed.
    missing
        Units that belong to the denominator and have no answer.
    method, level
        As in `proportion`.

    Returns
    -------
    MissingBounds
        Worst-case bounds (Manski, Am Econ Rev 1990;80:319-23; Horowitz and Manski, J Am Stat
        Assoc 2000;95:77-84); no assumption about why units are missing. With nothing assessed
        and nothing missing every part is undefined.

    Raises
    ------
    InvalidInput
        Counts that are no counts, more events than assessed, unknown method, level outside (0, 1).
    """
    raise_faults(
        events_faults(events, assessed, names=("events", "assessed"))
        + count_faults("missing", missing)
        + choice_faults("method", method, LIMITS)
        + level_faults(level)
    )
    lowest = proportion(events, assessed + missing, method=method, level=level)
    highest = proportion(events + missing, assessed + missing, method=method, level=level)
    return MissingBounds(
        assessed_only=proportion(events, assessed, method=method, level=level),
        lowest=lowest,
        highest=highest,
        low=lowest.low,
        high=highest.high,
        missing=int(missing),
    )
