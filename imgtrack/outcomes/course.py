"""How repairs change: grades from timepoint to timepoint, and measurements against their error."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy.stats import t as student

from imgtrack.domain.scales import Healing
from imgtrack.outcomes.flow import outcome_cells
from imgtrack.outcomes.study_data import NOT_ASSESSABLE

if TYPE_CHECKING:
    from imgtrack.outcomes.study_data import StudyData

TRANSITION_COLUMNS = (
    "from_timepoint", "to_timepoint", "from_grade", "to_grade", "from_outcome", "to_outcome",
    "repairs", "is_reversal",
)  # fmt: skip
REVERSAL_COLUMNS = ("repair", "torn_at", "healed_at")
MEASURE_COLUMNS = ("repair", "timepoint", "day", "question", "value", "unit", "outcome")
CHANGE_COLUMNS = (
    "question", "from_timepoint", "to_timepoint", "repairs", "mean_change", "low", "high", "level",
    "detectable", "beyond_detectable", "why_undefined",
)  # fmt: skip
CHANGING = (
    "straight retraction",
    "tear width",
    "tendon thickness",
    "retraction along the head",
    "fat fraction",
    "fat fraction on map",
)
NOT_SEEN = "no verdict"


def transitions(data: StudyData) -> pd.DataFrame:
    """Return how many repairs went from which grade to which between follow-up timepoints.

    A reversal goes from retear to healed: it is flagged for a second look, never corrected.
    """
    cells = outcome_cells(data)
    cells["grade"] = cells["grade"].where(cells["outcome"] != NOT_ASSESSABLE, NOT_ASSESSABLE)
    cells["grade"] = cells["grade"].where(cells["outcome"] != "", NOT_SEEN)
    parts = {name: mine.set_index("repair") for name, mine in cells.groupby("timepoint")}
    told = ["grade", "outcome"]
    rows: list[dict[str, Any]] = []
    for before, after in pairwise(name for name in data.follow_up if name in parts):
        both = pd.concat(
            [parts[before][told].add_suffix("_from"), parts[after][told].add_suffix("_to")], axis=1
        )
        counted = both.value_counts(sort=False).rename("repairs").reset_index()
        for row in counted.to_dict("records"):
            torn, healed = row["outcome_from"], row["outcome_to"]
            rows.append(
                {
                    "from_timepoint": before,
                    "to_timepoint": after,
                    "from_grade": row["grade_from"],
                    "to_grade": row["grade_to"],
                    "from_outcome": torn or NOT_SEEN,
                    "to_outcome": healed or NOT_SEEN,
                    "repairs": int(row["repairs"]),
                    "is_reversal": torn == Healing.RETEAR and healed == Healing.HEALED,
                }
            )
    return pd.DataFrame(rows, columns=list(TRANSITION_COLUMNS))


def reversals(data: StudyData) -> pd.DataFrame:
    """Return every repair that was read as healed at a timepoint after a retear."""
    cells = outcome_cells(data)
    order = {name: place for place, name in enumerate(data.follow_up)}
    rows: list[tuple[object, str, str]] = []
    for repair, mine in cells.groupby("repair", sort=False):
        told = sorted(
            zip(mine["timepoint"], mine["outcome"], strict=True), key=lambda e: order[e[0]]
        )
        torn = [name for name, outcome in told if outcome == Healing.RETEAR]
        if torn:
            later = [n for n, o in told if o == Healing.HEALED and order[n] > order[torn[0]]]
            rows.extend((repair, torn[0], name) for name in later)
    return pd.DataFrame(rows, columns=list(REVERSAL_COLUMNS))


def measurements(data: StudyData) -> pd.DataFrame:
    """Return the measurements of the final verdicts, one row per scan and measurement.

    A length that was not asked, as the retraction of a tendon without a gap, has no row.
    """
    told = data.verdict_findings[data.verdict_findings["question"].isin(CHANGING)]
    known = told.dropna(subset=["number"])
    columns = ["scan", "repair", "timepoint", "day", "outcome"]
    found = known.merge(data.verdicts[columns], on="scan").rename(columns={"number": "value"})
    return found[list(MEASURE_COLUMNS)].sort_values(["question", "repair", "day"], kind="stable")


def changes(
    data: StudyData, detectable: Mapping[str, float], *, level: float = 0.95
) -> pd.DataFrame:
    """Return the mean change of every measurement between follow-up timepoints, with t limits.

    Parameters
    ----------
    data
        The study.
    detectable
        Smallest detectable change of each measurement in its unit; see
        `imgtrack.outcomes.pairs.detectable_changes`.
    level
        Confidence level.
    """
    rows = list(_changes(measurements(data), data.follow_up, detectable, level))
    return pd.DataFrame(rows, columns=list(CHANGE_COLUMNS))


def _changes(
    values: pd.DataFrame, follow_up: tuple[str, ...], detectable: Mapping[str, float], level: float
) -> Iterator[dict[str, Any]]:
    for question, mine in values.groupby("question", sort=False):
        once = mine.drop_duplicates(["repair", "timepoint"], keep="last")
        wide = once.set_index(["repair", "timepoint"])["value"].unstack()  # noqa: PD010
        for before, after in pairwise(follow_up):
            if before not in wide.columns or after not in wide.columns:
                continue
            change = (wide[after] - wide[before]).dropna()
            smallest = detectable.get(str(question), np.nan)
            low, high = _t_limits(change, level)
            yield {
                "question": question,
                "from_timepoint": before,
                "to_timepoint": after,
                "repairs": len(change),
                "mean_change": change.mean(),
                "low": low,
                "high": high,
                "level": level,
                "detectable": smallest,
                "beyond_detectable": _beyond(change, smallest),
                "why_undefined": "" if len(change) else "no repair measured at both",
            }


def _beyond(change: pd.Series, smallest: float) -> float:
    """Return how many changed by more than the smallest detectable change; ``nan`` without one."""
    return float("nan") if np.isnan(smallest) else float((change.abs() > smallest).sum())


def _t_limits(values: pd.Series, level: float) -> tuple[float, float]:
    """Return t limits of a mean; ``nan`` with fewer than two values."""
    if len(values) < 2:
        return float("nan"), float("nan")
    half = student.ppf((1 + level) / 2, len(values) - 1) * values.std() / np.sqrt(len(values))
    return float(values.mean() - half), float(values.mean() + half)
