"""The healing sheet: the course of one repair for its surgeon, on a page."""

from __future__ import annotations

from importlib.metadata import version
from typing import TYPE_CHECKING

import pandas as pd

from imgtrack.domain.cautions import OF_FAT_FRACTIONS
from imgtrack.domain.form import form_for, length_mm, mapped_percent_of, percent_of
from imgtrack.domain.imaging import Modality
from imgtrack.domain.protocol import Measure
from imgtrack.domain.reading import Round
from imgtrack.domain.scales import Healing, retear_rule
from imgtrack.domain.schedule import State
from imgtrack.report.answer_words import findings, note_of
from imgtrack.report.figures.drawing import Drawing, inline_svg
from imgtrack.report.figures.slices import Slice, slices
from imgtrack.report.figures.trends import Trend, trends
from imgtrack.report.looking import Looked, slices_of
from imgtrack.report.page import KeyFigure, Page, Picture, Section, ShownTable, Text
from imgtrack.report.repair_course import outcome_at
from imgtrack.report.tables import count, decimal, shown, words

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from datetime import date

    from imgtrack.desk.cases.images import Shelf
    from imgtrack.domain.form.answers import Answers
    from imgtrack.domain.imaging import Scan
    from imgtrack.domain.protocol import Protocol
    from imgtrack.domain.reading import Reading
    from imgtrack.report.page import Part
    from imgtrack.report.repair_course import RepairCourse, Visit

MEASURED = (
    ("straight retraction", "mm", length_mm),
    ("tear width", "mm", length_mm),
    ("tendon thickness", "mm", length_mm),
    ("fat fraction", "%", percent_of),
    ("fat fraction", "% of map", mapped_percent_of),
)
"""What is drawn along time: measurement, unit, and how it is found in answers."""
OPEN = (State.OVERDUE, State.DUE)
NOTHING_GRADED = "read; the protocol asks for no grade or length of it that could be given."
NO_SLICES = "No slice can be shown: the scans have no images in this study, or cannot be read."


def healing_sheet(course: RepairCourse, protocol: Protocol, shelf: Shelf) -> Page:
    """Return the healing sheet of a repair.

    Parameters
    ----------
    course
        Of the repair.
    protocol
        For its rules and words.
    shelf
        Where the images lie.
    """
    repair = course.repair
    operated = f"{repair.side.value} shoulder, operated {_date(repair.operated_on)}"
    return Page(
        title=f"Repair {repair.code}",
        subtitle=f"Healing sheet: {operated}",
        facts=_facts(course, protocol),
        warnings=tuple(_asked_for(course)),
        key_figures=_key_figures(course, protocol),
        sections=tuple(
            Section(name, title, tuple(parts))
            for name, title, parts in (
                ("course", "At each timepoint", [_visits_table(course, protocol)]),
                ("slices", "Key slices", _pictures(course, protocol, shelf)),
                ("trends", "Along time", _trends(course, protocol)),
                ("readings", "Readings and verdicts", list(_readings(course, protocol))),
                ("scores", "Clinical scores and events", _scores_and_events(course)),
            )
            if parts
        ),
    )


def _facts(course: RepairCourse, protocol: Protocol) -> tuple[tuple[str, str], ...]:
    repair = course.repair
    size = "" if repair.tear_size_mm is None else f"{repair.tear_size_mm:g} mm"
    known = (
        ("Study", protocol.study.name),
        ("As of", _date(course.day)),
        ("Site", repair.site),
        ("Age and sex", " ".join(str(x) for x in (repair.age_years, repair.sex) if x is not None)),
        ("Tear before surgery", ", ".join(x for x in (size, ", ".join(repair.tendons)) if x)),
        ("Technique", repair.technique),
        ("Rule", retear_rule(protocol.outcome.retear_rule).title),
        ("Protocol", protocol.hash),
        ("Software", f"imgtrack {version('imgtrack')}"),
    )
    return tuple((term, value) for term, value in known if value)


