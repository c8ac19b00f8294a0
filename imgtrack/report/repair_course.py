"""The course of one repair: what was due, what came, what was read and what it means."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

from imgtrack.domain.errors import Fault, InvalidInput
from imgtrack.domain.first_retear import FirstRetear, first_retear
from imgtrack.domain.form import outcome_of
from imgtrack.domain.imaging import Modality, Scan, Stage
from imgtrack.domain.reading import Reading, Verdict
from imgtrack.domain.scales import Healing
from imgtrack.domain.schedule import Cell, cell
from imgtrack.domain.series import Series
from imgtrack.domain.subjects import Event, Repair, Score
from imgtrack.domain.verdicts import first_readings, settling_reading

if TYPE_CHECKING:
    from imgtrack.domain.protocol import Protocol, Timepoint
    from imgtrack.store.look import Look


@dataclass(frozen=True, slots=True)
class Visit:
    """One scan of a repair, or a timepoint still without one.

    Attributes
    ----------
    timepoint
        The timepoint; ``None`` for an unscheduled scan.
    cell
        Its state on the follow-up board; ``None`` for an unscheduled or a second scan.
    scan
        The scan; ``None`` when there is none.
    day
        Days from operation to the scan.
    readings
        The standing first readings by reader, then the settling one.
    verdict
        The verdict, when the scan's reading is final.
    series
        What the scan holds.
    """

    timepoint: Timepoint | None
    cell: Cell | None
    scan: Scan | None = None
    day: int | None = None
    readings: tuple[Reading, ...] = ()
    verdict: Verdict | None = None
    series: tuple[Series, ...] = ()

    @property
    def label(self) -> str:
        """The timepoint in words."""
        return self.timepoint.label if self.timepoint else "unscheduled"


@dataclass(frozen=True, slots=True)
class RepairCourse:
    """Everything recorded of one repair, in order of time.

    Attributes
    ----------
    repair, day
        Whose course, and the day it is for.
    visits
        Timepoints and scans, by target or real day.
    events, scores
        What else happened, and how the shoulder scored.
    interval
        Of the first retear by the primary rule.
    """

    repair: Repair
    day: date
    visits: tuple[Visit, ...]
    events: tuple[Event, ...]
    scores: tuple[Score, ...]
    interval: FirstRetear


def course_of(look: Look, protocol: Protocol, code: str, day: date) -> RepairCourse:
    """Return the course of a repair.

    Parameters
    ----------
    look, protocol
        The study's records and rules.
    code
        Code of the repair.
    day
        For what is due or overdue.

    Raises
    ------
    InvalidInput
        When there is no such repair.
    """
    repair = look.get(Repair, code)
    if repair is None:
        raise InvalidInput(
            Fault("there is no such repair", code, next_step="see them with: imgtrack board")
        )
    scans = look.where(Scan, repair=code)
    events = tuple(sorted(look.where(Event, repair=code), key=lambda e: e.happened_on))
    visits = [_visit(look, protocol, repair, scan, (events, scans, day)) for scan in scans]
    seen = {visit.timepoint.name for visit in visits if visit.timepoint}
    visits += [
        Visit(point, cell(repair, point, events, scans, day))
        for point in protocol.timepoint
        if point.scan and point.name not in seen
    ]
    ordered = tuple(sorted(visits, key=_when))
    scores = tuple(sorted(look.where(Score, repair=code), key=lambda s: (s.assessed_on, s.name)))
    torn = first_retear((v.day or 0, outcome_at(v, protocol)) for v in ordered)
    return RepairCourse(repair, day, ordered, events, scores, torn)


def outcome_at(visit: Visit, protocol: Protocol, *, rule: str = "") -> Healing | None:
    """Return healed or retear at a visit; ``None`` without a final, assessable MR verdict."""
    scan = visit.scan
    if visit.verdict is None or scan is None or scan.modality is not Modality.MR:
        return None
    return outcome_of(visit.verdict.answers, protocol, rule=rule)


def _visit(
    look: Look,
    protocol: Protocol,
    repair: Repair,
    scan: Scan,
    around: tuple[Sequence[Event], Sequence[Scan], date],
) -> Visit:
    point = protocol.timepoint_named(scan.timepoint) if scan.timepoint else None
    readings = look.where(Reading, scan=scan.uid)
    settled = settling_reading(readings)
    verdicts = look.where(Verdict, scan=scan.uid)
    is_final = scan.stage is Stage.FINAL and verdicts
    return Visit(
        point,
        cell(repair, point, *around) if point and point.scan else None,
        scan,
        (scan.acquired_on - repair.operated_on).days,
        (*first_readings(readings), *([settled] if settled else [])),
        verdicts[-1] if is_final else None,
        tuple(look.where(Series, scan=scan.uid)),
    )


def _when(visit: Visit) -> int:
    if visit.day is not None:
        return visit.day
    return visit.timepoint.target_day if visit.timepoint else 0
