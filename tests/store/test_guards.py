"""Plain SQL cannot change what was written, whichever migrations a database has seen."""

from __future__ import annotations

from pathlib import Path

import pytest
import sqlalchemy as sa

from imgtrack.store import guards
from imgtrack.store.connection import Database
from imgtrack.store.kinds import KINDS
from imgtrack.store.tables import LOG

APPEND_ONLY = (
    "log",
    "cases",
    "pass_phrases",
    "readings",
    "verdicts",
    "amendments",
    "protocol_versions",
)
AMENDABLE = (
    "repairs",
    "scans",
    "series",
    "scan_problems",
    "events",
    "scores",
    "training_keys",
)
KEYS = {kind.table.name: kind.key for kind in KINDS} | {"log": "number"}


@pytest.fixture(params=["new", "upgraded"])
def history(request, filled):
    """A database made by the newest schema, and one brought there by every later migration."""
    if request.param == "upgraded":
        request.getfixturevalue("later_schema")()
    return filled


def refused(behind, statement: str) -> str:
    with pytest.raises(Exception, match="is never changed") as caught:
        behind(statement)
    return str(caught.value)


def test_append_only_tables_refuse_update_and_delete(history, behind):
    for table in APPEND_ONLY:
        before = behind(f"SELECT * FROM {table}")
        key = KEYS[table]
        assert "UPDATE refused" in refused(behind, f"UPDATE {table} SET {key} = {key}")
        assert "DELETE refused" in refused(behind, f"DELETE FROM {table}")
        assert behind(f"SELECT * FROM {table}") == before
        assert before


def test_append_only_tables_refuse_replacement(history, behind):
    for table in APPEND_ONLY:
        before = behind(f"SELECT * FROM {table}")
        assert_replacement_is_refused(behind, history.dialect, table)
        assert behind(f"SELECT * FROM {table}") == before


def assert_replacement_is_refused(behind, dialect, table):
    columns = [name for name, *_ in _columns(behind, dialect, table)]
    names = ", ".join(columns)
    first = f"SELECT {names} FROM {table} ORDER BY {KEYS[table]} LIMIT 1"
    if dialect == "sqlite":
        message = refused(behind, f"INSERT OR REPLACE INTO {table} ({names}) {first}")
        assert "REPLACE refused" in message
    else:
        conflict = f"ON CONFLICT ({KEYS[table]}) DO UPDATE SET {columns[1]} = excluded.{columns[1]}"
        message = refused(behind, f"INSERT INTO {table} ({names}) {first} {conflict}")
        assert "UPDATE refused" in message


def test_rows_of_the_other_tables_are_never_deleted(history, behind):
    for table in (*AMENDABLE, "head"):
        before = behind(f"SELECT count(*) FROM {table}")
        assert "DELETE refused" in refused(behind, f"DELETE FROM {table}")
        assert behind(f"SELECT count(*) FROM {table}") == before != [(0,)]


@pytest.mark.parametrize("dialect", [pytest.param("postgresql", marks=pytest.mark.postgres)])
def test_no_table_is_truncated(history, behind):
    for table in (*APPEND_ONLY, *AMENDABLE, "head"):
        assert "TRUNCATE refused" in refused(behind, f"TRUNCATE {table} CASCADE")


def test_every_table_has_its_guards(history):
    with history.look() as look:
        assert guards.missing(look.connection) == []
        guarded = {guard.table for guard in guards.guards(history.dialect)}
        there = set(sa.inspect(look.connection).get_table_names())
    assert guarded == there - {"alembic_version", "drafts"}


def test_a_schema_with_fewer_tables_gets_the_guards_of_those(new_url):
    """A study of an old revision is laid out before the tables of later ones exist."""
    url = new_url()
    if url.startswith("sqlite"):
        Path(url.removeprefix("sqlite:///")).touch()
    database = Database(url)
    with database.writing("JD") as connection, guards.lifted(connection):
        LOG.create(connection)
    with database.reading() as connection:
        missing = {guard.table for guard in guards.missing(connection)}
    database.close()
    assert missing == {*APPEND_ONLY, *AMENDABLE, "head"} - {"log"}


def _columns(behind, dialect, table):
    if dialect == "sqlite":
        return behind(f"SELECT name FROM pragma_table_info('{table}')")
    return behind(
        "SELECT column_name FROM information_schema.columns"
        f" WHERE table_name = '{table}' ORDER BY ordinal_position"
    )
