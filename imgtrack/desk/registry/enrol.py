"""Enrol repairs from a sheet: one row per repair, identity to the key file, the rest to the study.

A row whose shoulder is enrolled already is the same repair, and whatever differs is a change. A
row marked as a revision (column ``revision``), or dated on the day a revision was recorded for
the shoulder, is a new repair and ends the follow-up of the one before.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING

from imgtrack.desk.registry.cells import CellReader
from imgtrack.desk.registry.filing import Filed, carry_out, differences, plan, require_sound
from imgtrack.desk.registry.sequence import Enrolment, sequence
from imgtrack.desk.registry.sheets import Progress, Row, no_progress, read_sheet
from imgtrack.domain.errors import Fault
from imgtrack.domain.imaging import Scan
from imgtrack.domain.protocol import Protocol, Role
from imgtrack.domain.sheet_columns import ENROLMENT, ENROLMENT_REQUIRED
from imgtrack.domain.subjects import Event, Repair, Sex, Side
from imgtrack.store.keys import Identity

if TYPE_CHECKING:
    from imgtrack.desk.study import Study
    from imgtrack.store.database import Look

SIDES = {"left": Side.LEFT, "l": Side.LEFT, "right": Side.RIGHT, "r": Side.RIGHT}
SEXES = {
    "female": Sex.FEMALE,
    "f": Sex.FEMALE,
    "male": Sex.MALE,
    "m": Sex.MALE,
    "other": Sex.OTHER,
    "o": Sex.OTHER,
}
YES_NO = {"yes": True, "y": True, "1": True, "true": True, "no": False, "n": False, "0": False} | {
    "false": False
}
OLDEST_YEARS = 120
LARGEST_TEAR_MM = 100.0


def enrol(study: Study, path: Path, *, reason: str = "", progress: Progress = no_progress) -> Filed:
    """Enrol the repairs of a sheet.

    Parameters
    ----------
    study
        Open, with a coordinator at the desk.
    path
        CSV or Excel.
    reason
        Why recorded repairs are changed; empty refuses changes and shows them.
    progress
        Told how far reading and storing have come.

    Raises
    ------
    InvalidInput
        With row, column, expected and found of everything that cannot be accepted.
    Refused
        Changes without a reason, or a person who is no coordinator. Nothing is changed.
    """
    study.require([Role.COORDINATOR], "enrol repairs")
    sheet = read_sheet(path, study.protocol.sheets, ENROLMENT_REQUIRED, progress)
    faults: list[Fault] = []
    rows: list[Enrolment] = []
    for count, row in enumerate(sheet.rows, 1):
        enrolment, wrong = _read(row, study.protocol)
        faults.extend(wrong)
        if enrolment is not None:
            rows.append(enrolment)
        if count % 1000 == 0 or count == len(sheet.rows):
            progress("checking rows", count, len(sheet.rows))
    with study.store.change(who=study.who, now=study.now) as change:
        known = {repair.code: repair for repair in change.all(Repair)}
        recorded = {event.key: event for event in change.all(Event)}
        placed = sequence(rows, known, recorded, sheet.columns)
        faults.extend(placed.faults)
        faults.extend(_against_scans(placed.repairs, known, change, study.protocol))
        require_sound(faults)
        planned = plan(known, placed.repairs)
        with study.keys() as keys:
            keys.add(_identities(rows))
        carry_out(change, planned, reason=reason, progress=progress)
        change.add(placed.revisions)
        for event in placed.moved:
            change.amend(event, reason=reason.strip())
    notes = tuple(f"{event.repair} ends with its revision" for event in placed.revisions)
    return Filed(len(planned.add), planned.unchanged, planned.changed, notes)


def _read(row: Row, protocol: Protocol) -> tuple[Enrolment | None, list[Fault]]:
    cells = CellReader(row, protocol.sheets.date_format)
    subject = cells.subject()
    side = cells.choice("side", SIDES, required=True)
    operated_on = cells.day("operation_date", required=True)
    born_on = cells.day("birth_date")
    site = cells.member("site", protocol.study.sites, "study.sites")
    tendons = cells.text("tendons").replace(";", ",").replace("+", ",").replace("/", ",")
    tear = cells.number("tear_size_mm", low=0.0, high=LARGEST_TEAR_MM)
    sex = cells.choice("sex", SEXES)
    is_revision = cells.choice("revision", YES_NO) or False
    age = _age(cells, operated_on, born_on)
    if cells.faults or subject == "" or side is None or operated_on is None:
        return None, cells.faults
    repair = Repair(
        code="",
        subject=subject,
        side=side,
        operated_on=operated_on,
        site=site,
        sex=sex,
        age_years=age,
        tear_size_mm=tear,
        tendons=tuple(part.strip() for part in tendons.split(",") if part.strip()),
        technique=cells.text("technique"),
        arm=cells.text("arm"),
        extra=_extra(row.cells),
    )
    return Enrolment(row, repair, is_revision, _identity(cells, subject, born_on)), []


def _age(cells: CellReader, operated_on: date | None, born_on: date | None) -> int | None:
    """Return the age at operation from age, birth date or birth year, the first that is given.

    From a birth year alone the age is the difference of the years, right to within one year.
    """
    age = cells.whole("age", low=0, high=OLDEST_YEARS)
    year = cells.whole("birth_year", low=1850, high=2200)
    if operated_on is None:
        return age
    implied = None
    if born_on is not None:
        before_birthday = (operated_on.month, operated_on.day) < (born_on.month, born_on.day)
        implied = operated_on.year - born_on.year - before_birthday
    elif year is not None:
        implied = operated_on.year - year
    source = "birth_date" if born_on is not None else "birth_year"
    if implied is not None and not 0 <= implied <= OLDEST_YEARS:
        cells.faults.append(
            cells.row.fault(source, f"gives an age of {implied} at operation", "0 to 120 years")
        )
        return None
    if age is not None and implied is not None and abs(age - implied) > 1:
        cells.faults.append(
            cells.row.fault("age", f"does not fit {source}", f"{implied} years at operation")
        )
    return implied if age is None else age


def _extra(cells: Mapping[str, str]) -> Mapping[str, str]:
    return MappingProxyType(
        {name: text for name, text in cells.items() if name and name not in ENROLMENT and text}
    )


def _identity(cells: CellReader, subject: str, born_on: date | None) -> Identity | None:
    name, number = cells.text("name"), cells.text("hospital_number")
    if not name and not number:
        return None
    return Identity(subject=subject, name=name, hospital_number=number, birth_date=born_on)


def _identities(rows: Sequence[Enrolment]) -> list[Identity]:
    return list({row.identity.subject: row.identity for row in rows if row.identity}.values())


def _against_scans(
    repairs: Sequence[Repair], known: Mapping[str, Repair], look: Look, protocol: Protocol
) -> list[Fault]:
    """Return a fault for each scan that a changed operation date would put out of its window."""
    moved = {
        repair.code: repair
        for repair in repairs
        if repair.code in known
        and any(d.field == "operated_on" for d in differences(known[repair.code], repair))
    }
    faults = []
    for scan in look.all(Scan) if moved else []:
        repair = moved.get(scan.repair)
        point = protocol.timepoint_named(scan.timepoint)
        if repair is None or point is None:
            continue
        day = (scan.acquired_on - repair.operated_on).days
        if not point.holds(day):
            faults.append(
                Fault(
                    f"the new operation date of {repair.code} does not fit its {point.name} scan",
                    "column operation_date",
                    f"day {point.window[0]} to {point.window[1]} after operation",
                    f"operation {repair.operated_on}, scan {scan.acquired_on}, day {day}",
                    "correct the date, or place the scan anew first",
                )
            )
    return faults
