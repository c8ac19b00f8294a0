"""When repairs tore: the cumulative share, and the interval of every repair."""

from __future__ import annotations

from typing import TYPE_CHECKING

from imgtrack.report.figures.retear import cumulative
from imgtrack.report.page import KeyFigure, Section, Text
from imgtrack.report.tables import Column, count, estimate_text, number, whole, words

if TYPE_CHECKING:
    from imgtrack.report.page import Part
    from imgtrack.report.sections.material import Material
    from imgtrack.report.tables import Row

ID = "timing-section"
PRIMARY = "primary"
ON_TARGET = (
    "A scan of a timepoint is taken to be made on its target day; steps.csv holds the estimate "
    "from the days themselves."
)
REVERSED = (
    "repairs were judged healed on a scan after a retear. Each stays a retear from its first; "
    "look at those scans again."
)


def torn_range(row: Row) -> str:
    """Return between what the estimated share lies."""
    least, most = row["at_least"], row["at_most"]
    if number(100 * least) == number(100 * most):
        return estimate_text(most, None, None, as_percent=True)
    return f"{number(100 * least)} to {number(100 * most)} %"


def section(material: Material) -> Section:
    """Return the section on the time of retears."""
    parts: list[Part] = []
    told = material.tables["cumulative"]
    primary = told[told["rule"] == PRIMARY]
    if len(primary):
        drawing = cumulative(
            primary.rename(columns={"rule": "group"}),
            rule=material.made_from.rule,
            level=material.level,
            tables=("cumulative",),
        )
        parts.append(material.picture(drawing))
    parts.append(_told(material))
    parts += _reversals(material)
    parts.append(_intervals(material))
    return Section(ID, "When repairs tore", tuple(parts))


def key_figure(material: Material) -> KeyFigure | None:
    """Return the share torn by the last timepoint by the primary rule."""
    told = material.tables["cumulative"]
    primary = told[told["rule"] == PRIMARY]
    if primary.empty:
        return None
    row = primary.iloc[-1].to_dict()
    low, high = (estimate_text(row[name], None, None, as_percent=True) for name in ("low", "high"))
    detail = (
        f"Interval-censored estimate, {material.limits} {low} to {high}; "
        f"{row['n']} repairs with an assessable scan."
    )
    return KeyFigure(f"Retorn by {material.label(row['timepoint'])}", torn_range(row), detail, ID)


def _told(material: Material) -> Part:
    columns = (
        words("rule"),
        words("timepoint", "by"),
        count("day"),
        Column("share torn", torn_range, is_number=True),
        Column(material.limits, _limits, is_number=True),
        count("at_risk", "seen intact then or later"),
        count("n", "repairs"),
    )
    frame = material.labelled("cumulative")
    cautions = " ".join(dict.fromkeys(f"Limits are {text}." for text in frame["caution"] if text))
    note = f"{ON_TARGET} {cautions}"
    caption = "Share of repairs torn by each timepoint"
    return material.shown("cumulative", caption, columns, frame, note=note)


def _limits(row: Row) -> str:
    return f"{number(100 * row['low'])} to {number(100 * row['high'])} %"


def _reversals(material: Material) -> list[Part]:
    intervals = material.tables["first_retears"]
    again = intervals[(intervals["rule"] == PRIMARY) & (intervals["healed_again_on"] != "")]
    if again.empty:
        return []
    return [Text(f"{len(again)} {REVERSED} {', '.join(again['repair'])}.", is_warning=True)]


def _intervals(material: Material) -> Part:
    intervals = material.tables["first_retears"]
    torn = intervals[(intervals["rule"] == PRIMARY) & (intervals["state"] == "retear seen")]
    columns = (
        words("repair"),
        words("arm"),
        Column("intact until day", lambda row: whole(row["intact_until"]), is_number=True),
        Column("torn by day", lambda row: whole(row["torn_by"]), is_number=True),
        words("healed_again_on", "healed again on day"),
    )
    caption = "First retear of each repair that tore, primary rule"
    note = "The files also hold the repairs without a retear and the sensitivity rule."
    return material.shown("first_retears", caption, columns, torn, note=note)
