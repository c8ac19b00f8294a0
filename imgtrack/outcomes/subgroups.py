"""The retear rate by subgroup: rates, differences from the first group, exact test and trend."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy.stats import fisher_exact

from imgtrack.outcomes.flow import outcome_cells
from imgtrack.outcomes.retear import EVENT
from imgtrack.stats import proportions

if TYPE_CHECKING:
    from imgtrack.domain.protocol import Subgroup
    from imgtrack.outcomes.study_data import StudyData
    from imgtrack.stats.results import Estimate

COLUMNS = (
    "timepoint", "subgroup", "group", "against", "quantity", "events", "assessed", "estimate",
    "low", "high", "level", "p_value", "method", "why_undefined", "warning",
)  # fmt: skip
FEWEST_EVENTS = 10
"""Events per compared group below which comparisons are warned of (the usual rule of thumb for
regression: Peduzzi et al., J Clin Epidemiol 1996;49:1373-79)."""

NOT_RECORDED = "not recorded"


def subgroup_rates(data: StudyData, *, level: float = 0.95) -> pd.DataFrame:
    """Return rates and comparisons of every subgroup of the protocol at every follow-up timepoint.

    A subgroup is a column of the registry or, under the name of a question, the finding of the
    final verdict before surgery (as ``goutallier supraspinatus``). Subgroups with bounds are
    ordered and tested for trend.
    """
    cells = outcome_cells(data)
    cells = cells.assign(event=cells["outcome"].map(EVENT)).dropna(subset=["event"])
    rows: list[dict[str, Any]] = []
    for subgroup in data.protocol.subgroup:
        values = _values(data, subgroup.column)
        groups = cells["repair"].map(_groups(values, subgroup))
        names = [name for name in _order(values, subgroup) if (groups == name).any()]
        for timepoint in data.follow_up:
            here = cells["timepoint"] == timepoint
            mine = [_Group(name, cells.loc[here & (groups == name), "event"]) for name in names]
            there = {"timepoint": timepoint, "subgroup": subgroup.name}
            found = _rows([each for each in mine if each.assessed], subgroup, level)
            rows.extend(there | row for row in found)
    return pd.DataFrame(rows, columns=list(COLUMNS))


class _Group:
    """Events of one group."""

    def __init__(self, name: str, events: pd.Series) -> None:
        self.name = name
        self.events, self.assessed = int(events.sum()), len(events)

    @property
    def counts(self) -> tuple[int, int]:
        return self.events, self.assessed


def _values(data: StudyData, column: str) -> pd.Series:
    """Return the value of each repair, by repair."""
    if column in data.repairs.columns:
        return data.repairs.set_index("repair")[column]
    before = data.verdicts[data.verdicts["day"] < 0][["scan", "repair"]]
    told = data.verdict_findings[data.verdict_findings["question"] == column]
    found = told.merge(before, on="scan").drop_duplicates("repair", keep="last")
    values = found["code"].where(found["code"] != "", found["number"])
    return values.set_axis(found["repair"]).reindex(data.repairs["repair"])


def _bounded(bounds: tuple[float, ...]) -> list[str]:
    inner = [f"{low:g} to below {high:g}" for low, high in pairwise(bounds)]
    return [f"below {bounds[0]:g}", *inner, f"{bounds[-1]:g} and more"]


def _groups(values: pd.Series, subgroup: Subgroup) -> pd.Series:
    """Return the name of each repair's group."""
    if not subgroup.bounds:
        texts = values.astype(object).where(values.notna(), "").astype(str)
        return texts.where(texts != "", NOT_RECORDED)
    numbers = pd.to_numeric(values, errors="coerce")
    edges = [-float("inf"), *subgroup.bounds, float("inf")]
    cut = pd.cut(numbers, edges, right=False, labels=_bounded(subgroup.bounds))
    return cut.astype(object).where(numbers.notna(), NOT_RECORDED)


def _order(values: pd.Series, subgroup: Subgroup) -> list[str]:
    names = _bounded(subgroup.bounds) if subgroup.bounds else sorted(set(_groups(values, subgroup)))
    return [name for name in names if name != NOT_RECORDED] + [NOT_RECORDED]


def _rows(groups: list[_Group], subgroup: Subgroup, level: float) -> Iterator[dict[str, Any]]:
    named = [group for group in groups if group.name != NOT_RECORDED]
    events = sum(group.events for group in named)
    compared = max(1, len(named) - 1)
    warning = ""
    if len(named) > 1 and events < FEWEST_EVENTS * compared:
        warning = f"{events} events for {compared} comparisons: too few to rely on"
    for group in groups:
        rate = proportions.proportion(*group.counts, method="wilson", level=level)
        yield _row(group, "", "rate", rate, warning="")
    for group in named[1:]:
        yield from _against(group, named[0], level, warning)
    if subgroup.bounds and len(named) > 2:
        yield _trend(named, level, warning)


def _against(group: _Group, first: _Group, level: float, warning: str) -> Iterator[dict[str, Any]]:
    pair = (*group.counts, *first.counts)
    both = (group.counts, first.counts)
    table = np.array([[events, assessed - events] for events, assessed in both])
    p_value = float(fisher_exact(table).pvalue)
    found: dict[str, Estimate] = {
        "difference": proportions.difference(*pair, level=level),
        "risk ratio": proportions.risk_ratio(*pair, level=level),
        "odds ratio": proportions.odds_ratio(*pair, level=level),
    }
    for quantity, estimate in found.items():
        yield _row(group, first.name, quantity, estimate, warning=warning, p_value=p_value)


def _trend(groups: list[_Group], level: float, warning: str) -> dict[str, Any]:
    found = proportions.trend([g.events for g in groups], [g.assessed for g in groups], level=level)
    everyone = _Group(f"{groups[0].name} ... {groups[-1].name}", pd.Series(dtype=float))
    everyone.events = sum(group.events for group in groups)
    everyone.assessed = sum(group.assessed for group in groups)
    row = _row(everyone, "", "trend per group", found.slope, warning=warning)
    return row | {"p_value": found.p_value}


def _row(
    group: _Group,
    against: str,
    quantity: str,
    found: Estimate,
    *,
    warning: str,
    p_value: float = float("nan"),
) -> dict[str, Any]:
    return {
        "group": group.name,
        "against": against,
        "quantity": quantity,
        "events": group.events,
        "assessed": group.assessed,
        "estimate": found.estimate,
        "low": found.low,
        "high": found.high,
        "level": found.level,
        "p_value": p_value,
        "method": found.method,
        "why_undefined": found.why_undefined or found.why_no_interval,
        "warning": warning,
    }
