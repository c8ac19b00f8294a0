"""How complete the study is: what was due by now, and how much of it is there."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import pandas as pd

from imgtrack.domain.schedule import State, cell
from imgtrack.outcomes.flow import IMAGED_WORDS, NOT_ASKED_FOR
from imgtrack.stats import proportions

if TYPE_CHECKING:
    from imgtrack.outcomes.study_data import StudyData

COLUMNS = (
    "what", "timepoint", "due", "present", "share", "low", "high", "level", "why_undefined",
)  # fmt: skip
SCAN, FINAL_VERDICT = "scan", "final verdict"


def completeness(data: StudyData, *, level: float = 0.95) -> pd.DataFrame:
    """Return what was due and what is there, with Wilson limits.

    Scans are asked of the repairs whose window has opened, before their follow-up ended; final
    verdicts of the scans that are in; clinical scores of the repairs as scans are, at every
    timepoint of the protocol at which one was recorded or imaging is expected. What came in
    although it was not asked for counts as due.
    """
    rows = [*_imaging(data, level), *_scores(data, level)]
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _imaging(data: StudyData, level: float) -> Iterator[dict[str, Any]]:
    for timepoint, states in data.states.groupby("timepoint", sort=False)["state"]:
        imaged = int(states.isin(IMAGED_WORDS).sum())
        due = int((~states.isin(NOT_ASKED_FOR)).sum())
        final = int((states == State.FINAL.value).sum())
        yield _row(SCAN, str(timepoint), due, imaged, level)
        yield _row(FINAL_VERDICT, str(timepoint), imaged, final, level)


def _scores(data: StudyData, level: float) -> Iterator[dict[str, Any]]:
    asked = _asked(data)
    for rule in data.protocol.score:
        recorded = data.scores[data.scores["score"] == rule.name].groupby("timepoint")["repair"]
        have = {str(name): set(repairs) for name, repairs in recorded}
        for point in sorted(data.protocol.timepoint, key=lambda point: point.target_day):
            present = have.get(point.name, set())
            if present or point.scan:
                due = asked[point.name] | present
                yield _row(f"score {rule.name}", point.name, len(due), len(present), level)


def _asked(data: StudyData) -> dict[str, set[str]]:
    """Return the repairs of which anything was asked by now, by timepoint."""
    events = defaultdict(list)
    for event in data.records.events:
        events[event.repair].append(event)
    today = data.records.today
    return {
        point.name: {
            repair.code
            for repair in data.records.repairs
            if cell(repair, point, events[repair.code], (), today).state not in NOT_ASKED_FOR
        }
        for point in data.protocol.timepoint
    }


def _row(what: str, timepoint: str, due: int, present: int, level: float) -> dict[str, Any]:
    found = proportions.proportion(present, due, level=level)
    return {
        "what": what,
        "timepoint": timepoint,
        "due": due,
        "present": present,
        "share": found.estimate,
        "low": found.low,
        "high": found.high,
        "level": level,
        "why_undefined": found.why_undefined,
    }
