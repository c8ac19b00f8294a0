"""How scans came to their verdicts, and how often each reader was overruled."""

from __future__ import annotations

from typing import TYPE_CHECKING

from imgtrack.report.page import Section, ShownTable, Text
from imgtrack.report.sections.subgroups import p_value
from imgtrack.report.tables import Column, count, estimate_text, with_limits, words

if TYPE_CHECKING:
    from imgtrack.report.sections.material import Material
    from imgtrack.report.tables import Row

ID = "settling-section"
STAY = "Every reading stays as it was signed; a verdict is a record beside them."


def section(material: Material) -> Section:
    """Return the section on verdicts."""
    share = with_limits(f"share ({material.limits})", "share", as_percent=True)
    rules = material.shown(
        "settling",
        "How final verdicts were given",
        (words("rule"), count("scans"), share),
        note="Wilson limits.",
    )
    overruled = material.shown(
        "overruled",
        "Readers overruled in the outcome, among scans an adjudicator settled",
        (words("reader"), count("settled_scans"), count("overruled"), share),
        note="On settled scans at least one first reader is usually overruled: compare readers "
        "with each other, not with 0.",
    )
    parts = (Text(STAY), rules, overruled, _drift(material))
    return Section(ID, "How verdicts were given", parts)


def _drift(material: Material) -> ShownTable:
    frame = material.tables["drift"]
    columns = (
        words("reader"),
        words("against"),
        words("quantity"),
        words("block"),
        count("pairs"),
        count("agreeing"),
        Column(f"share ({material.limits})", _share, is_number=True),
        Column("p", p_value, is_number=True),
    )
    note = (
        "First readings in the order of signing, cut into blocks. A verdict follows from the first "
        "readings too, so agreement with it lies above agreement with the truth."
    )
    caption = "Drift: readers against their repeats and the verdicts, over time"
    return material.shown("drift", caption, columns, frame, note=note)


def _share(row: Row) -> str:
    return estimate_text(row["estimate"], row["low"], row["high"], as_percent=True)
