"""Take what happened to patients from a sheet: revision, infection, withdrawal, death, lost."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from imgtrack.desk.registry.cells import CellReader
from imgtrack.desk.registry.enrol import SIDES
from imgtrack.desk.registry.filing import Filed, carry_out, plan, require_sound
from imgtrack.desk.registry.sheets import Progress, no_progress, read_sheet
from imgtrack.desk.registry.shoulders import Shoulders
from imgtrack.domain.errors import Fault
from imgtrack.domain.protocol import Role
from imgtrack.domain.sheet_columns import EVENTS_REQUIRED
from imgtrack.domain.subjects import Event, EventKind, Repair

if TYPE_CHECKING:
    from imgtrack.desk.study import Study

KINDS = {kind.value: kind for kind in EventKind}
OF_THE_SHOULDER = frozenset({EventKind.REVISION, EventKind.INFECTION})


def take_events(
    study: Study, path: Path, *, reason: str = "", progress: Progress = no_progress
) -> Filed:
    """Take the events of a sheet.

    A revision or an infection belongs to one shoulder, so its row names the side. A withdrawal,
    a death or a loss to follow-up belongs to the patient; without a side it counts for every
    repair of the patient that still goes on.

    Raises
    ------
    InvalidInput, Refused
        As for enrolment; nothing is changed then.
    """
    study.require([Role.COORDINATOR], "take events")
    sheet = read_sheet(path, study.protocol.sheets, EVENTS_REQUIRED, progress)
    today = study.now().date()
    faults: list[Fault] = []
    events: list[Event] = []
    with study.store.change(who=study.who, now=study.now) as change:
        shoulders = Shoulders(change.all(Repair))
        recorded = {event.key: event for event in change.all(Event)}
        for row in sheet.rows:
            cells = CellReader(row, study.protocol.sheets.date_format)
            events.extend(_events_of(cells, shoulders, today))
            faults.extend(cells.faults)
        faults.extend(_twice(events, path))
        require_sound(faults)
        planned = plan(recorded, events)
        carry_out(change, planned, reason=reason, progress=progress)
    return Filed(len(planned.add), planned.unchanged, planned.changed)


def _events_of(cells: CellReader, shoulders: Shoulders, today: date) -> Iterator[Event]:
    subject = cells.subject()
    kind = cells.choice("event", KINDS, required=True)
    day = cells.day("date", required=True)
    side = cells.choice("side", SIDES, required=kind in OF_THE_SHOULDER)
    if day is not None and day > today:
        cells.faults.append(cells.row.fault("date", "this is still to come", f"{today} or earlier"))
    if cells.faults or kind is None or day is None:
        return
    repairs = [r for r in shoulders.of(cells, subject) if side is None or r.side is side]
    going_on = [r for r in repairs if _concerns(r, repairs, kind, day)]
    if not going_on and not cells.faults:
        cells.faults.append(_nothing_to_end(cells, subject, repairs, kind))
    for repair in going_on:
        yield Event(repair.code, kind, day, cells.text("note"))


def _concerns(repair: Repair, repairs: Sequence[Repair], kind: EventKind, day: date) -> bool:
    """Whether a day belongs to a repair: operated by then, and not yet revised.

    On the day of a revision itself, the revision belongs to the repair it ends.
    """
    later = [
        r.operated_on
        for r in repairs
        if r.side is repair.side and r.sequence == repair.sequence + 1
    ]
    if kind is EventKind.REVISION:
        return repair.operated_on < day and all(day <= start for start in later)
    return repair.operated_on <= day and all(day < start for start in later)


def _nothing_to_end(
    cells: CellReader, subject: str, repairs: Sequence[Repair], kind: EventKind
) -> Fault:
    if not repairs:
        return cells.row.fault("side", f"{subject} has no repair on this side", "the other side")
    days = ", ".join(f"{r.code} on {r.operated_on}" for r in repairs)
    return cells.row.fault(
        "date", f"no repair of {subject} was done before this {kind.value}", f"a day after {days}"
    )


def _twice(events: Sequence[Event], path: Path) -> Iterator[Fault]:
    seen: set[str] = set()
    for event in events:
        if event.key in seen:
            yield Fault(f"{event.repair} has two rows for {event.kind.value}", path.name, "one row")
        seen.add(event.key)
