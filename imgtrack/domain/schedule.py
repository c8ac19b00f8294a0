"""What the calendar asks of each repair at each timepoint, in the words of the follow-up board."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum
from typing import TYPE_CHECKING

from imgtrack.domain.imaging import Modality, Scan, Stage
from imgtrack.domain.subjects import ENDING_EVENTS, Event, EventKind, Repair, Side

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from imgtrack.domain.protocol import Protocol, Timepoint


class State(StrEnum):
    """State of one repair at one timepoint."""

    NOT_YET_DUE = "not yet due"
    DUE = "due"
    OVERDUE = "overdue"
    MISSED = "missed"
    SCAN_IN = "scan in"
    BEING_READ = "being read"
    READERS_DIFFER = "readers differ"
    FINAL = "final"
    ENDED = "ended"


IMAGED = frozenset({State.SCAN_IN, State.BEING_READ, State.READERS_DIFFER, State.FINAL})
STAGE_ORDER = list(Stage)


@dataclass(frozen=True, slots=True)
class Cell:
    """One repair at one timepoint.

    Attributes
    ----------
    state
        In plain words.
    closes_on
        Last day on which the scan still counts for this timepoint.
    missing
        Expected modalities that are not in although the first expected one is.
    """

    state: State
    closes_on: date
    missing: tuple[Modality, ...] = ()


def follow_up_ends(events: Iterable[Event]) -> date | None:
    """Return the day the follow-up of a repair ended, or ``None`` while it goes on."""
    return min((e.happened_on for e in events if e.kind in ENDING_EVENTS), default=None)


def lost_on(events: Iterable[Event]) -> date | None:
    """Return the day the patient was recorded as lost to follow-up, or ``None``."""
    return next((e.happened_on for e in events if e.kind is EventKind.LOST), None)


def cell(
    repair: Repair,
    timepoint: Timepoint,
    events: Sequence[Event],
    scans: Sequence[Scan],
    today: date,
) -> Cell:
    """Return the state of a repair at a timepoint on a day.

    The window's first and last day both belong to it. A scan that is in always shows. Without
    one, the timepoint is *due* from the first day of its window, *overdue* after its target day
    and *missed* after its last day. An ending event on or before the last day makes it *ended*;
    one later leaves it missed. A patient lost to follow-up is *missed* from the first day of the
    window on, since nobody is to be called any more.

    Parameters
    ----------
    repair, timepoint
        Whose and which; the timepoint expects at least one scan.
    events, scans
        Those of this repair; scans of other timepoints are passed over.
    today
        The day the board is for.
    """
    opens, target, closes = (
        repair.operated_on + timedelta(days=day)
        for day in (timepoint.window[0], timepoint.target_day, timepoint.window[1])
    )
    here = [scan for scan in scans if scan.timepoint == timepoint.name]
    if here and (imaged := _imaged(timepoint, here)):
        stage, missing = imaged
        return Cell(State(stage.value), closes, missing)
    ended, lost = follow_up_ends(events), lost_on(events)
    if ended is not None and ended <= closes:
        return Cell(State.ENDED, closes)
    if today < opens:
        return Cell(State.NOT_YET_DUE, closes)
    if today > closes or (lost is not None and lost <= today):
        return Cell(State.MISSED, closes)
    return Cell(State.DUE if today <= target else State.OVERDUE, closes)


def _imaged(
    timepoint: Timepoint, scans: Sequence[Scan]
) -> tuple[Stage, tuple[Modality, ...]] | None:
    """Return the furthest stage of the first expected modality, and what else is missing."""
    expected = [wanted.modality for wanted in timepoint.scan]
    stages = [scan.stage for scan in scans if scan.modality is expected[0]]
    if not stages:
        return None
    have = {scan.modality for scan in scans}
    return max(stages, key=STAGE_ORDER.index), tuple(m for m in expected if m not in have)


def repair_on(
    repairs: Iterable[Repair],
    subject: str,
    side: Side,
    day: date,
    protocol: Protocol,
    *,
    named: str = "",
) -> Repair | None:
    """Return the repair of a shoulder to which something on a day belongs.

    A revision ends the repair before it, so only the latest operation on or before the day and
    the operations still to come are asked: the first whose windows hold the day has it (a later
    one through its window before surgery). Where no window holds the day it belongs to the
    latest operation done, else to the first to come; ``None`` when the shoulder has no repair.

    Parameters
    ----------
    repairs, subject, side, day, protocol
        All repairs, the shoulder asked for, the day and the windows.
    named
        Timepoint a person named; it decides where a day lies in the windows of two repairs, as
        in a late follow-up that is also the visit before a revision.
    """
    shoulder = sorted(
        (r for r in repairs if r.subject == subject and r.side is side),
        key=lambda r: r.operated_on,
    )
    done = [r for r in shoulder if r.operated_on <= day]
    candidates = done[-1:] + shoulder[len(done) :]
    points = [(r, protocol.timepoint_on((day - r.operated_on).days)) for r in candidates]
    held = [repair for repair, point in points if point is not None]
    as_named = [repair for repair, point in points if point is not None and point.name == named]
    return next(iter(as_named or held or candidates), None)
