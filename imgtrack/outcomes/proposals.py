"""What the program proposed to readers, what became of it, and how far answers lie from it.

A proposal a reader sees may pull the answer. These tables let a study team say how often proposals
were taken as they were, and compare readers who had measured before they saw one with readers who
had not. Readings that recorded nothing of proposals are left out: imported ones, and those signed
before this was recorded.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd

from imgtrack.domain.form.proposals import Fate, tell
from imgtrack.domain.reading import Round
from imgtrack.domain.verdicts import standing

if TYPE_CHECKING:
    from collections.abc import Iterator

    from imgtrack.domain.form.proposals import Told
    from imgtrack.domain.reading import Reading
    from imgtrack.outcomes.study_data import StudyData

COLUMNS = (
    "reading", "reader", "question", "plane", "turn", "unit", "proposed", "before", "signed",
    "signed_minus_proposed", "fate",
)  # fmt: skip
SUMMARY_COLUMNS = (
    "reader", "question", "plane", "unit", "proposals", "accepted", "moved", "answered_otherwise",
    "unanswered", "answered_before", "mean_difference", "mean_absolute_difference",
)  # fmt: skip
COUNTED = {
    "accepted": Fate.ACCEPTED,
    "moved": Fate.MOVED,
    "answered_otherwise": Fate.OTHERWISE,
    "unanswered": Fate.UNANSWERED,
}


def proposals(data: StudyData) -> pd.DataFrame:
    """Return one row per number that was proposed, by reading in the order of signing.

    Returns
    -------
    DataFrame
        Columns ``COLUMNS``: the number as proposed, what the reader had before, what was signed,
        and the proposal's fate; blank before and signed are ``nan``.
    """
    read = sorted(standing(data.records.readings), key=lambda each: (each.signed_at, each.key))
    rows = [
        _row(reading, told)
        for reading in read
        if reading.round is not Round.TRAINING
        for told in _told(reading)
    ]
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _told(reading: Reading) -> Iterator[Told]:
    return tell(reading.proposals or {}, reading.answers)


def _row(reading: Reading, told: Told) -> dict[str, Any]:
    return {
        "reading": reading.key,
        "reader": reading.reader,
        "question": told.question,
        "plane": told.part,
        "turn": told.turn,
        "unit": told.unit,
        "proposed": told.proposed,
        "before": _or_nan(told.before),
        "signed": _or_nan(told.signed),
        "signed_minus_proposed": _or_nan(told.difference),
        "fate": told.fate.value,
    }


def _or_nan(value: float | None) -> float:
    return float("nan") if value is None else value


def proposal_use(data: StudyData) -> pd.DataFrame:
    """Return by reader and question how proposals fared.

    Returns
    -------
    DataFrame
        Columns ``SUMMARY_COLUMNS``. The fates add up to ``proposals``; differences are signed
        minus proposed, over the proposals whose question was answered, whatever their fate.
    """
    found = proposals(data)
    keys = ["reader", "question", "plane", "unit"]
    rows = [
        dict(zip(keys, key, strict=True)) | _summary(group)
        for key, group in found.groupby(keys, sort=True)
    ]
    return pd.DataFrame(rows, columns=list(SUMMARY_COLUMNS))


def _summary(group: pd.DataFrame) -> dict[str, Any]:
    difference = group["signed_minus_proposed"].dropna()
    return {
        "proposals": len(group),
        **{name: int((group["fate"] == fate.value).sum()) for name, fate in COUNTED.items()},
        "answered_before": int(group["before"].notna().sum()),
        "mean_difference": float(difference.mean()),
        "mean_absolute_difference": float(difference.abs().mean()),
    }
