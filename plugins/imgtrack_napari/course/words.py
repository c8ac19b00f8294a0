"""The words of the course window."""

from __future__ import annotations

from typing import TYPE_CHECKING

from imgtrack.domain.imaging import Stage
from imgtrack.domain.scales import Healing, retear_rule
from imgtrack_napari.look import Sign

if TYPE_CHECKING:
    from imgtrack.desk.course.visits import Course, Visit

OUTCOME_SIGNS = {Healing.HEALED: Sign.WHOLE, Healing.RETEAR: Sign.DIFFERS}
"""Beside the words, so that nothing is told by colour."""


def visit_words(visit: Visit) -> str:
    """Return timepoint, day and verdict of a visit."""
    when = f"{visit.label}, day {visit.day}"
    if visit.outcome is not None:
        return f"{when}: {OUTCOME_SIGNS[visit.outcome]} {visit.outcome.value}"
    if visit.verdict is not None:
        read = "not assessable" if visit.is_follow_up else "read, before surgery"
        return f"{when}: {read}"
    if visit.scan.stage is Stage.FINAL:
        return f"{when}: no verdict on record"
    return f"{when}: {visit.scan.stage.value}, no verdict yet"


def course_words(course: Course) -> tuple[str, str]:
    """Return the heading of a course, and the rule by which its verdicts are told."""
    repair = course.repair
    heading = f"Repair {repair.code}: {repair.side.value} shoulder. {course.first_retear.words}"
    rule = retear_rule(course.protocol.outcome.retear_rule)
    key = "In the plots a cross is a retear, and the first retear lies in the hatched days."
    return heading, f"Rule: {rule.title}. {key}"
