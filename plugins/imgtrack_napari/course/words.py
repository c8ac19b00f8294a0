"""The words of the course window."""

from __future__ import annotations

from typing import TYPE_CHECKING

from imgtrack.domain.imaging import Modality, Stage
from imgtrack.domain.protocol import Measure
from imgtrack.domain.scales import Healing, retear_rule
from imgtrack_napari.look import Sign

if TYPE_CHECKING:
    from imgtrack.desk.course.visits import Course, Stack, Visit
    from imgtrack.domain.protocol import Plane
    from imgtrack_napari.course.lane import Lane
    from imgtrack_napari.course.laying import Laying
    from imgtrack_napari.course.model import CourseModel
    from imgtrack_napari.figures import Figure

OUTCOME_SIGNS = {Healing.HEALED: Sign.WHOLE, Healing.RETEAR: Sign.DIFFERS}
"""Beside the words, so that nothing is told by colour."""

SHORT = {
    Measure.WIDTH: "width",
    Measure.RETRACTION: "retraction",
    Measure.RETRACTION_ALONG_HEAD: "along the head",
    Measure.THICKNESS: "thickness",
    "reference thickness": "reference",
    Measure.TANGENT_LINE: "tangent",
}
"""Names of lengths beside their lines; as in the plots. Others keep theirs."""


def visit_words(visit: Visit) -> str:
    """Return timepoint, day and verdict of a visit."""
    when = f"{visit.label}, day {visit.day}"
    if visit.outcome is not None:
        return f"{when}: {outcome_words(visit.outcome)} ({visit.grade})"
    if visit.verdict is not None:
        return f"{when}: not assessable" if visit.is_follow_up else when
    if visit.scan.stage is Stage.FINAL:
        return f"{when}: no verdict on record"
    return f"{when}: {visit.scan.stage.value}, no verdict yet"


def outcome_words(outcome: Healing) -> str:
    """Return healed or retear with its sign."""
    return f"{OUTCOME_SIGNS[outcome]} {outcome.value}"


def course_words(course: Course) -> tuple[str, str]:
    """Return the heading of a course, and by which rules its verdicts are told."""
    repair, rules = course.repair, course.protocol.outcome
    heading = f"Repair {repair.code}: {repair.side.value} shoulder. {course.first_retear.words}"
    told = [
        f"Rule: {retear_rule(rules.retear_rule).title}.",
        f"Sensitivity rule, {retear_rule(rules.sensitivity_rule).title}:",
        course.first_retear_sensitivity.words,
        "In the plots a cross is a retear, and the first retear lies in the hatched days.",
    ]
    lacking = without_scan(course)
    if lacking:
        told.append(f"No MR scan at: {', '.join(lacking)}.")
    return heading, " ".join(told)


def sensitivity_words(visit: Visit) -> str:
    """Say what the sensitivity rule makes of a scan, where it is not the same; else nothing."""
    other = visit.outcome_sensitivity
    if other is None or other is visit.outcome:
        return ""
    return f"by the sensitivity rule: {outcome_words(other)}"


def without_scan(course: Course) -> tuple[str, ...]:
    """Return the timepoints for which the protocol wants an MR scan and there is none."""
    seen = {visit.scan.timepoint for visit in course.visits}
    return tuple(
        point.label
        for point in course.protocol.timepoint
        if point.name not in seen and any(scan.modality is Modality.MR for scan in point.scan)
    )


def lane_words(model: CourseModel, lane: Lane) -> str:
    """Say how a lane lies on the first scan after surgery."""
    if lane is model.first:
        return "first scan after surgery: the others are laid on it"
    found = lane.registration
    if found is not None:
        return f"laid on the first scan's humerus, {found.words}"
    if lane.fault:
        return f"not linked, shown as it is: {lane.fault}"
    if not lane.visit.stacks:
        return ""
    if model.first is None:
        return "not linked: there is no scan after surgery"
    return "being laid on the first scan …" if lane.is_being_laid else "waits to be laid"


def laying_words(laying: Laying) -> str:
    """Say how far laying has come."""
    total, done = len(laying.lanes), laying.done
    laid = sum(each.registration is not None for each in laying.lanes)
    if not laying.is_done:
        return f"Laying the scans on the first one: {done} of {total} done"
    return f"{laid} of {total} scans are laid on the first one" if total else ""


def series_words(stack: Stack, row: Plane) -> str:
    """Return weighting and part of a series, with its plane where that is not the row's."""
    shown = stack.shown
    weighting = shown.weighting.value if shown.weighting else "weighting unknown"
    words = [weighting] if shown.part in {"", "magnitude"} else [weighting, shown.part]
    if shown.plane is not row:
        words.insert(0, shown.plane.value if shown.plane else "plane unknown")
    return " ".join(words)


def missing_words(model: CourseModel, lane: Lane, row: Plane) -> str:
    """Say why a picture is empty."""
    if not lane.stacks(row):
        return f"no {row.value} series in this scan"
    wanted = model.weightings.get(row)
    name = wanted.value if wanted else "such"
    return f"no {name} series of this plane in this scan; S shows another"


def figure_words(figure: Figure) -> str:
    """Return the words of a figure: a length with its name."""
    if figure.part:
        return figure.words
    name = SHORT.get(figure.question, figure.question)
    return f"{name} {figure.words}"
