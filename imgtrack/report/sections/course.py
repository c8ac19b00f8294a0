"""Courses: grades and measurements along time, and what healing has to do with function."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy.stats import t as student

from imgtrack.domain.cautions import OF_FAT_FRACTIONS
from imgtrack.report.figures.courses import scores_over_time
from imgtrack.report.page import Section, Text
from imgtrack.report.pictures import RETRACTION, flow_picture, labels, retraction_picture
from imgtrack.report.sections.agreement import detectable
from imgtrack.report.sections.material import has_fat_fractions, units_of
from imgtrack.report.sections.subgroups import p_value
from imgtrack.report.tables import Column, count, decimal, number, with_limits, words

if TYPE_CHECKING:
    import pandas as pd

    from imgtrack.report.page import Part
    from imgtrack.report.sections.material import Material
    from imgtrack.report.tables import Row

COURSE_ID, FUNCTION_ID = "course-section", "function-section"
NO_CAUSE = (
    "Differences between healed and retorn repairs are associations: nothing here says that one "
    "causes the other."
)
NO_SCORES = "No score stands beside an assessable scan of the same timepoint yet."


def course_section(material: Material) -> Section:
    """Return the section on grades and measurements along time."""
    parts: list[Part] = []
    drawings = (
        flow_picture(material.data),
        retraction_picture(material.tables["measurements"], detectable(material, RETRACTION)),
    )
    parts += [material.picture(each) for each in drawings if each is not None]
    parts.append(_transitions(material))
    parts.append(_changes(material))
    return Section(COURSE_ID, "Courses of repairs", tuple(parts))


def function_section(material: Material) -> Section:
    """Return the section on healing and function."""
    parts: list[Part] = [Text(NO_CAUSE)]
    summary = material.tables["scores_by_outcome"]
    if summary.empty:
        return Section(FUNCTION_ID, "Healing and function", (*parts, Text(NO_SCORES)))
    for rule in material.protocol.score:
        mine = summary[summary["score"] == rule.name]
        if mine.empty:
            continue
        drawing = scores_over_time(
            _with_t_limits(mine),
            labels(material.protocol, after_surgery=True),
            name=f"score-{rule.name}",
            title=f"{rule.name} score",
            important=rule.minimal_important_difference,
            limits=(rule.low, rule.high),
            tables=("scores_by_outcome",),
        )
        parts.append(material.picture(drawing))
    parts.append(_scores(material))
    parts.append(_differences(material))
    return Section(FUNCTION_ID, "Healing and function", tuple(parts))


def _with_t_limits(summary: pd.DataFrame) -> pd.DataFrame:
    """Return means with 95 % t limits, from their number and standard deviation."""
    n = summary["n"].astype(float)
    half = student.ppf(0.975, np.maximum(n - 1, 1)) * summary["sd"] / np.sqrt(n)
    half = half.where(n > 1)
    return summary.assign(low=summary["mean"] - half, high=summary["mean"] + half)


def _transitions(material: Material) -> Part:
    frame = material.labelled("transitions", "from_timepoint", "to_timepoint")
    columns = (
        words("from_timepoint", "from"),
        words("to_timepoint", "to"),
        words("from_grade", "grade before"),
        words("to_grade", "grade after"),
        count("repairs"),
        Column("reversal", lambda row: "yes" if row["is_reversal"] else ""),
    )
    caption = "Grades from timepoint to timepoint"
    note = "A reversal goes from a retear to healed: those scans should be looked at again."
    return material.shown("transitions", caption, columns, frame, note=note)


def _changes(material: Material) -> Part:
    frame = material.labelled("changes", "from_timepoint", "to_timepoint")
    unit = units_of(frame)
    columns = (
        words("question", "measurement"),
        words("from_timepoint", "from"),
        words("to_timepoint", "to"),
        count("repairs"),
        with_limits(f"mean change, {unit} ({material.limits})", "mean_change", places=1),
        decimal("detectable", f"smallest detectable change, {unit}"),
        count("beyond_detectable", "repairs beyond it"),
    )
    caption = "Change of measurements between timepoints"
    note = "A change below the smallest detectable one cannot be told from reading error."
    if has_fat_fractions(frame):
        note = f"{note} {OF_FAT_FRACTIONS}"
    return material.shown("changes", caption, columns, frame, note=note)


def _scores(material: Material) -> Part:
    columns = (
        words("score"),
        words("timepoint"),
        words("outcome"),
        count("n"),
        decimal("mean"),
        decimal("sd", "standard deviation"),
        with_limits(
            f"improved by the important difference ({material.limits})",
            "reached_important",
            "reached_low",
            "reached_high",
            as_percent=True,
        ),
    )
    frame = material.labelled("scores_by_outcome")
    caption = "Clinical scores by outcome at the same timepoint"
    return material.shown("scores_by_outcome", caption, columns, frame)


def _differences(material: Material) -> Part:
    columns = (
        words("score"),
        words("timepoint"),
        words("adjusted_for", "adjusted for"),
        count("healed"),
        count("retear"),
        with_limits(f"healed less retorn ({material.limits})", "difference", places=1),
        Column("p", p_value, is_number=True),
        Column("important difference", _important, is_number=True),
        words("verdict_on_importance", "how it compares"),
        words("why_undefined", "why there is none"),
    )
    frame = material.labelled("score_differences")
    caption = "Difference in clinical scores between healed and retorn repairs"
    note = "Least squares; standard errors allow for patients with two repairs."
    return material.shown("score_differences", caption, columns, frame, note=note)


def _important(row: Row) -> str:
    return number(row["important_difference"])
