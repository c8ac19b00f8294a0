"""Pictures of the study's own rows: follow-up, grades, courses, and readers against each other."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from imgtrack.domain import scales
from imgtrack.report.figures.courses import lines_of_repairs
from imgtrack.report.figures.flow import Grading, grade_flow
from imgtrack.report.figures.followup import follow_up
from imgtrack.report.figures.readers import bland_altman, confusion

if TYPE_CHECKING:
    from imgtrack.domain.protocol import Protocol
    from imgtrack.outcomes.study_data import StudyData
    from imgtrack.report.figures.drawing import Drawing

RETRACTION = "straight retraction"
OUTCOMES = ("healed", "retear")
LINES = {
    "mean difference": "bias",
    "lower limit of agreement": "lower",
    "upper limit of agreement": "upper",
}
"""Coefficients of the table of agreement that are lines in a picture of differences."""
FEWEST_PAIRS = 2
"""Scans that two readers must share for a picture of their differences."""


def labels(protocol: Protocol, *, after_surgery: bool = False) -> list[tuple[str, str]]:
    """Return name and label of the timepoints with imaging, by target day."""
    points = sorted(protocol.timepoint, key=lambda point: point.target_day)
    return [
        (point.name, point.label)
        for point in points
        if point.scan and (point.target_day > 0 or not after_surgery)
    ]


def follow_up_picture(data: StudyData) -> Drawing | None:
    """Return the state of every repair at every timepoint; ``None`` without repairs."""
    if data.states.empty:
        return None
    order = data.repairs.sort_values(["operation_date", "repair"])["repair"]
    states = data.states.set_index("repair").loc[order].reset_index()
    return follow_up(states, labels(data.protocol))


def flow_picture(data: StudyData) -> Drawing | None:
    """Return how grades went over from timepoint to timepoint; ``None`` without verdicts."""
    rule = scales.retear_rule(data.protocol.outcome.retear_rule)
    scale = scales.get(rule.scale)
    points = labels(data.protocol, after_surgery=True)
    names = [name for name, _ in points]
    known = data.verdicts[
        data.verdicts["outcome"].isin(OUTCOMES) & data.verdicts["timepoint"].isin(names)
    ]
    if known.empty or len(points) < 2:
        return None
    grading = Grading(scale.title, scale.codes, frozenset(rule.retear))
    return grade_flow(known, points, grading, tables=("verdicts",))


def retraction_picture(measurements: pd.DataFrame, detectable: float) -> Drawing | None:
    """Return the retraction of every repair with a full-thickness defect along time.

    Parameters
    ----------
    measurements
        The table of `imgtrack.outcomes.course.measurements`.
    detectable
        Smallest detectable change in mm; ``nan`` when it is not known.
    """
    mine = measurements[
        (measurements["question"] == RETRACTION) & measurements["outcome"].isin(OUTCOMES)
    ]
    if mine.empty:
        return None
    return lines_of_repairs(
        mine,
        name="retraction",
        title="Retraction of repairs with a full-thickness defect",
        unit="mm",
        detectable=detectable,
        tables=("measurements",),
    )


def confusion_picture(counts: pd.DataFrame, protocol: Protocol) -> Drawing | None:
    """Return the grades of each pair of first readers against each other.

    Parameters
    ----------
    counts
        The table of `imgtrack.outcomes.pairs.confusion_counts`.
    protocol
        Whose outcome's scale is drawn; scans that one could not assess are left to the table.
    """
    scale = scales.get(scales.retear_rule(protocol.outcome.retear_rule).scale)
    codes = list(scale.codes)
    mine = counts[counts["question"] == scale.id]
    shown = []
    for (first, second), cells in mine.groupby(["first", "second"]):
        table = cells.pivot_table(
            index="first_answer", columns="second_answer", values="scans", aggfunc="sum"
        ).reindex(index=codes, columns=codes, fill_value=0)
        if table.to_numpy().sum() >= FEWEST_PAIRS:
            shown.append((f"{first} - {second}", table))
    if not shown:
        return None
    shown.sort(key=lambda each: -each[1].to_numpy().sum())
    title = f"{scale.title}: first readings against each other"
    return confusion(shown, name="confusion", title=title, source=("confusion",))


def differences_picture(
    pairs: pd.DataFrame, agreement: pd.DataFrame, question: str
) -> Drawing | None:
    """Return the differences of each pair of first readers in a measurement in mm.

    Parameters
    ----------
    pairs
        The table of `imgtrack.outcomes.pairs.measured_pairs`.
    agreement
        Rows of the table of agreement over all timepoints, for the lines.
    question
        Name of the measurement.
    """
    mine = pairs[pairs["question"] == question]
    lines = agreement[agreement["question"] == question]
    shown = []
    for (first, second), both in mine.groupby(["first", "second"]):
        if len(both) < FEWEST_PAIRS:
            continue
        one, other = both["first_value"], both["second_value"]
        points = pd.DataFrame({"mean": (one + other) / 2, "difference": one - other})
        pair = f"{first} - {second}"
        told = lines[lines["readers"] == pair].set_index("coefficient")["estimate"]
        shown.append((pair, points, told.rename(LINES).reindex(list(LINES.values()))))
    if not shown:
        return None
    shown.sort(key=lambda each: -len(each[1]))
    return bland_altman(
        shown,
        name=f"differences-{question.replace(' ', '-')}",
        title=f"{question.capitalize()}: differences of first readings",
        unit="mm",
        source=("pairs", "agreement"),
    )
