"""Pairs of answers to one scan: confusion tables, differences, and what change can be detected."""

from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING, Any

import pandas as pd

from imgtrack.outcomes.compared import codes_of, compared
from imgtrack.outcomes.study_data import NOT_ASSESSABLE
from imgtrack.stats import reliability

if TYPE_CHECKING:
    from imgtrack.outcomes.study_data import StudyData

CONFUSION_COLUMNS = ("question", "first", "second", "first_answer", "second_answer", "scans")
PAIR_COLUMNS = ("question", "scan", "timepoint", "first", "second", "first_value", "second_value")

Rows = list[tuple[Any, ...]]


def confusion_counts(data: StudyData) -> pd.DataFrame:
    """Return for every grade how often one reader's answer met another's; all levels are there."""
    rows: Rows = []
    for each in compared(data):
        codes, _ = codes_of(each)
        for first, second in combinations(each.ratings.columns, 2) if codes else ():
            pair = each.ratings[[first, second]].fillna(NOT_ASSESSABLE)
            counts = pd.crosstab(pair[first], pair[second])
            every = [*codes, NOT_ASSESSABLE]
            table = counts.reindex(index=every, columns=every, fill_value=0).to_numpy()
            rows.extend(
                (each.name, first, second, one, other, int(table[row, column]))
                for row, one in enumerate(every)
                for column, other in enumerate(every)
            )
    return pd.DataFrame(rows, columns=list(CONFUSION_COLUMNS))


def measured_pairs(data: StudyData) -> pd.DataFrame:
    """Return every measurement two readers made of one scan, for plots of their differences."""
    rows: Rows = []
    for each in compared(data):
        if codes_of(each)[0]:
            continue
        for first, second in combinations(each.ratings.columns, 2):
            both = each.ratings[[first, second]].dropna()
            rows.extend(
                (each.name, scan, timepoint, first, second, float(one), float(other))
                for (scan, timepoint, _), one, other in zip(
                    both.index, both[first], both[second], strict=True
                )
            )
    return pd.DataFrame(rows, columns=list(PAIR_COLUMNS))


def detectable_changes(data: StudyData) -> dict[str, float]:
    """Return the smallest detectable change of every measurement that two readers made.

    ``nan`` where it is not defined.
    """
    found = {}
    for each in compared(data):
        if not codes_of(each)[0] and each.is_enough:
            error = reliability.measurement_error(each.ratings.astype(float))
            found[each.name] = error.sdc_agreement.estimate
    return found
