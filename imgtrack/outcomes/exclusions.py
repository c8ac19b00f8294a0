"""What the results leave out, counted."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import pandas as pd

from imgtrack.domain.imaging import Modality
from imgtrack.domain.reading import Round
from imgtrack.outcomes.study_data import NOT_ASSESSABLE, UNSCHEDULED

if TYPE_CHECKING:
    from imgtrack.outcomes.study_data import StudyData

COLUMNS = ("left_out", "of", "count")
RATES, CURVE, AGREEMENT = "rates at timepoints", "cumulative share", "agreement"


def exclusions(data: StudyData) -> pd.DataFrame:
    """Return what was left out, of what, and how often; a zero says that nothing was."""
    return pd.DataFrame(list(_counted(data)), columns=list(COLUMNS))


def _counted(data: StudyData) -> Iterator[tuple[str, str, int]]:
    scans, verdicts = data.scans, data.verdicts
    after = scans[(scans["day"] >= 0) & (scans["modality"] == Modality.MR.value)]
    asked = verdicts[verdicts["outcome"] != ""]
    open_ = after[~after["scan"].isin(asked["scan"])]
    clear = asked[asked["outcome"] != NOT_ASSESSABLE]
    yield "scans whose reading is not final", RATES, len(open_)
    yield "verdicts not assessable", RATES, len(asked) - len(clear)
    outside = clear["timepoint"] == UNSCHEDULED
    yield "verdicts outside every window", RATES, int(outside.sum())
    unseen = data.repairs[~data.repairs["repair"].isin(clear["repair"])]
    yield "repairs without an assessable scan", CURVE, len(unseen)
    signed = data.records.readings
    amended = {reading.amends for reading in signed if reading.amends}
    replaced = sum(reading.key in amended for reading in signed)
    yield "readings replaced by their amendment", AGREEMENT, replaced
    training = sum(reading.round is Round.TRAINING for reading in signed)
    yield "training readings", AGREEMENT, training
    first = data.readings[data.readings["round"] == Round.FIRST.value]
    unclear = first["outcome"] == NOT_ASSESSABLE
    yield "first readings not assessable", AGREEMENT, int(unclear.sum())