def _asked_for(course: RepairCourse) -> Iterator[str]:
    """Yield what is overdue or due, and what must be looked at again."""
    for visit in course.visits:
        if visit.cell and visit.scan is None and visit.cell.state in OPEN:
            left = (visit.cell.closes_on - course.day).days
            yield (
                f"The {visit.label} scan is {visit.cell.state.value}; its window closes on "
                f"{_date(visit.cell.closes_on)}, in {left} days."
            )
    if course.interval.healed_again:
        yield course.interval.words


def _key_figures(course: RepairCourse, protocol: Protocol) -> tuple[KeyFigure, ...]:
    interval = course.interval
    value = "none seen" if interval.by is None else f"day {interval.after} to {interval.by}"
    found = [KeyFigure("First retear", value, interval.words, "course")]
    final = [visit for visit in course.visits if visit.verdict and _is_asked(visit)]
    if final:
        last = final[-1]
        detail = f"{last.label}, day {last.day}. {_decided(last)}"
        found.insert(
            0, KeyFigure("Latest verdict", _verdict_words(last, protocol), detail, "readings")
        )
    return tuple(found)


def _visits_table(course: RepairCourse, protocol: Protocol) -> ShownTable:
    other = protocol.outcome.sensitivity_rule
    rows = [
        {
            "timepoint": visit.label,
            "day": visit.day,
            "scan": f"{_date(visit.scan.acquired_on)}, {visit.scan.modality.value}"
            if visit.scan
            else "none",
            "state": _state(visit),
            "verdict": _verdict_words(visit, protocol),
            "sensitivity": _word(outcome_at(visit, protocol, rule=other)),
        }
        for visit in course.visits
    ]
    columns = (
        words("timepoint"),
        count("day", "day after surgery"),
        words("scan"),
        words("state"),
        words("verdict"),
        words("sensitivity", "sensitivity rule"),
    )
    note = f"Sensitivity rule: {retear_rule(other).title}."
    return shown("course", "Scans and verdicts", pd.DataFrame(rows), columns, note=note)


def _pictures(course: RepairCourse, protocol: Protocol, shelf: Shelf) -> list[Part]:
    found: list[Slice] = []
    for visit in course.visits:
        if visit.scan is None or visit.verdict is None or not visit.series:
            continue
        looked = Looked(visit.scan, visit.series, visit.readings)
        caption = _verdict_words(visit, protocol)
        title = f"{visit.label}, day {visit.day}"
        found += slices_of(
            looked, visit.verdict.answers, shelf, title=title, caption=caption, most=2
        )
    if not found:
        return [Text(NO_SLICES)]
    name = f"{course.repair.code}-slices"
    return [_picture(slices(found, name=name, title="Where it was measured", tables=()))]


def _trends(course: RepairCourse, protocol: Protocol) -> list[Part]:
    found = [
        trend
        for name, unit, value_of in MEASURED
        if (trend := _measured_trend(course, protocol, name, unit, value_of))
    ]
    found += [
        trend for rule in protocol.score if (trend := _score_trend(course, rule.name, protocol))
    ]
    if not found:
        return []
    interval = course.interval
    torn = None if interval.by is None else (interval.after, interval.by)
    name = f"{course.repair.code}-trends"
    return [_picture(trends(found, interval=torn, name=name, title="Along time"))]


def _measured_trend(
    course: RepairCourse,
    protocol: Protocol,
    name: str,
    unit: str,
    value_of: Callable[[Answers, str], float | None],
) -> Trend | None:
    points = [
        (visit.day, value, outcome_at(visit, protocol) is Healing.RETEAR)
        for visit in course.visits
        if visit.verdict and visit.day is not None
        if (value := value_of(visit.verdict.answers, name)) is not None
    ]
    if not points:
        return None
    days, values, torn = zip(*points, strict=True)
    return Trend(name, unit, days, values, torn)


def _score_trend(course: RepairCourse, name: str, protocol: Protocol) -> Trend | None:
    rule = protocol.score_named(name)
    mine = [score for score in course.scores if score.name == name]
    if not mine or rule is None:
        return None
    days = tuple((score.assessed_on - course.repair.operated_on).days for score in mine)
    values = tuple(score.total for score in mine)
    return Trend(name, "points", days, values, (False,) * len(mine), (rule.low, rule.high))


