"""How scans were settled: how often readers differed, and who was overruled."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from imgtrack.domain.reading import Round
from imgtrack.outcomes.retear import first_outcomes
from imgtrack.stats import proportions

if TYPE_CHECKING:
    from imgtrack.outcomes.study_data import StudyData

RULE_COLUMNS = ("rule", "scans", "share", "low", "high", "level")
OVERRULED_COLUMNS = ("reader", "settled_scans", "overruled", "share", "low", "high", "level")


def settling_rates(data: StudyData, *, level: float = 0.95) -> pd.DataFrame:
    """Return by which rule the final verdicts were given, with Wilson limits."""
    verdicts = data.verdicts
    rows = []
    for rule, count in verdicts["rule"].value_counts().items():
        found = proportions.proportion(int(count), len(verdicts), level=level)
        rows.append((rule, int(count), found.estimate, found.low, found.high, level))
    return pd.DataFrame(rows, columns=list(RULE_COLUMNS))


def overruled(data: StudyData, *, level: float = 0.95) -> pd.DataFrame:
    """Return for every reader how often an adjudicator's verdict was another outcome.

    Among the scans an adjudicator settled; on a scan where the readers agreed the verdict is
    theirs, and so no reader can be overruled.
    """
    settling = set(data.readings.loc[data.readings["round"] == Round.SETTLING.value, "scan"])
    verdicts = data.verdicts[data.verdicts["decided_by"] != "protocol"]
    final = verdicts[verdicts["scan"].isin(settling)].set_index("scan")["outcome"]
    first = first_outcomes(data)
    mine = first[first["scan"].isin(final.index)]
    is_other = mine["outcome"] != mine["scan"].map(final)
    rows = []
    for reader, others in is_other.groupby(mine["reader"]):
        found = proportions.proportion(int(others.sum()), len(others), level=level)
        counts = (reader, len(others), int(others.sum()))
        rows.append((*counts, found.estimate, found.low, found.high, level))
    return pd.DataFrame(rows, columns=list(OVERRULED_COLUMNS))
