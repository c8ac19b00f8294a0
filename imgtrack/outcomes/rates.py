"""Rates of an event as tidy tables: by group, with limits, clusters and what is missing.

Columns: ``group``, ``quantity`` (what the row estimates), ``events`` of ``assessed`` units,
``missing`` units, ``estimate``, ``low`` and ``high`` at ``level``, ``method``, and
``why_undefined`` in plain words. A rate with no event always stands with its upper limit.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from imgtrack.domain.errors import Fault, InvalidInput
from imgtrack.outcomes.ratings import NOT_ASSESSABLE
from imgtrack.stats import proportions
from imgtrack.stats.intervals import confidence_band
from imgtrack.stats.results import Estimate

COLUMNS = (
    "group",
    "quantity",
    "events",
    "assessed",
    "missing",
    "estimate",
    "low",
    "high",
    "level",
    "method",
    "why_undefined",
)
TIME_COLUMNS = ("group", "time", "at_least", "at_most", "low", "high", "level", "n", "caution")
EVENT_WORDS = {"1": 1.0, "yes": 1.0, "true": 1.0, "retear": 1.0} | {
    "0": 0.0,
    "no": 0.0,
    "false": 0.0,
    "healed": 0.0,
}
EVERYONE = "all"


@dataclass(frozen=True, slots=True)
class Counted:
    """Events, assessed and missing units of one group."""

    events: int
    assessed: int
    missing: int


def as_events(texts: pd.Series, retear_codes: Sequence[str] = ()) -> pd.Series:
    """Return 1 for an event, 0 for none and ``nan`` for not assessable.

    Parameters
    ----------
    texts
        ``1``/``0``, yes/no, true/false or retear/healed; grades when ``retear_codes`` are given.
    retear_codes
        Grades that count as the event; every other text that is no "not assessable" does not,
        so check the texts against the scale before.

    Raises
    ------
    InvalidInput
        A text is none of these words.
    """
    words = texts.str.strip()
    missing = words.str.lower().isin(NOT_ASSESSABLE)
    if retear_codes:
        return words.isin(retear_codes).astype(float).where(~missing)
    events = words.str.lower().map(EVENT_WORDS)
    wrong = ~missing & events.isna()
    if wrong.any():
        raise InvalidInput(
            Fault(
                "some values are no events",
                "row " + ", ".join(str(number + 2) for number in events.index[wrong][:5]),
                ", ".join(EVENT_WORDS) + " (or NE for not assessable)",
                ", ".join(map(repr, words[wrong].unique()[:5])),
                "correct them, or give --scale and --rule for grades",
            )
        )
    return events


def event_rates(
    subjects: pd.Series, events: pd.Series, groups: pd.Series | None = None, *, level: float = 0.95
) -> pd.DataFrame:
    """Return the rate of an event with everything a reviewer asks beside it.

    Parameters
    ----------
    subjects
        Patient of each unit; a patient with several units makes a cluster.
    events
        1, 0 or ``nan`` (not assessable or not imaged) for each unit.
    groups
        Group of each unit; one group when ``None``.
    level
        Confidence level.

    Returns
    -------
    DataFrame
        For each group and for all: the rate with Wilson and exact limits, with limits adjusted
        for clusters where a patient has several units, and with the missing units counted as
        events or not. With two groups, their difference and odds ratio; with more, none.
    """
    names = groups if groups is not None else pd.Series(EVERYONE, index=events.index)
    rows: list[dict[str, Any]] = []
    counted: dict[str, Counted] = {}
    known = list(dict.fromkeys(names))
    parts = [(name, events[names == name]) for name in known]
    if len(known) > 1:
        parts.append((EVERYONE, events))
    for name, mine in parts:
        counted[name] = _count(mine)
        rows.extend(_rates(name, counted[name], level))
        rows.extend(_clustered(name, subjects.loc[mine.index], mine, counted[name], level))
    if len(known) == 2:
        first, second = known
        rows.extend(_compared(first, second, counted[first], counted[second], level))
    return pd.DataFrame(rows, columns=list(COLUMNS))


def event_times(
    left: pd.Series,
    right: pd.Series,
    times: Sequence[float],
    groups: pd.Series | None = None,
    *,
    level: float = 0.95,
) -> pd.DataFrame:
    """Return the share with the event by given times, from intervals (left, right].

    Parameters
    ----------
    left, right
        Last time without and first time with the event; ``inf`` when it was not seen. Missing
        bounds leave the unit out.
    times
        Times for which the share is wanted.
    groups
        Group of each unit; one group when ``None``.
    level
        Confidence level of the limits.

    Returns
    -------
    DataFrame
        ``at_least`` and ``at_most`` bound the estimated share, since the data may not say when in
        an interval the event came; ``low`` and ``high`` are confidence limits around both.
    """
    names = groups if groups is not None else pd.Series(EVERYONE, index=left.index)
    rows = []
    for name in dict.fromkeys(names):
        mine = names == name
        band = confidence_band(left[mine], right[mine], np.asarray(times, float), level=level)
        columns = (
            band.times,
            1 - band.estimate_upper,
            1 - band.estimate_lower,
            1 - band.high,
            1 - band.low,
        )
        for time, at_least, at_most, low, high in zip(*columns, strict=True):
            words = band.why_undefined or band.caution
            rows.append((name, time, at_least, at_most, low, high, level, band.n_used, words))
    return pd.DataFrame(rows, columns=list(TIME_COLUMNS))


def _count(events: pd.Series) -> Counted:
    return Counted(int(events.sum()), int(events.count()), int(events.isna().sum()))


def _rates(name: str, counted: Counted, level: float) -> Iterator[dict[str, Any]]:
    numbers = (counted.events, counted.assessed)
    wilson = proportions.proportion(*numbers, method="wilson", level=level)
    exact = proportions.proportion(*numbers, method="clopper-pearson", level=level)
    yield _row(name, "rate among the assessed", counted, wilson)
    yield _row(name, "rate among the assessed, exact limits", counted, exact)
    if counted.missing:
        bounds = proportions.bounds_for_missing(*numbers, counted.missing, level=level)
        yield _row(name, "if no missing unit had the event", counted, bounds.lowest)
        yield _row(name, "if every missing unit had the event", counted, bounds.highest)


def _clustered(
    name: str, subjects: pd.Series, events: pd.Series, counted: Counted, level: float
) -> Iterator[dict[str, Any]]:
    """Yield the rate with limits for patients with several units, where there are any."""
    assessed = events.dropna()
    by_patient = assessed.groupby(subjects.loc[assessed.index])
    if counted.assessed and (by_patient.size() > 1).any():
        found = proportions.clustered_proportion(by_patient.sum(), by_patient.size(), level=level)
        yield _row(name, "rate among the assessed, patients as clusters", counted, found)


def _compared(
    first: str, second: str, one: Counted, two: Counted, level: float
) -> Iterator[dict[str, Any]]:
    both = Counted(one.events + two.events, one.assessed + two.assessed, one.missing + two.missing)
    numbers = (one.events, one.assessed, two.events, two.assessed)
    pair = f"{first} - {second}"
    yield _row(pair, "difference", both, proportions.difference(*numbers, level=level))
    yield _row(pair, "odds ratio", both, proportions.odds_ratio(*numbers, level=level))


def _row(group: str, quantity: str, counted: Counted, found: Estimate) -> dict[str, Any]:
    return {
        "group": group,
        "quantity": quantity,
        "events": counted.events,
        "assessed": counted.assessed,
        "missing": counted.missing,
        "estimate": found.estimate,
        "low": found.low,
        "high": found.high,
        "level": found.level,
        "method": found.method,
        "why_undefined": found.why_undefined or found.why_no_interval,
    }