def _readings(course: RepairCourse, protocol: Protocol) -> Iterator[Part]:
    for visit in course.visits:
        if visit.scan is None or not visit.readings:
            continue
        table = _readings_table(visit, visit.scan, protocol)
        yield table if table.rows else Text(f"{table.caption}: {NOTHING_GRADED}")
        for reading in visit.readings:
            if note := note_of(reading.answers):
                yield Text(f"Note of {reading.reader}: {note}")
    if any(map(_has_fat_fraction, course.visits)):
        yield Text(OF_FAT_FRACTIONS)


def _has_fat_fraction(visit: Visit) -> bool:
    given = (each.answers.get(Measure.FAT_FRACTION) or {} for each in visit.readings)
    return any("percent" in answer for answer in given)


def _readings_table(visit: Visit, scan: Scan, protocol: Protocol) -> ShownTable:
    before = visit.day is not None and visit.day <= 0
    form = form_for(protocol, scan.modality, before_repair=before)
    told = {_who(each): dict(findings(form, each.answers)) for each in visit.readings}
    if visit.verdict:
        told["verdict"] = dict(findings(form, visit.verdict.answers))
    titles = [q.title for q in form.questions if any(q.title in one for one in told.values())]
    frame = pd.DataFrame(
        [[title, *(one.get(title, "") for one in told.values())] for title in titles],
        columns=["finding", *told],
    )
    return shown(
        f"readings-{scan.uid}",
        f"{visit.label}, day {visit.day} ({scan.modality.value})",
        frame,
        [words(name, name) for name in frame.columns],
        note=_decided(visit),
    )


def _scores_and_events(course: RepairCourse) -> list[Part]:
    parts: list[Part] = []
    operated = course.repair.operated_on
    if course.scores:
        rows = [
            {
                "score": score.name,
                "timepoint": score.timepoint or "unscheduled",
                "day": (score.assessed_on - operated).days,
                "total": score.total,
            }
            for score in course.scores
        ]
        columns = (words("score"), words("timepoint"), count("day"), decimal("total"))
        parts.append(shown("scores", "Clinical scores", pd.DataFrame(rows), columns))
    if course.events:
        rows = [
            {"event": event.kind.value, "day": (event.happened_on - operated).days}
            for event in course.events
        ]
        parts.append(shown("events", "Events", pd.DataFrame(rows), (words("event"), count("day"))))
    return parts


def _verdict_words(visit: Visit, protocol: Protocol) -> str:
    """Return the verdict of a visit as outcome and grade, or how far it is."""
    if visit.scan is None:
        return ""
    if visit.verdict is None:
        return "no verdict yet"
    scale = retear_rule(protocol.outcome.retear_rule).scale
    grade = (visit.verdict.answers.get(scale) or {}).get("value", "")
    found = outcome_at(visit, protocol)
    if found is not None:
        return f"{found.value} (grade {grade})"
    return "not assessable" if _is_asked(visit) else "read"


def _is_asked(visit: Visit) -> bool:
    """Whether the outcome is asked of the scan of a visit: MR after surgery."""
    is_after = visit.day is not None and visit.day > 0
    return is_after and visit.scan is not None and visit.scan.modality is Modality.MR


def _decided(visit: Visit) -> str:
    if visit.verdict is None:
        return "The reading of this scan is not final."
    return f"Verdict: {visit.verdict.rule}."


def _state(visit: Visit) -> str:
    if visit.cell is not None:
        return visit.cell.state.value
    return visit.scan.stage.value if visit.scan else ""


def _who(reading: Reading) -> str:
    return f"{reading.reader} (settling)" if reading.round is Round.SETTLING else reading.reader


def _word(found: Healing | None) -> str:
    return "" if found is None else found.value


def _date(day: date) -> str:
    return f"{day.day} {day:%B %Y}"


def _picture(drawing: Drawing) -> Picture:
    return Picture(drawing, inline_svg(drawing))
