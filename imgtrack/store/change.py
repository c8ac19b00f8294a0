"""Changing a study: records and their log entries in one transaction, all or nothing."""

from __future__ import annotations

from contextlib import contextmanager
from itertools import islice
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from imgtrack.domain.errors import Fault, InvalidInput, Refused
from imgtrack.domain.log import Entry, canonical, digest
from imgtrack.store import forms
from imgtrack.store.connection import savepoint
from imgtrack.store.entries import RESERVED, amendment_of, entry_row, software_version
from imgtrack.store.kinds import AMENDMENT, KINDS, kind_of
from imgtrack.store.look import Look
from imgtrack.store.tables import HEAD, LOG
from imgtrack.store.violations import missing_links, taken_keys, unexplained

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator
    from datetime import datetime

    from imgtrack.store.kinds import Kind, Record

RECORDS_AT_ONCE = 2000
"""Records held in memory while a long series of them is added."""


class Change(Look):
    """One transaction on a study; what it adds shows to its own looks at once.

    Valid inside the ``with`` block of `Store.change` only.

    Parameters
    ----------
    connection
        The one connection that may write.
    who
        Code of the person.
    now
        Clock; read once per call of a method.

    Raises
    ------
    InvalidInput
        When nobody is named.
    """

    def __init__(self, connection: sa.Connection, *, who: str, now: Callable[[], datetime]) -> None:
        super().__init__(connection)
        self._who = checked_person(who)
        self._now = now
        self._version = software_version()
        self._head = super().head()

    def head(self) -> tuple[int, str]:
        """Return number and digest of the last log entry, those of this change included."""
        return self._head

    def add(self, records: Iterable[Record]) -> int:
        """Add records of any kinds, each with its log entry, and return how many.

        The records may be a generator; a few thousand are held at a time. Records that others name
        (a repair by its scans) come first.

        Raises
        ------
        Refused
            When a key is already there or a named record is not; nothing is added.
        InvalidInput
            When a value cannot be kept; nothing is added.
        """
        at = self._time()
        remaining = iter(records)
        added = 0
        with self._all_or_nothing():
            while batch := list(islice(remaining, RECORDS_AT_ONCE)):
                self._add_batch(batch, at)
                added += len(batch)
        return added

    def amend(self, record: Record, *, reason: str) -> None:
        """Replace the record that has the same key; log old and new, and keep an `Amendment`.

        Raises
        ------
        Refused
            When its kind is written once, nothing has that key, nothing differs, or there is no
            reason.
        InvalidInput
            When a value cannot be kept.
        """
        kind = kind_of(type(record))
        where = kind.label(record.key)
        if not kind.mutable:
            raise Refused(_written_once(kind, where))
        if not reason.strip():
            raise Refused(Fault("no reason is given", where=where, next_step="say why"))
        before = self.get(type(record), record.key)
        if before is None:
            raise Refused(Fault("there is nothing to amend", where=where, next_step="add it"))
        values = kind.plain(record)
        old = kind.plain(before)
        if old == values:
            raise Refused(Fault("nothing differs from what is kept", where=where))
        with self._all_or_nothing():
            self._replace(kind, record.key, values, old=old, reason=reason)

    def note(self, *, what: str, record: str, new: str = "", reason: str = "") -> None:
        """Write a log entry that changes no record: a refusal, an export, a look.

        Parameters
        ----------
        what
            The act, as ``export written``; the acts of `add` and `amend` are refused.
        record
            What was acted on.
        new, reason
            What came of it and why.

        Raises
        ------
        InvalidInput
            When the act is one that stands for a change of a record, or a text cannot be kept.
        """
        if what in RESERVED:
            raise InvalidInput(
                Fault("this act is written with the record it changes", where="what", found=what)
            )
        with self._all_or_nothing():
            self._write_log([self._entry(self._time(), what, record, new=new, reason=reason)])

    def seal(self) -> None:
        """Write down the head of the log; the last step before the commit."""
        number, last = self._head
        self.connection.execute(sa.update(HEAD).values(number=number, digest=last))

    def _time(self) -> datetime:
        try:
            return forms.MOMENT.revive(forms.moment(self._now()))  # type: ignore[no-any-return]
        except forms.UnfitError as error:
            raise InvalidInput(Fault("the clock is of no use", expected=str(error))) from error

    @contextmanager
    def _all_or_nothing(self) -> Iterator[None]:
        head = self._head
        try:
            with savepoint(self.connection):
                yield
        except BaseException:
            self._head = head
            raise

    def _add_batch(self, batch: list[Record], at: datetime) -> None:
        head = self._head
        entries = []
        rows: dict[str, list[dict[str, Any]]] = {kind.name: [] for kind in KINDS}
        for record in batch:
            kind = kind_of(type(record))
            values = kind.plain(record)
            label = kind.label(record.key)
            entry = self._entry(at, f"{kind.name} added", label, new=canonical(values))
            entries.append(entry)
            rows[kind.name].append(kind.row(values, record.key) | {"entry": entry.number})
        try:
            with savepoint(self.connection):
                self._write_log(entries)
                self._write_rows(rows)
        except sa.exc.IntegrityError as error:
            self._head = head
            faults = taken_keys(self.connection, rows) + missing_links(self.connection, rows)
            for record in [] if faults or len(batch) == 1 else batch:
                self._add_batch([record], at)  # raises at the one that is refused
            raise Refused(faults or unexplained(rows, error)) from error

    def _write_log(self, entries: list[Entry]) -> None:
        self.connection.execute(sa.insert(LOG), [entry_row(entry) for entry in entries])

    def _write_rows(self, rows: dict[str, list[dict[str, Any]]]) -> None:
        for kind in KINDS:
            if rows[kind.name]:
                self.connection.execute(sa.insert(kind.table), rows[kind.name])

    def _replace(
        self,
        kind: Kind[Any],
        key: str,
        values: dict[str, Any],
        *,
        old: dict[str, Any],
        reason: str,
    ) -> None:
        """Change the columns that differ, and no other: a login may be let at some alone."""
        at = self._time()
        new = canonical(values)
        label = kind.label(key)
        entry = self._entry(
            at, f"{kind.name} amended", label, old=canonical(old), new=new, reason=reason
        )
        row = kind.row(values, key)
        before = kind.row(old, key)
        changed = {name: value for name, value in row.items() if value != before[name]}
        trace = AMENDMENT.plain(amendment_of(entry, kind, key))
        trace_row = AMENDMENT.row(trace, trace["key"]) | {"entry": entry.number}
        self._write_log([entry])
        try:
            with savepoint(self.connection):
                self.connection.execute(
                    sa.update(kind.table).where(kind.table.c[kind.key] == key), changed
                )
        except sa.exc.IntegrityError as error:
            rows = {kind.name: [row]}
            faults = missing_links(self.connection, rows)
            raise Refused(faults or unexplained(rows, error)) from error
        self.connection.execute(sa.insert(AMENDMENT.table), trace_row)

    def _entry(
        self,
        at: datetime,
        what: str,
        record: str,
        *,
        old: str = "",
        new: str = "",
        reason: str = "",
    ) -> Entry:
        """Return the next entry of the chain and move the head to it."""
        number, previous = self._head
        parts: dict[str, Any] = {
            "number": number + 1,
            "at": at,
            "who": self._who,
            "what": _checked("what", what),
            "record": _checked("record", record),
            "old": old,
            "new": _checked("new", new),
            "reason": _checked("reason", reason),
            "version": self._version,
            "previous": previous,
        }
        entry = Entry(**parts, digest=digest(**parts))
        self._head = (entry.number, entry.digest)
        return entry


def checked_person(who: str) -> str:
    """Return the code of a person.

    Raises
    ------
    InvalidInput
        When nobody is named.
    """
    if not who.strip():
        raise InvalidInput(Fault("nobody is named", expected="the code of the person"))
    return _checked("who", who)


def _checked(field: str, value: str) -> str:
    try:
        return forms.text(value)
    except forms.UnfitError as error:
        raise InvalidInput(
            Fault("this value cannot be kept", where=field, expected=str(error), found=repr(value))
        ) from error


def _written_once(kind: Kind[Any], where: str) -> Fault:
    return Fault(
        f"a {kind.name} is written once and never changed",
        where=where,
        next_step="add a new record that says what it replaces and why",
    )
