"""Follow-up: who was asked for, who came, and what could be read."""

from __future__ import annotations

from typing import TYPE_CHECKING

from imgtrack.report.page import KeyFigure, Section
from imgtrack.report.pictures import follow_up_picture
from imgtrack.report.tables import count, percent, with_limits, words

if TYPE_CHECKING:
    import pandas as pd

    from imgtrack.report.page import Part
    from imgtrack.report.sections.material import Material

ID = "follow-up-section"
NUMBERS = (
    count("operated"),
    count("due"),
    count("imaged"),
    count("missed"),
    count("awaited"),
    count("read", "with verdict"),
    count("assessable"),
    count("not_assessable", "not assessable"),
)
NOTE = (
    "Due: the window has opened and the follow-up had not ended. A patient lost to follow-up stays "
    "in this denominator as missed."
)


def section(material: Material) -> Section:
    """Return the section on follow-up."""
    parts: list[Part] = []
    drawing = follow_up_picture(material.data)
    if drawing is not None:
        parts.append(material.picture(drawing))
    flow = material.labelled("flow")
    everyone = flow[flow["group_by"] == "all"]
    parts.append(
        material.shown(
            "flow",
            "Repairs at each timepoint",
            (words("timepoint"), *NUMBERS),
            everyone,
            note=NOTE,
        )
    )
    for group_by, mine in flow[flow["group_by"] != "all"].groupby("group_by", sort=False):
        columns = (words("group", str(group_by)), words("timepoint"), *NUMBERS)
        caption = f"Repairs at each timepoint, by {group_by}"
        parts.append(material.shown(f"flow_by_{group_by}", caption, columns, mine, of="flow"))
    why = (words("timepoint"), words("state"), words("reason"), count("repairs"))
    caption = "Why repairs have no assessable scan"
    known = material.labelled("reasons")
    order = [material.label(name) for name in material.data.follow_up]
    known = known.sort_values("timepoint", key=lambda names: names.map(order.index), kind="stable")
    parts.append(material.shown("reasons", caption, why, known))
    parts += [_completeness(material), _exclusions(material)]
    return Section(ID, "Follow-up", tuple(parts))


def _completeness(material: Material) -> Part:
    columns = (
        words("what"),
        words("timepoint"),
        count("due"),
        count("present"),
        with_limits(f"share ({material.limits})", "share", as_percent=True),
    )
    frame = material.labelled("completeness")
    return material.shown("completeness", "What was due and what is there", columns, frame)


def _exclusions(material: Material) -> Part:
    columns = (words("left_out", "left out"), words("of", "of which result"), count("count"))
    return material.shown("exclusions", "What the results leave out", columns)


def key_figure(material: Material, timepoint: str) -> KeyFigure | None:
    """Return how complete the imaging of a timepoint is."""
    flow = material.tables["flow"]
    here = flow[(flow["group_by"] == "all") & (flow["timepoint"] == timepoint)]
    if here.empty or not here["due"].iloc[0]:
        return None
    row: pd.Series = here.iloc[0]
    return KeyFigure(
        f"Imaged at {material.label(timepoint)}",
        percent(row["imaged"] / row["due"]),
        f"{row['imaged']} of {row['due']} due; {row['assessable']} assessable.",
        ID,
    )
