"""Looking at a study: every record, and the log, as they stood at one moment."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from imgtrack.domain.log import Entry
from imgtrack.store.kinds import R, kind_of, unreadable
from imgtrack.store.tables import HEAD, LOG

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Mapping
    from datetime import datetime

    from imgtrack.store.kinds import Kind

ROWS_AT_ONCE = 1000
"""Rows fetched per round trip while the log or a table is streamed."""

NO_VALUE = (ValueError, sa.exc.DataError)
"""What drivers raise for a column value that is none, as a day that does not exist."""


class Look:
    """One consistent view of a study: what others write meanwhile does not show.

    Valid inside the ``with`` block of `Store.look` only.
    """

    def __init__(self, connection: sa.Connection) -> None:
        self.connection = connection

    def all(self, kind: type[R]) -> list[R]:
        """Return every record of a kind in the order of insertion; repairs by their code.

        Parameters
        ----------
        kind
            ``Repair``, ``Event``, ``Score``, ``Scan``, ``Series``, ``ScanProblem``, ``Case``,
            ``TrainingKey``, ``PassPhrase``, ``Reading``, ``Verdict``, ``Amendment`` or
            ``ProtocolVersion``.

        Raises
        ------
        Broken
            When a row holds what this program never writes.
        TypeError
            For another kind.
        """
        known = kind_of(kind)
        return [known.of_row(row) for row in self.rows(known)]

    def rows(self, kind: Kind[Any]) -> Iterator[sa.RowMapping]:
        """Yield the rows of a kind, streamed, in the same order as `all`."""
        yield from self._stream(kind.table, sa.select(kind.table).order_by(kind.order))

    def get(self, kind: type[R], key: str) -> R | None:
        """Return the record with a key, or ``None`` when there is none.

        Raises
        ------
        Broken
            When the row holds what this program never writes.
        """
        known = kind_of(kind)
        query = sa.select(known.table).where(known.table.c[known.key] == key)
        try:
            row = self.connection.execute(query).mappings().one_or_none()
        except NO_VALUE as error:
            raise unreadable(known.table.name, str(error), key=key) from error
        return None if row is None else known.of_row(row)

    def where(self, kind: type[R], **values: Any) -> list[R]:
        """Return the records of a kind whose fields have the given values, in order of insertion.

        Raises
        ------
        Broken
            When a row holds what this program never writes.
        """
        known = kind_of(kind)
        query = _matching(sa.select(known.table), known, values)
        return [known.of_row(row) for row in self._stream(known.table, query)]

    def values(self, kind: type[R], field: str, **values: Any) -> list[Any]:
        """Return one field of the records that `where` finds, without reading the others."""
        known = kind_of(kind)
        form = known.forms[field]
        query = _matching(sa.select(known.table.c[field]), known, values)
        rows = self._stream(known.table, query)
        return [form.revive(form.load(row[field])) for row in rows]

    def count(self, kind: type[R]) -> int:
        """Return how many records of a kind there are."""
        query = sa.select(sa.func.count()).select_from(kind_of(kind).table)
        return int(self.connection.execute(query).scalar_one())

    def added_at(self, kind: type[R]) -> dict[str, datetime]:
        """Return by key when each record of a kind was added, as its log entry says.

        Raises
        ------
        Broken
            When an entry holds what this program never writes.
        """
        table, key = kind_of(kind).table, kind_of(kind).key
        query = sa.select(table.c[key], LOG.c.at).join(LOG, LOG.c.number == table.c.entry)
        return {row[key]: row["at"] for row in self._stream(LOG, query)}

    def log(self, *, after: int = 0) -> Iterator[Entry]:
        """Yield the entries of the log that follow number ``after``, streamed, oldest first.

        Raises
        ------
        Broken
            When an entry holds what this program never writes.
        """
        query = sa.select(LOG).where(LOG.c.number > after).order_by(LOG.c.number)
        for row in self._stream(LOG, query):
            yield Entry(**row)

    def acts_of(self, who: str, acts: Collection[str], *, newest: int) -> list[Entry]:
        """Return the newest log entries of a person that are one of some acts, newest first."""
        query = (
            sa.select(LOG)
            .where(LOG.c.who == who, LOG.c.what.in_(acts))
            .order_by(LOG.c.number.desc())
            .limit(newest)
        )
        return [Entry(**row) for row in self._stream(LOG, query)]

    def acts(self, acts: Collection[str]) -> list[Entry]:
        """Return the log entries of everybody that are one of some acts, oldest first."""
        query = sa.select(LOG).where(LOG.c.what.in_(acts)).order_by(LOG.c.number)
        return [Entry(**row) for row in self._stream(LOG, query)]

    def head(self) -> tuple[int, str]:
        """Return number and digest of the last log entry.

        Raises
        ------
        Broken
            When they were removed.
        """
        row = self.connection.execute(sa.select(HEAD.c.number, HEAD.c.digest)).one_or_none()
        if row is None:
            raise unreadable(HEAD.name, "nothing")
        return row.number, row.digest

    def _stream(self, table: sa.Table, query: sa.Select[Any]) -> Iterator[sa.RowMapping]:
        options = {"yield_per": ROWS_AT_ONCE}
        try:
            yield from self.connection.execute(query, execution_options=options).mappings()
        except NO_VALUE as error:
            raise unreadable(table.name, str(error)) from error


def _matching(query: sa.Select[Any], kind: Kind[Any], values: Mapping[str, Any]) -> sa.Select[Any]:
    conditions = [
        kind.table.c[name] == kind.forms[name].store(kind.forms[name].plain(value))
        for name, value in values.items()
    ]
    return query.where(*conditions).order_by(kind.table.c.entry)
