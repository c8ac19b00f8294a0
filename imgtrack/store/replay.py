"""What the tables should hold, told from the log alone, against what they do hold."""

from __future__ import annotations

import hashlib
import json
from typing import TYPE_CHECKING, Any, NamedTuple

import sqlalchemy as sa

from imgtrack.domain.errors import Broken, Fault, ImgtrackError
from imgtrack.domain.log import Entry, canonical
from imgtrack.store.entries import RESERVED, amendment_of
from imgtrack.store.kinds import AMENDMENT, BY_NAME, KINDS
from imgtrack.store.tables import LOG

if TYPE_CHECKING:
    from collections.abc import Iterator

    from imgtrack.store.kinds import Kind
    from imgtrack.store.look import Look

NEXT_STEP = "find out who wrote to the database, and restore a backup"


class Logged(NamedTuple):
    """What the log says about one record: where it was added, where last written, and as what."""

    added: int
    last: int
    fingerprint: bytes


class Found(NamedTuple):
    """One row of a table; ``plain`` is ``None`` when this program cannot have written it."""

    key: str
    entry: int
    plain: dict[str, Any] | None
    trouble: str = ""


class Replay:
    """The state of every record as the log tells it; feed it the whole log, then compare."""

    def __init__(self) -> None:
        self._states: dict[str, Logged] = {}

    def follow(self, entry: Entry) -> None:
        """Take in one entry; entries about anything but records are passed over."""
        if entry.what not in RESERVED:
            return
        before = self._states.get(entry.record)
        added = entry.number if before is None else before.added
        self._states[entry.record] = Logged(added, entry.number, _fingerprint(entry.new))
        if entry.what.endswith(" amended"):
            trace = _trace(entry)
            text = canonical(trace)
            label = AMENDMENT.label(trace["key"])
            self._states[label] = Logged(entry.number, entry.number, _fingerprint(text))

    def differences(self, look: Look) -> Iterator[Fault]:
        """Yield a fault for every row edited, added or deleted behind the log; call once."""
        for kind in KINDS:
            for found in _rows(look, kind):
                logged = self._states.pop(kind.label(found.key), None)
                yield from _compare(look, kind, found, logged)
        for label, logged in self._states.items():
            yield Fault(
                "a record is gone from its table",
                where=label,
                expected=f"what log entry {logged.last} wrote",
                found="no row",
                next_step=NEXT_STEP,
            )


def _fingerprint(text: str) -> bytes:
    return hashlib.sha256(text.encode()).digest()


def _trace(entry: Entry) -> dict[str, Any]:
    name, _, key = entry.record.partition(":")
    return AMENDMENT.plain(amendment_of(entry, BY_NAME[name], key))


def _rows(look: Look, kind: Kind[Any]) -> Iterator[Found]:
    """Yield every row of a kind, those that cannot be read included."""
    seen = set()
    try:
        for row in look.rows(kind):
            found = _plain_row(kind, row)
            seen.add(found.key)
            yield found
    except Broken:  # one of the rows not yet yielded stops the stream: take them one by one
        columns = sa.select(kind.table.c[kind.key], kind.table.c.entry)
        for key, entry in look.connection.execute(columns).all():
            if key not in seen:
                yield _lone_row(look, kind, key, entry)


def _plain_row(kind: Kind[Any], row: sa.RowMapping) -> Found:
    key, entry = row[kind.key], row["entry"]
    try:
        return Found(key, entry, kind.plain(kind.of_row(row)))
    except ImgtrackError as error:
        return Found(key, entry, None, error.faults[0].found)


def _lone_row(look: Look, kind: Kind[Any], key: str, entry: int) -> Found:
    try:
        return Found(key, entry, kind.plain(look.get(kind.record, key)))
    except ImgtrackError as error:
        return Found(key, entry, None, error.faults[0].found)


def _compare(look: Look, kind: Kind[Any], found: Found, logged: Logged | None) -> Iterator[Fault]:
    where = kind.label(found.key)
    if logged is None:
        yield Fault("the log knows no such record", where=where, next_step=NEXT_STEP)
    elif found.plain is None:
        yield _edited(where, f"what log entry {logged.last} wrote", found.trouble)
    else:
        if found.entry != logged.added:
            yield _edited(where, f"entry {logged.added}", f"entry {found.entry}")
        if _fingerprint(canonical(found.plain)) != logged.fingerprint:
            yield from _edited_fields(look, kind, found, logged)


def _edited_fields(look: Look, kind: Kind[Any], found: Found, logged: Logged) -> Iterator[Fault]:
    """Yield the difference, if it is one: an entry of an older schema may lack newer fields."""
    where = kind.label(found.key)
    try:
        expected = _as_logged(look, kind, logged)
    except (ImgtrackError, TypeError, ValueError):
        yield _edited(where, f"what log entry {logged.last} wrote", "an entry that is no record")
        return
    actual = found.plain or {}
    names = [name for name in expected if actual[name] != expected[name]]
    if names:
        wanted = "; ".join(f"{name} {expected[name]!r}" for name in names)
        there = "; ".join(f"{name} {actual[name]!r}" for name in names)
        yield _edited(where, wanted, there)


def _as_logged(look: Look, kind: Kind[Any], logged: Logged) -> dict[str, Any]:
    row = look.connection.execute(sa.select(LOG).where(LOG.c.number == logged.last)).mappings()
    entry = Entry(**row.one())
    if kind is AMENDMENT and entry.what.endswith(" amended"):
        return _trace(entry)
    return kind.plain(kind.revive(json.loads(entry.new)))


def _edited(where: str, expected: str, found: str) -> Fault:
    return Fault(
        "a row was edited behind the log",
        where=where,
        expected=expected,
        found=found,
        next_step=NEXT_STEP,
    )
