"""What changes along the course of a repair: lengths, grade and clinical scores, by day."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from imgtrack.domain.form import chosen, form_for, length_mm, mapped_percent_of, percent_of
from imgtrack.domain.form.answers import Answers
from imgtrack.domain.imaging import Modality
from imgtrack.domain.protocol import Measure
from imgtrack.domain.scales import Healing, retear_rule

if TYPE_CHECKING:
    from imgtrack.desk.course.visits import Course, Visit

MEASURED: tuple[tuple[Measure, str, str, Callable[[Answers, str], float | None]], ...] = (
    (Measure.RETRACTION, "retraction", "mm", length_mm),
    (Measure.WIDTH, "width", "mm", length_mm),
    (Measure.THICKNESS, "thickness", "mm", length_mm),
    (Measure.FAT_FRACTION, "fat fraction", "%", percent_of),
    (Measure.FAT_FRACTION, "fat fraction", "% of map", mapped_percent_of),
)
"""What is drawn: measurement, title, unit, and how it is found in answers."""


@dataclass(frozen=True, slots=True)
class Point:
    """One value: its day from the operation, and whether the verdict of that scan is a retear."""

    day: int
    value: float
    is_torn: bool = False


@dataclass(frozen=True, slots=True)
class Trend:
    """One quantity along time.

    Attributes
    ----------
    title, unit
        In words; the unit of a grade is the name of its scale.
    points
        By day.
    levels
        Codes of a grade's levels, whose ranks the values are; empty for a quantity.
    span
        Range a score may take; ``None`` where there is none.
    """

    title: str
    unit: str
    points: tuple[Point, ...]
    levels: tuple[str, ...] = ()
    span: tuple[float, float] | None = None


def trends_of(course: Course) -> tuple[Trend, ...]:
    """Return what was measured, graded and scored along a course.

    Measurements and grades are those of the verdicts: a scan whose reading is not final has none,
    and neither has one that could not be assessed. Quantities without any value are left out.
    """
    found = [*_measured(course.visits), *_grades(course), *_scores(course)]
    return tuple(trend for trend in found if trend.points)


def _measured(visits: Iterable[Visit]) -> Iterator[Trend]:
    read = [(visit, visit.verdict.answers) for visit in visits if visit.verdict]
    for measure, title, unit, value_of in MEASURED:
        points = tuple(
            Point(visit.day, value, visit.outcome is Healing.RETEAR)
            for visit, answers in read
            if (value := value_of(answers, measure)) is not None
        )
        yield Trend(title, unit, points)


def _grades(course: Course) -> Iterator[Trend]:
    name = retear_rule(course.protocol.outcome.retear_rule).scale
    scale = form_for(course.protocol, Modality.MR, before_repair=False).scale(name)
    if scale is None:
        return
    codes = tuple(level.code for level in scale.levels)
    points = tuple(
        Point(visit.day, float(codes.index(code)), visit.outcome is Healing.RETEAR)
        for visit in course.visits
        if visit.verdict and (code := chosen(visit.verdict.answers, name)) in codes
    )
    yield Trend("grade", scale.title, points, levels=codes)


def _scores(course: Course) -> Iterator[Trend]:
    for rule in course.protocol.score:
        mine = [score for score in course.scores if score.name == rule.name]
        points = tuple(Point(course.day_of(score), score.total) for score in mine)
        yield Trend(
            rule.name, f"points, {rule.better} is better", points, span=(rule.low, rule.high)
        )
