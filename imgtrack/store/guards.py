"""Triggers that keep written records as they were, whoever speaks to the database.

Append-only tables refuse UPDATE and DELETE (and TRUNCATE on PostgreSQL); tables whose rows may be
amended refuse DELETE only. On SQLite ``INSERT OR REPLACE`` deletes the row in its way without
asking a DELETE trigger, so a third trigger refuses an INSERT that finds its place taken.

A table rebuilt by a migration loses its triggers on SQLite; `lifted` takes all down around
migrations and puts all up again.
"""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

import sqlalchemy as sa

from imgtrack.store.kinds import KINDS
from imgtrack.store.tables import HEAD, LOG

if TYPE_CHECKING:
    from collections.abc import Iterator

APPEND_ONLY = (LOG, *(kind.table for kind in KINDS if not kind.mutable))
AMENDABLE = tuple(kind.table for kind in KINDS if kind.mutable)

POSTGRESQL_FUNCTION = "imgtrack_refuse"
POSTGRESQL_BODY = """
BEGIN
  RAISE EXCEPTION USING MESSAGE =
    TG_TABLE_NAME || ' is never changed: ' || TG_OP || ' refused';
END
"""


@dataclass(frozen=True, slots=True)
class Guard:
    """One trigger: its name, the table it stands on, and the statement that creates it."""

    name: str
    table: str
    statement: str


def guards(dialect: str) -> tuple[Guard, ...]:
    """Return every guard the newest schema has on a dialect."""
    make = _sqlite_guards if dialect == "sqlite" else _postgresql_guards
    append_only = (make(table, ("UPDATE", "DELETE")) for table in APPEND_ONLY)
    kept = (make(table, ("DELETE",)) for table in (*AMENDABLE, HEAD))
    return tuple(guard for group in (*append_only, *kept) for guard in group)


def _sqlite_guards(table: sa.Table, refused: tuple[str, ...]) -> list[Guard]:
    made = []
    for act in refused:
        name = f"{table.name}_no_{act.lower()}"
        made.append(_sqlite_guard(name, table.name, act, f"{act} refused"))
    if "UPDATE" in refused:
        taken = " OR ".join(_same(names) for names in _unique_sets(table))
        condition = f" WHEN EXISTS (SELECT 1 FROM {table.name} WHERE {taken})"  # noqa: S608
        name = f"{table.name}_no_replace"
        made.append(_sqlite_guard(name, table.name, "INSERT", "REPLACE refused", condition))
    return made


def _sqlite_guard(name: str, table: str, act: str, message: str, condition: str = "") -> Guard:
    statement = (
        f"CREATE TRIGGER {name} BEFORE {act} ON {table}{condition}"
        f" BEGIN SELECT RAISE(ABORT, '{table} is never changed: {message}'); END"
    )
    return Guard(name, table, statement)


def _unique_sets(table: sa.Table) -> list[list[str]]:
    alone = [[column.name] for column in table.columns if column.primary_key or column.unique]
    together = [
        constraint.columns.keys()
        for constraint in table.constraints
        if isinstance(constraint, sa.UniqueConstraint) and len(constraint.columns) > 1
    ]
    return [*alone, *sorted(together)]


def _same(names: list[str]) -> str:
    return " AND ".join(f"{name} = NEW.{name}" for name in names)


def _postgresql_guards(table: sa.Table, refused: tuple[str, ...]) -> list[Guard]:
    name = f"{table.name}_guard"
    acts = " OR ".join((*sorted(refused), "TRUNCATE"))  # the order PostgreSQL repeats them in
    statement = (
        f"CREATE TRIGGER {name} BEFORE {acts} ON {table.name}"
        f" FOR EACH STATEMENT EXECUTE FUNCTION {POSTGRESQL_FUNCTION}()"
    )
    return [Guard(name, table.name, statement)]


@contextmanager
def lifted(connection: sa.Connection) -> Iterator[None]:
    """Take the guards down for a migration and put the newest schema's guards up after it."""
    dialect = connection.dialect.name
    for guard in guards(dialect):
        _drop(connection, guard)
    yield
    if dialect == "postgresql":
        connection.exec_driver_sql(
            f"CREATE OR REPLACE FUNCTION {POSTGRESQL_FUNCTION}() RETURNS trigger"
            f" LANGUAGE plpgsql AS $${POSTGRESQL_BODY}$$"
        )
    tables = sa.inspect(connection).get_table_names()
    for guard in guards(dialect):
        if guard.table in tables:  # else the study is laid out at a revision that has no such table
            connection.exec_driver_sql(guard.statement)


def _drop(connection: sa.Connection, guard: Guard) -> None:
    if connection.dialect.name == "sqlite":
        connection.exec_driver_sql(f"DROP TRIGGER IF EXISTS {guard.name}")
    elif sa.inspect(connection).has_table(guard.table):
        connection.exec_driver_sql(f"DROP TRIGGER IF EXISTS {guard.name} ON {guard.table}")


def missing(connection: sa.Connection) -> list[Guard]:
    """Return the guards that are gone, switched off or do not say what they should."""
    if connection.dialect.name == "sqlite":
        found = _sqlite_found(connection)
    else:
        found = _postgresql_found(connection)
    expected = guards(connection.dialect.name)
    return [guard for guard in expected if found.get(guard.name) != guard.statement]


def _sqlite_found(connection: sa.Connection) -> dict[str, str]:
    query = "SELECT name, sql FROM sqlite_master WHERE type = 'trigger'"
    return {row.name: row.sql for row in connection.exec_driver_sql(query)}


def _postgresql_found(connection: sa.Connection) -> dict[str, str]:
    """Return the statements of enabled triggers whose function still refuses."""
    query = sa.text(
        "SELECT trig.tgname AS name, pg_get_triggerdef(trig.oid, true) AS definition"
        " FROM pg_trigger AS trig JOIN pg_proc AS func ON func.oid = trig.tgfoid"
        " WHERE NOT trig.tgisinternal AND trig.tgenabled IN ('O', 'A') AND func.prosrc = :body"
    )
    rows = connection.execute(query, {"body": POSTGRESQL_BODY})
    return {row.name: row.definition for row in rows}
