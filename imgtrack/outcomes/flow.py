"""Flow and completeness: operated, due, imaged, read, assessable, and why not."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import pandas as pd

from imgtrack.domain.scales import retear_rule
from imgtrack.domain.schedule import IMAGED, State
from imgtrack.outcomes.study_data import NOT_ASSESSABLE

if TYPE_CHECKING:
    from imgtrack.outcomes.study_data import StudyData

FLOW_COLUMNS = (
    "group_by", "group", "timepoint", "operated", "not_yet_due", "ended", "due", "imaged",
    "missed", "awaited", "read", "assessable", "not_assessable",
)  # fmt: skip
REASON_COLUMNS = ("timepoint", "state", "reason", "repairs")
IMAGED_WORDS = frozenset(state.value for state in IMAGED)
NOT_ASKED_FOR = frozenset({State.NOT_YET_DUE.value, State.ENDED.value})
EVERYONE = "all"


def outcome_cells(data: StudyData) -> pd.DataFrame:
    """Return one row per repair and follow-up timepoint, with state and outcome.

    Returns
    -------
    DataFrame
        The columns of ``states``, and ``outcome`` and ``outcome_sensitivity`` of the final
        verdict on the MR of that timepoint; empty without one. ``is_due`` tells that a scan was
        asked for by now: its window has opened, and the follow-up had not ended before.
    """
    columns = ["repair", "timepoint", "outcome", "outcome_sensitivity", "grade", "scan", "day"]
    asked = data.verdicts[data.verdicts["outcome"] != ""]
    verdicts = asked.drop_duplicates(["repair", "timepoint"], keep="last")[columns]
    states = data.states[data.states["timepoint"].isin(data.follow_up)]
    cells = states.merge(verdicts, on=["repair", "timepoint"], how="left")
    texts = ["outcome", "outcome_sensitivity", "grade", "scan"]
    cells[texts] = cells[texts].fillna("")
    cells["is_due"] = ~cells["state"].isin(NOT_ASKED_FOR)
    return cells


def flow(data: StudyData) -> pd.DataFrame:
    """Return how many repairs came how far at each timepoint: all, by arm and by site."""
    cells = outcome_cells(data)
    rows: list[dict[str, Any]] = []
    for group_by in ("", "arm", "site"):
        names = cells[group_by] if group_by else pd.Series(EVERYONE, index=cells.index)
        if group_by and names.nunique() < 2:
            continue
        for (group, timepoint), mine in cells.groupby([names, "timepoint"], sort=False):
            rows.append(
                {"group_by": group_by or EVERYONE, "group": group} | _counts(mine, timepoint)
            )
    return pd.DataFrame(rows, columns=list(FLOW_COLUMNS))


def _counts(cells: pd.DataFrame, timepoint: object) -> dict[str, Any]:
    states = cells["state"]
    known = cells["outcome"] != ""
    not_assessable = cells["outcome"] == NOT_ASSESSABLE
    awaited = states.isin([State.DUE.value, State.OVERDUE.value])
    return {
        "timepoint": timepoint,
        "operated": len(cells),
        "not_yet_due": int((states == State.NOT_YET_DUE.value).sum()),
        "ended": int((states == State.ENDED.value).sum()),
        "due": int(cells["is_due"].sum()),
        "imaged": int(states.isin(IMAGED_WORDS).sum()),
        "missed": int((states == State.MISSED.value).sum()),
        "awaited": int(awaited.sum()),
        "read": int(known.sum()),
        "assessable": int((known & ~not_assessable).sum()),
        "not_assessable": int(not_assessable.sum()),
    }


def reasons(data: StudyData) -> pd.DataFrame:
    """Return why repairs have no assessable scan, counted by timepoint, state and reason."""
    return pd.DataFrame(list(_reasons(data)), columns=list(REASON_COLUMNS))


def _reasons(data: StudyData) -> Iterator[dict[str, Any]]:
    cells = outcome_cells(data)
    question = retear_rule(data.protocol.outcome.retear_rule).scale
    why = data.verdict_findings
    told = why[(why["question"] == question) & (why["reason"] != "")]
    reason_of = dict(zip(told["scan"], told["reason"], strict=True))
    missing = ~cells["outcome"].isin(["healed", "retear"])
    lacking = cells[missing & (cells["state"] != State.NOT_YET_DUE.value)].copy()
    lacking["reason"] = [
        reason_of.get(scan, reason)
        for scan, reason in zip(lacking["scan"], lacking["reason"], strict=True)
    ]
    keys = ["timepoint", "state", "reason"]
    order = {name: place for place, name in enumerate(data.follow_up)}
    lacking = lacking.sort_values("timepoint", key=lambda names: names.map(order), kind="stable")
    counted = lacking.groupby(keys, sort=False).size().rename("repairs").reset_index()
    yield from counted.to_dict("records")  # type: ignore[misc] # keys are column names
