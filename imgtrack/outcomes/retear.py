"""The retear rate at each timepoint: by verdict, by reader, corrected, and what it looked like."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import pandas as pd

from imgtrack.domain.reading import Round
from imgtrack.domain.scales import Healing
from imgtrack.outcomes.flow import outcome_cells
from imgtrack.outcomes.rates import COLUMNS, event_rates
from imgtrack.stats.latent import latent_truth

if TYPE_CHECKING:
    from imgtrack.outcomes.study_data import StudyData

RATE_COLUMNS = ("timepoint", "rule", "by", *COLUMNS[1:])
PATTERN_COLUMNS = ("timepoint", "pattern", "retears", "share")
CORRECTED_COLUMNS = (
    "what", "reader", "estimate", "low", "high", "level", "n", "method", "why_undefined", "caution",
)  # fmt: skip
RULES = {"outcome": "primary", "outcome_sensitivity": "sensitivity"}
EVENT = {Healing.RETEAR.value: 1.0, Healing.HEALED.value: 0.0}
BOTH = (Healing.HEALED.value, Healing.RETEAR.value)
BY_VERDICT = "verdict"
RESAMPLES = 400


def retear_rates(data: StudyData, *, level: float = 0.95) -> pd.DataFrame:
    """Return the retear rate at each follow-up timepoint with all that a reviewer asks beside it.

    Returns
    -------
    DataFrame
        Columns ``RATE_COLUMNS``. By verdict, under the primary and the sensitivity rule: Wilson
        and exact limits, limits for patients with two repairs, and the rates if none or all of
        the repairs without an assessable scan had torn; missing are those that were due. Then by
        each reader's own first readings, among those the reader could assess.
    """
    cells = outcome_cells(data)
    rows: list[pd.DataFrame] = []
    for timepoint in data.follow_up:
        due = cells[(cells["timepoint"] == timepoint) & cells["is_due"]]
        for column, rule in RULES.items():
            found = event_rates(due["subject"], due[column].map(EVENT), level=level)
            rows.append(found.assign(timepoint=timepoint, rule=rule, by=BY_VERDICT))
    rows.extend(_by_reader(data, level))
    if not rows:
        return pd.DataFrame(columns=list(RATE_COLUMNS))
    return pd.concat(rows, ignore_index=True)[list(RATE_COLUMNS)]


def _by_reader(data: StudyData, level: float) -> Iterator[pd.DataFrame]:
    first = first_outcomes(data)
    for timepoint in data.follow_up:
        here = first[first["timepoint"] == timepoint]
        for reader, mine in here.groupby("reader"):
            found = event_rates(mine["subject"], mine["outcome"].map(EVENT), level=level)
            kept = found[found["quantity"].str.startswith("rate")]
            yield kept.assign(timepoint=timepoint, rule="primary", by=f"reader {reader}")


def first_outcomes(data: StudyData) -> pd.DataFrame:
    """Return the standing first readings that ask for the outcome."""
    readings = data.readings
    return readings[(readings["round"] == Round.FIRST.value) & (readings["outcome"] != "")]


def retear_patterns(data: StudyData) -> pd.DataFrame:
    """Return how the repairs tore, counted by verdict at each timepoint."""
    cells = outcome_cells(data)
    torn = cells[cells["outcome"] == Healing.RETEAR.value]
    told = data.verdict_findings
    pattern = told[told["question"] == "retear_pattern"]
    code_of = dict(zip(pattern["scan"], pattern["code"], strict=True))
    named = pd.Series([code_of.get(s) or "not assessable" for s in torn["scan"]], torn.index, str)
    rows = []
    for timepoint in data.follow_up:
        mine = named[torn["timepoint"] == timepoint]
        for code, count in mine.value_counts().sort_index().items():
            rows.append((timepoint, code, int(count), count / len(mine)))
    return pd.DataFrame(rows, columns=list(PATTERN_COLUMNS))


def corrected_rate(
    data: StudyData, *, level: float = 0.95, replicates: int = RESAMPLES
) -> pd.DataFrame:
    """Return the retear rate behind the readers' errors, and each reader's accuracy.

    A latent class model of the independent first readings with the timepoints as strata (Hui and
    Walter 1980): it assumes that readers err independently of each other and alike at every
    timepoint. It is undefined, with the reason, where the readings do not determine it.
    """
    first = first_outcomes(data)
    wide = first.pivot_table(
        index=["scan", "timepoint", "subject"], columns="reader", values="outcome", aggfunc="last"
    )
    known = wide.where(wide.isin(BOTH)).dropna(how="all")
    if known.empty:
        return pd.DataFrame(columns=list(CORRECTED_COLUMNS))
    found = latent_truth(
        known.to_numpy(dtype=object),
        categories=BOTH,
        positive=[Healing.RETEAR.value],
        readers=list(known.columns),
        strata=known.index.get_level_values("timepoint"),
        clusters=known.index.get_level_values("subject"),
        level=level,
        rng=data.protocol.reading.order_seed,
        replicates=replicates,
    )
    parts = [("true retear rate over all timepoints", "all", found.rate)]
    for reader in found.readers:
        parts.append(("sensitivity", str(reader.reader), reader.sensitivity))
        parts.append(("specificity", str(reader.reader), reader.specificity))
    rows: list[dict[str, Any]] = [
        {
            "what": what,
            "reader": who,
            "estimate": part.estimate,
            "low": part.low,
            "high": part.high,
            "level": part.level,
            "n": part.n_used,
            "method": part.method,
            "why_undefined": part.why_undefined or part.why_no_interval,
            "caution": found.caution,
        }
        for what, who, part in parts
    ]
    return pd.DataFrame(rows, columns=list(CORRECTED_COLUMNS))
