"""Retears: at each timepoint, by time, in subgroups, and what the readers' errors do to them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from imgtrack.report.figures.retear import rates_over_time
from imgtrack.report.page import KeyFigure, Section, Text
from imgtrack.report.tables import (
    Column,
    count,
    estimate_text,
    figures,
    percent,
    spread,
    words,
)

if TYPE_CHECKING:
    import pandas as pd

    from imgtrack.report.page import Part
    from imgtrack.report.sections.material import Material
    from imgtrack.report.tables import Row

ID = "retear-section"
MAIN = "rate among the assessed"
OTHER = {
    "rate among the assessed, exact limits": "exact limits",
    "rate among the assessed, patients as clusters": "patients as clusters",
    "if no missing unit had the event": "all missing healed",
    "if every missing unit had the event": "all missing torn",
}
NO_EVENT = "Where no retear was seen, what can be said is the upper limit, not that the rate is 0."


def rate(row: Row) -> str:
    """Return a rate with its limits; without an event its upper limit first."""
    if row["events"] == 0 and row["assessed"]:
        return f"none seen: up to {estimate_text(row['high'], None, None, as_percent=True)}"
    return estimate_text(row["estimate"], row["low"], row["high"], as_percent=True)


def section(material: Material) -> Section:
    """Return the section on retears."""
    parts: list[Part] = [_rules(material)]
    rates = _by_verdict(material)
    main = rates[rates["quantity"] == MAIN]
    if len(main):
        labelled = main.assign(rule=main["rule"].map(_rule_words(material)))
        drawing = rates_over_time(labelled, level=material.level, tables=("retear",))
        parts.append(material.picture(drawing))
    parts.append(_main_table(material, main))
    if (main["events"] == 0).any():
        parts.append(Text(NO_EVENT))
    parts.append(_other_limits(material, rates[rates["quantity"] != MAIN]))
    parts.append(_reader_table(material))
    parts.append(_corrected(material))
    parts.append(_patterns(material))
    return Section(ID, "Retears at each timepoint", tuple(parts))


def key_figure(material: Material, timepoint: str) -> KeyFigure | None:
    """Return the retear rate at a timepoint by the primary rule."""
    rates = material.tables["retear"]
    here = rates[
        (rates["timepoint"] == timepoint) & (rates["by"] == "verdict") & (rates["quantity"] == MAIN)
    ].set_index("rule")
    if "primary" not in here.index or not here.loc["primary", "assessed"]:
        return None
    row, other = here.loc["primary"], here.loc["sensitivity"]
    value = estimate_text(row["estimate"], None, None, as_percent=True)
    if not row["events"]:
        value = f"none of {row['assessed']}"
    low, high = (estimate_text(row[name], None, None, as_percent=True) for name in ("low", "high"))
    detail = (
        f"{row['events']} of {row['assessed']} assessable; {material.limits} {low} to {high}. "
        f"Sensitivity rule: {rate(other.to_dict())}."
    )
    return KeyFigure(f"Retorn at {material.label(timepoint)}", value, detail, ID)


def _rules(material: Material) -> Text:
    made = material.made_from
    return Text(f"Primary rule: {made.rule}. Sensitivity rule: {made.sensitivity_rule}.")


def _rule_words(material: Material) -> dict[str, str]:
    made = material.made_from
    return {
        "primary": f"primary rule: {made.rule}",
        "sensitivity": f"sensitivity rule: {made.sensitivity_rule}",
    }


def _by_verdict(material: Material) -> pd.DataFrame:
    rates = material.labelled("retear")
    return rates[rates["by"] == "verdict"]


def _rate_column(material: Material) -> Column:
    return Column(f"rate ({material.limits})", rate, is_number=True)


def _main_table(material: Material, main: pd.DataFrame) -> Part:
    columns = (
        words("timepoint"),
        words("rule"),
        count("events", "retears"),
        count("assessed", "assessable"),
        count("missing", "due, not assessable or missing"),
        _rate_column(material),
    )
    caption = "Retear rate by verdict"
    return material.shown("retear", caption, columns, main, note="Wilson limits.")


def _other_limits(material: Material, rates: pd.DataFrame) -> Part:
    wide = spread(rates, ("timepoint", "rule"), "quantity", rate)
    columns = (
        words("timepoint"),
        words("rule"),
        *(figures(name, OTHER.get(name, name)) for name in wide.columns[2:]),
    )
    caption = "The same rates with other limits, and if missing scans had all healed or all torn"
    return material.shown("retear_other", caption, columns, wide, of="retear")


def _reader_table(material: Material) -> Part:
    rates = material.labelled("retear")
    mine = rates[(rates["by"] != "verdict") & (rates["quantity"] == MAIN)]
    wide = spread(mine, ("timepoint",), "by", _counted)
    columns = (words("timepoint"), *(figures(name) for name in wide.columns[1:]))
    caption = "Retear rate by each reader's own first readings, primary rule"
    note = f"Retears of the scans the reader could assess; Wilson {material.limits}."
    return material.shown("retear_by_reader", caption, columns, wide, note=note, of="retear")


def _counted(row: Row) -> str:
    return f"{row['events']} of {row['assessed']}: {rate(row)}"


def _corrected(material: Material) -> Part:
    frame = material.tables["corrected"]
    cautions = " ".join(dict.fromkeys(f"It {text}." for text in frame["caution"] if text))
    columns = (
        words("what"),
        words("reader"),
        Column(f"estimate ({material.limits})", _or_why, is_number=True),
    )
    caption = "Retear rate corrected for reading error"
    return material.shown("corrected", caption, columns, note=cautions)


def _or_why(row: Row) -> str:
    return str(row["why_undefined"]) or estimate_text(
        row["estimate"], row["low"], row["high"], as_percent=True
    )


def _patterns(material: Material) -> Part:
    frame = material.labelled("patterns")
    named = frame.assign(pattern=frame["pattern"].map(lambda code: f"pattern {code}"))
    wide = spread(
        named, ("timepoint",), "pattern", lambda row: f"{row['retears']} ({percent(row['share'])})"
    )
    columns = (words("timepoint"), *(figures(name) for name in wide.columns[1:]))
    caption = "How the repairs tore: retears of each pattern"
    return material.shown("patterns", caption, columns, wide)
