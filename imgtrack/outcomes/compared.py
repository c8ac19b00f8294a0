"""What readers are compared on: every grade and measurement as a table of scans and readers."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from imgtrack.domain.reading import Round
from imgtrack.domain.scales import Healing
from imgtrack.outcomes.questions import asked
from imgtrack.outcomes.study_data import NOT_ASSESSABLE

if TYPE_CHECKING:
    from imgtrack.outcomes.questions import Levels
    from imgtrack.outcomes.study_data import StudyData

OUTCOME, SENSITIVITY, ASSESSABLE = "outcome", "outcome_sensitivity", "assessable"
DICHOTOMY = tuple(each.value for each in Healing)
FEWEST_SCANS = 2


@dataclass(frozen=True, slots=True, eq=False)
class Compared:
    """One thing readers are compared on.

    Attributes
    ----------
    name
        Of the question.
    levels
        Its levels; ``None`` for a measurement.
    ratings
        (scans, readers) level codes or numbers, ``nan`` for not assessable or not read; the index
        holds scan, timepoint and subject.
    """

    name: str
    levels: Levels | None
    ratings: pd.DataFrame

    def at(self, timepoint: str) -> Compared:
        """Return the part of one timepoint."""
        mine = self.ratings.index.get_level_values("timepoint") == timepoint
        return Compared(self.name, self.levels, self.ratings[mine])

    @property
    def is_enough(self) -> bool:
        """Whether two readers or more read enough scans in common."""
        both = (self.ratings.notna().sum(axis=1) > 1).sum()
        return self.ratings.shape[1] > 1 and both >= FEWEST_SCANS


def compared(data: StudyData, *, level_of: Round = Round.FIRST) -> Iterator[Compared]:
    """Yield everything that readers graded or measured in one round, the outcome first."""
    readings = data.readings[data.readings["round"] == level_of.value]
    keys = ["scan", "timepoint", "subject"]
    for name in (OUTCOME, SENSITIVITY):
        told = readings[readings[name] != ""].copy()
        told[name] = told[name].where(told[name] != NOT_ASSESSABLE)
        yield Compared(name, None, _wide(told, keys, name))
    told = readings[readings[OUTCOME] != ""].copy()
    told[ASSESSABLE] = np.where(told[OUTCOME] == NOT_ASSESSABLE, "no", "yes")
    yield Compared(ASSESSABLE, None, _wide(told, keys, ASSESSABLE))
    long = data.findings.merge(readings[["reading", "reader", *keys]], on="reading")
    questions = asked(data.protocol)
    for question, mine in long.groupby("question", sort=False):
        levels = questions.levels(str(question))
        column = "code" if (mine["code"] != "").any() else "number"
        told = mine.assign(code=mine["code"].where(mine["code"] != ""))
        if told[column].notna().any():
            yield Compared(str(question), levels, _wide(told, keys, column))


def _wide(rows: pd.DataFrame, keys: list[str], column: str) -> pd.DataFrame:
    """Return one row per scan and one column per reader; the reading signed last counts."""
    once = rows.drop_duplicates([*keys, "reader"], keep="last")
    wide: pd.DataFrame = once.set_index([*keys, "reader"])[column].unstack("reader")  # noqa: PD010
    return wide.dropna(how="all")


def codes_of(each: Compared) -> tuple[tuple[str, ...], bool]:
    """Return the declared levels; those found where the protocol declares none."""
    if each.name == ASSESSABLE:
        return ("yes", "no"), False
    if each.name in {OUTCOME, SENSITIVITY}:
        return DICHOTOMY, False
    if each.levels is not None:
        return each.levels.codes, each.levels.ordered
    if pd.api.types.is_numeric_dtype(each.ratings.to_numpy().dtype):
        return (), False
    found = pd.unique(each.ratings.to_numpy().ravel())
    return tuple(sorted(str(code) for code in found if pd.notna(code))), False
