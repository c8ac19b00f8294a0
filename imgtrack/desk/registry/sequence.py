"""Which repair each row of an enrolment sheet is: a known one, a first one, or a revision."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from types import MappingProxyType

from imgtrack.desk.registry.sheets import Row
from imgtrack.domain.errors import Fault
from imgtrack.domain.sheet_columns import ENROLMENT
from imgtrack.domain.subjects import Event, EventKind, Repair, Side, repair_code
from imgtrack.store.keys import Identity

Shoulder = tuple[str, Side]

FIELD_OF_COLUMN = {
    "operation_date": "operated_on",
    "age": "age_years",
    "birth_year": "age_years",
    "birth_date": "age_years",
    "tear_size_mm": "tear_size_mm",
    "tendons": "tendons",
    "technique": "technique",
    "arm": "arm",
    "site": "site",
    "sex": "sex",
}


def _merged(known: Repair, wanted: Repair, columns: Sequence[str]) -> Repair:
    """Return the known repair with what the sheet's columns say."""
    given = {field for column, field in FIELD_OF_COLUMN.items() if column in columns}
    values = {name: getattr(wanted, name) for name in given}
    extra_columns = set(columns) - set(ENROLMENT)
    kept = {name: text for name, text in known.extra.items() if name not in extra_columns}
    return replace(known, **values, extra=MappingProxyType(kept | dict(wanted.extra)))


@dataclass(frozen=True, slots=True)
class Enrolment:
    """One sound row: the repair it describes, yet without a code, and who the patient is."""

    row: Row
    repair: Repair
    is_revision: bool
    identity: Identity | None


@dataclass(slots=True)
class Sequenced:
    """What a sheet's rows are, once every shoulder has been put in order.

    Attributes
    ----------
    repairs
        One per row, with its code.
    revisions
        New events that end the repair before a revision.
    moved
        Recorded revisions whose day follows a corrected operation date.
    faults
        Rows that cannot be placed.
    """

    repairs: list[Repair] = field(default_factory=list)
    revisions: list[Event] = field(default_factory=list)
    moved: list[Event] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)


def sequence(
    rows: Sequence[Enrolment],
    known: Mapping[str, Repair],
    recorded: Mapping[str, Event],
    columns: Sequence[str],
) -> Sequenced:
    """Say which repair each row is.

    A row on the day of a known repair is that repair. Of the others, an unmarked row is the
    shoulder's first repair, and a marked one the known revision that the sheet does not show
    otherwise (its date was corrected), or else a new revision. Columns that the sheet does not
    have leave their values as recorded.

    Parameters
    ----------
    rows
        Sound rows of one sheet.
    known
        Enrolled repairs by code.
    recorded
        Events by key; a row dated on a recorded revision counts as marked.
    columns
        Columns of the sheet.
    """
    enrolled: dict[Shoulder, list[Repair]] = defaultdict(list)
    for repair in known.values():
        enrolled[repair.subject, repair.side].append(repair)
    by_shoulder: dict[Shoulder, list[Enrolment]] = defaultdict(list)
    for row in rows:
        by_shoulder[row.repair.subject, row.repair.side].append(row)
    result = Sequenced()
    for shoulder, entries in by_shoulder.items():
        _Chain(enrolled[shoulder], recorded, columns, result).take(entries)
    return result


class _Chain:
    """The repairs of one shoulder in order of operation, as the rows of a sheet extend it."""

    def __init__(
        self,
        enrolled: Sequence[Repair],
        recorded: Mapping[str, Event],
        columns: Sequence[str],
        result: Sequenced,
    ) -> None:
        self.chain = sorted(enrolled, key=lambda repair: repair.sequence)
        self.unseen = list(self.chain)
        self.recorded = recorded
        self.columns = columns
        self.result = result

    def take(self, entries: Sequence[Enrolment]) -> None:
        """Place the rows of the shoulder, the sure ones first."""
        days: set[date] = set()
        open_rows = []
        for entry in entries:
            day = entry.repair.operated_on
            known = next((r for r in self.unseen if r.operated_on == day), None)
            if day in days:
                self._refuse(entry, "the repair is in the sheet twice", "one row per repair")
            elif known is not None:
                self._keep(known, entry)
            else:
                open_rows.append(entry)
            days.add(day)
        for entry in sorted(open_rows, key=self._order):
            if self._is_marked(entry):
                self._take_revision(entry)
            else:
                self._take_first(entry)

    def _order(self, entry: Enrolment) -> tuple[bool, date]:
        return self._is_marked(entry), entry.repair.operated_on

    def _is_marked(self, entry: Enrolment) -> bool:
        day = entry.repair.operated_on
        ends = (self._revision_of(repair) for repair in self.chain)
        return entry.is_revision or any(end is not None and end.happened_on == day for end in ends)

    def _revision_of(self, repair: Repair) -> Event | None:
        return self.recorded.get(Event(repair.code, EventKind.REVISION, date.min).key)

    def _take_first(self, entry: Enrolment) -> None:
        if not self.chain:
            self._add(entry, 1)
        elif self.chain[0] in self.unseen:
            self._keep(self.chain[0], entry)
        else:
            self._refuse(
                entry,
                "a second repair of one shoulder that is not marked as a revision",
                "one row per repair, or 'yes' in the column revision",
            )

    def _take_revision(self, entry: Enrolment) -> None:
        corrected = next((repair for repair in self.unseen if repair.sequence > 1), None)
        if corrected is not None:
            self._move_end(self.chain[corrected.sequence - 2], corrected, entry)
            self._keep(corrected, entry)
        elif not self.chain:
            self._refuse(entry, "the shoulder has no earlier repair to revise", "an earlier row")
        elif entry.repair.operated_on <= self.chain[-1].operated_on:
            last = self.chain[-1]
            self._refuse(
                entry, f"the revision is dated before {last.code}", f"after {last.operated_on}"
            )
        else:
            self._revise(self.chain[-1], entry)

    def _revise(self, last: Repair, entry: Enrolment) -> None:
        event, day = self._revision_of(last), entry.repair.operated_on
        if event is None:
            self.result.revisions.append(Event(last.code, EventKind.REVISION, day))
        elif event.happened_on != day:
            self._refuse(
                entry,
                f"the revision of {last.code} is recorded for another day",
                event.happened_on.isoformat(),
            )
            return
        self._add(entry, last.sequence + 1)

    def _move_end(self, ended: Repair, corrected: Repair, entry: Enrolment) -> None:
        """Let the end of the repair before follow the corrected day of its revision."""
        event = self._revision_of(ended)
        if event is not None and event.happened_on == corrected.operated_on:
            self.result.moved.append(replace(event, happened_on=entry.repair.operated_on))

    def _keep(self, known: Repair, entry: Enrolment) -> None:
        self.unseen.remove(known)
        self.result.repairs.append(_merged(known, entry.repair, self.columns))

    def _add(self, entry: Enrolment, number: int) -> None:
        wanted = entry.repair
        code = repair_code(wanted.subject, wanted.side, number)
        repair = replace(wanted, code=code, sequence=number)
        self.chain.append(repair)
        self.result.repairs.append(repair)

    def _refuse(self, entry: Enrolment, what: str, expected: str) -> None:
        self.result.faults.append(entry.row.fault("operation_date", what, expected))
