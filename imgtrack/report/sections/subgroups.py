"""Retears in the subgroups of the protocol, each against the first group."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from imgtrack.report.figures.retear import forest
from imgtrack.report.page import Section, Text
from imgtrack.report.sections.retear import MAIN
from imgtrack.report.tables import (
    NOTHING,
    estimate_text,
    figures,
    is_missing,
    number,
    spread,
    words,
)

if TYPE_CHECKING:
    import pandas as pd

    from imgtrack.report.page import Part
    from imgtrack.report.sections.material import Material
    from imgtrack.report.tables import Row

ID = "subgroups-section"
NONE = "The protocol names no subgroup, or none has a verdict yet."
EXPLORED = (
    "Subgroups are those the protocol names. Comparisons are exploratory: their p values are not "
    "corrected for how many there are."
)


def section(material: Material) -> Section:
    """Return the section on subgroups, at the report's main timepoint."""
    every = material.tables["subgroups"]
    point = material.main_timepoint
    frame = every[every["timepoint"] == point]
    if frame.empty:
        return Section(ID, "Subgroups", (Text(NONE),))
    parts: list[Part] = [Text(EXPLORED)]
    parts += [Text(f"{words}.", is_warning=True) for words in _warnings(frame)]
    rates = frame[frame["quantity"] == "rate"]
    drawing = forest(
        rates.rename(columns={"group": "label"}),
        title=f"Retear rate by subgroup at {material.label(point)}",
        overall=_overall(material, point),
        level=material.level,
        tables=("subgroups",),
    )
    parts.append(material.picture(drawing))
    parts.append(_comparisons_table(material, frame[frame["quantity"] != "rate"]))
    return Section(ID, "Subgroups", tuple(parts))


def _overall(material: Material, timepoint: str) -> float:
    rates = material.tables["retear"]
    mine = rates[
        (rates["timepoint"] == timepoint)
        & (rates["rule"] == "primary")
        & (rates["by"] == "verdict")
        & (rates["quantity"] == MAIN)
    ]
    return float(mine["estimate"].iloc[0]) if len(mine) else math.nan


def _warnings(frame: pd.DataFrame) -> list[str]:
    warned = frame[frame["warning"] != ""]
    named = warned["subgroup"] + ": " + warned["warning"]
    return list(dict.fromkeys(named))


def _comparisons_table(material: Material, compared: pd.DataFrame) -> Part:
    keys = ("subgroup", "group", "against", "p")
    named = compared.assign(p=[p_value(row) for row in compared.to_dict("records")])
    wide = spread(named, keys, "quantity", _estimate)
    columns = (
        words("subgroup"),
        words("group"),
        words("against"),
        *(figures(name) for name in wide.columns[len(keys) :]),
        figures("p"),
    )
    note = (
        f"{material.limits.capitalize()}. Differences and trends in percentage points; p of "
        "Fisher's exact test, or of the trend. The files hold every timepoint."
    )
    caption = (
        f"Subgroups compared with the first group at {material.label(material.main_timepoint)}"
    )
    return material.shown("subgroups", caption, columns, wide, note=note)


def _estimate(row: Row) -> str:
    is_share = row["quantity"] in {"difference", "trend per group"}
    found = estimate_text(row["estimate"], row["low"], row["high"], as_percent=is_share)
    return f"not defined: {row['why_undefined']}" if found == NOTHING else found


def p_value(row: Row) -> str:
    """Return a p value to three decimals, never as 0."""
    value = row["p_value"]
    return "< 0.001" if not is_missing(value) and value < 0.001 else number(value, 3)
