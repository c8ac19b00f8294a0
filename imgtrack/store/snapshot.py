"""One consistent state of a database as a SQLite file, and from such a file back."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from imgtrack.store import schema
from imgtrack.store.connection import Database, connect_sqlite, sqlite_url
from imgtrack.store.failures import in_our_words
from imgtrack.store.tables import HEAD

if TYPE_CHECKING:
    from pathlib import Path

PAGES_AT_ONCE = 4096
ROWS_AT_ONCE = 2000


def take(database: Database, into: Path) -> None:
    """Write the state of a database at this moment to a new SQLite file; writers go on meanwhile.

    Raises
    ------
    InvalidInput, Refused
        When the database holds no study, or one of a newer program.
    Unavailable
        When the database cannot be read now.
    """
    into.touch(exist_ok=False)
    with database.reading() as connection:
        found = schema.revision(connection)
        schema.check_known(found, database.place)
        if database.path is None:
            _copy_rows(connection, found, into)
    if database.path is not None:
        _copy_pages(database, database.path, into)


def _copy_rows(source: sa.Connection, found: str, into: Path) -> None:
    target = Database(sqlite_url(into), foreign_keys=False)
    with closing(target), target.writing() as connection:
        lay(source, connection, found)


def _copy_pages(database: Database, path: Path, into: Path) -> None:
    with (
        in_our_words(database.place, database.holder),
        closing(connect_sqlite(path, database.patience)) as source,
        closing(sqlite3.connect(into, isolation_level=None)) as target,
    ):
        source.execute("BEGIN")  # one read transaction: without it every write would start it anew
        source.execute("SELECT count(*) FROM head").fetchone()
        source.backup(target, pages=PAGES_AT_ONCE)


def lay(source: sa.Connection, target: sa.Connection, revision: str) -> None:
    """Lay a study out in an empty database, as it stands in another one of either dialect.

    Parameters
    ----------
    source
        Connection to the study.
    target
        Connection in a transaction; on SQLite with foreign keys off.
    revision
        Schema revision of the study; the copy gets the same.
    """
    schema.migrate(target, revision)
    there, here = _reflected(source), _reflected(target)
    for table in here.sorted_tables:
        if table.name == HEAD.name:
            row = source.execute(sa.select(there.tables[table.name])).mappings().one()
            target.execute(sa.update(table), dict(row))
        elif table.name != "alembic_version":
            _copy_table(source, there.tables[table.name], target, table)


def _reflected(connection: sa.Connection) -> sa.MetaData:
    metadata = sa.MetaData()
    metadata.reflect(connection)
    return metadata


def _copy_table(
    source: sa.Connection, there: sa.Table, target: sa.Connection, here: sa.Table
) -> None:
    order = there.c.get("entry", there.primary_key.columns[0])
    options = {"yield_per": ROWS_AT_ONCE}
    rows = source.execute(sa.select(there).order_by(order), execution_options=options).mappings()
    for part in rows.partitions():
        values = [
            {name: _carried(value, target.dialect.name) for name, value in row.items()}
            for row in part
        ]
        target.execute(sa.insert(here), values)


def _carried(value: Any, dialect: str) -> Any:
    """Return a value as the other dialect keeps it: moments are naive UTC on SQLite."""
    if not isinstance(value, datetime):
        return value
    if dialect == "sqlite":
        return value.astimezone(UTC).replace(tzinfo=None)
    return value.replace(tzinfo=UTC)
