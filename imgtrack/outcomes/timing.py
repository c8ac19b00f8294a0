"""When repairs tore: first-retear intervals, the share torn by each time, reversals."""

from __future__ import annotations

from collections import defaultdict
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from imgtrack.domain.first_retear import first_retear
from imgtrack.domain.scales import Healing
from imgtrack.outcomes.study_data import NOT_ASSESSABLE
from imgtrack.stats.intervals import confidence_band, npmle

if TYPE_CHECKING:
    from imgtrack.domain.protocol import Timepoint
    from imgtrack.outcomes.study_data import StudyData

INTERVAL_COLUMNS = (
    "repair", "subject", "arm", "rule", "assessable_scans", "intact_until", "torn_by", "state",
    "healed_again_on",
)  # fmt: skip
CUMULATIVE_COLUMNS = (
    "rule", "day", "timepoint", "at_least", "at_most", "low", "high", "level", "at_risk",
    "n", "caution",
)  # fmt: skip
STEP_COLUMNS = ("rule", "after", "by", "share")
RULES = {"outcome": "primary", "outcome_sensitivity": "sensitivity"}
TORN, CENSORED, UNKNOWN = "retear seen", "no retear seen", "no assessable scan"


def first_retears(data: StudyData) -> pd.DataFrame:
    """Return the interval of the first retear of every repair, by both rules.

    Returns
    -------
    DataFrame
        Days from operation. ``intact_until`` is the last assessable scan without a retear before
        the first one with it, 0 (the operation) when there is none; ``torn_by`` that first scan,
        ``inf`` when none was seen. Unscheduled scans count too. A later scan read as healed is a
        reversal: its days stand in ``healed_again_on``, and nothing is overwritten.
    """
    return _intervals(data, "day")


def _intervals(data: StudyData, day: str) -> pd.DataFrame:
    """Return the intervals on the days of a column of the verdicts."""
    asked = data.verdicts[data.verdicts["outcome"] != ""].assign(nominal=partial(_nominal, data))
    ordered = asked.sort_values(day, kind="stable")
    who = data.repairs[["repair", "subject", "arm"]].to_dict("records")
    rows: list[dict[Any, Any]] = []
    for column, rule in RULES.items():
        clear = ordered[ordered[column] != NOT_ASSESSABLE]
        known = defaultdict(list)
        for repair, on, outcome in zip(clear["repair"], clear[day], clear[column], strict=True):
            known[repair].append((float(on), Healing(outcome)))
        rows.extend(each | {"rule": rule} | _interval(known[each["repair"]]) for each in who)
    return pd.DataFrame(rows, columns=list(INTERVAL_COLUMNS))


def _nominal(data: StudyData, verdicts: pd.DataFrame) -> pd.Series:
    """Return the target day of each scan's timepoint; its own day where it is unscheduled."""
    target = {point.name: point.target_day for point in data.protocol.timepoint}
    return verdicts["timepoint"].map(target).fillna(verdicts["day"])


def _interval(known: list[tuple[float, Healing]]) -> dict[str, Any]:
    """Return the interval of one repair from the days and outcomes of its assessable scans."""
    found = first_retear(known)
    return {
        "assessable_scans": len(known),
        "intact_until": float(found.after),
        "torn_by": np.inf if found.by is None else found.by,
        "state": TORN if found.by is not None else CENSORED if known else UNKNOWN,
        "healed_again_on": " ".join(f"{day:.0f}" for day in found.healed_again),
    }


def cumulative_retear(data: StudyData, *, level: float = 0.95) -> pd.DataFrame:
    """Return the share of repairs torn by every follow-up timepoint.

    The nonparametric maximum likelihood estimate for interval-censored times (Turnbull 1976) with
    pointwise likelihood-ratio limits. A scan of a timepoint is taken to be made on its target
    day, so that the estimate stands still between timepoints; `retear_steps` uses the days
    themselves. ``at_least`` and ``at_most`` bound the estimate where the data do not say when
    within an interval the tear came. ``at_risk`` are the repairs that were seen intact at the
    timepoint or later. Repairs without an assessable scan are left out.
    """
    intervals = _intervals(data, "nominal")
    rows = []
    for rule in RULES.values():
        mine = intervals[(intervals["rule"] == rule) & (intervals["assessable_scans"] > 0)]
        if mine.empty:
            continue
        points = _visited(data)
        days = np.array([float(point.target_day) for point in points])
        band = confidence_band(mine["intact_until"], mine["torn_by"], days, level=level)
        for place, point in enumerate(points):
            rows.append(
                {
                    "rule": rule,
                    "day": days[place],
                    "timepoint": point.name,
                    "at_least": 1 - band.estimate_upper[place],
                    "at_most": 1 - band.estimate_lower[place],
                    "low": 1 - band.high[place],
                    "high": 1 - band.low[place],
                    "level": level,
                    "at_risk": int((mine["intact_until"] >= point.target_day).sum()),
                    "n": band.n_used,
                    "caution": band.why_undefined or band.caution,
                }
            )
    return pd.DataFrame(rows, columns=list(CUMULATIVE_COLUMNS))


def _visited(data: StudyData) -> list[Timepoint]:
    """Return the follow-up timepoints with an assessable scan."""
    known = data.verdicts[~data.verdicts["outcome"].isin(["", NOT_ASSESSABLE])]
    points = (data.protocol.timepoint_named(name) for name in data.follow_up)
    return [p for p in points if p is not None and (known["timepoint"] == p.name).any()]


def retear_steps(data: StudyData) -> pd.DataFrame:
    """Return the estimate itself: the share of repairs whose tear falls into (after, by] days."""
    intervals = first_retears(data)
    rows = []
    for rule in RULES.values():
        mine = intervals[(intervals["rule"] == rule) & (intervals["assessable_scans"] > 0)]
        found = npmle(mine["intact_until"], mine["torn_by"])
        for after, by, share in zip(found.left, found.right, found.masses, strict=True):
            if share > 0:
                rows.append((rule, float(after), float(by), float(share)))
    return pd.DataFrame(rows, columns=list(STEP_COLUMNS))
