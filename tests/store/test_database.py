"""Opening and creating: addresses, missing files, strangers, and the words for every failure."""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing
from pathlib import Path

import psycopg
import pytest
import sqlalchemy as sa

from imgtrack.domain.errors import (
    Broken,
    InvalidInput,
    Refused,
    Unavailable,
)
from imgtrack.domain.reading import Verdict
from imgtrack.store import entries
from imgtrack.store.connection import parse_url
from imgtrack.store.database import create, open_store, sqlite_url, upgrade
from imgtrack.store.failures import files_in_our_words, in_our_words, sqlite_holder


@pytest.mark.parametrize("name", ["study.sqlite", "a b%20#c?d=e&ü:@.sqlite"])
def test_any_path_can_hold_a_study(tmp_path, clock, name):
    url = sqlite_url(tmp_path / name)
    with create(url, who="JD", now=clock) as store:
        assert store.dialect == "sqlite"
        assert store.place == str(tmp_path / name)
        assert store.url == url
    assert [path.name for path in tmp_path.iterdir()] == [name]
    open_store(url).close()


def test_a_relative_path_means_the_folder_one_is_in(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert parse_url(sqlite_url(Path("study.sqlite"))).database == str(tmp_path / "study.sqlite")


@pytest.mark.parametrize(
    "url", ["", "study.sqlite", "sqlite://", "sqlite:///:memory:", "mysql://u:secret@h/db"]
)
def test_other_addresses_are_of_no_use(url, clock):
    for attempt in (
        lambda: open_store(url),
        lambda: create(url, who="JD", now=clock),
        lambda: upgrade(url, who="JD", now=clock),
    ):
        with pytest.raises(InvalidInput, match="no study can be kept there") as caught:
            attempt()
        assert "secret" not in str(caught.value)


def test_a_missing_file_is_not_created_by_opening(tmp_path, clock):
    url = sqlite_url(tmp_path / "study.sqlite")
    for attempt in (lambda: open_store(url), lambda: upgrade(url, who="JD", now=clock)):
        with pytest.raises(InvalidInput, match="there is no study database here"):
            attempt()
    assert list(tmp_path.iterdir()) == []


def test_a_missing_folder_is_named(tmp_path, clock):
    with pytest.raises(InvalidInput, match="the folder does not exist"):
        create(sqlite_url(tmp_path / "no" / "study.sqlite"), who="JD", now=clock)


@pytest.mark.parametrize("who", ["", " "])
def test_nobody_creates_nothing(tmp_path, clock, who):
    with pytest.raises(InvalidInput, match="nobody is named"):
        create(sqlite_url(tmp_path / "study.sqlite"), who=who, now=clock)
    assert list(tmp_path.iterdir()) == []


def test_a_file_that_is_no_database_is_left_alone(tmp_path, clock):
    path = tmp_path / "notes.txt"
    path.write_text("not a database, but longer than a header " * 30)
    before = path.read_bytes()
    for attempt in (
        lambda: open_store(sqlite_url(path)),
        lambda: create(sqlite_url(path), who="JD", now=clock),
    ):
        with pytest.raises(Broken, match="this is not a database file"):
            attempt()
        assert path.read_bytes() == before


def test_a_strangers_database_is_left_alone(tmp_path):
    path = tmp_path / "other.sqlite"
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TABLE stranger (x)")
    before = path.read_bytes()
    with pytest.raises(InvalidInput, match="there is no study in this database"):
        open_store(sqlite_url(path))
    assert path.read_bytes() == before


def test_a_file_that_cannot_be_made_is_named(tmp_path, clock):
    with pytest.raises(Unavailable, match="a file cannot be read or written"):
        create(sqlite_url(tmp_path / ("long" * 100)), who="JD", now=clock)
    (tmp_path / "folder").mkdir()
    with pytest.raises(Unavailable, match="the database cannot be opened"):
        create(sqlite_url(tmp_path / "folder"), who="JD", now=clock)
    assert [path.name for path in tmp_path.iterdir()] == ["folder"]


@pytest.mark.postgres
def test_a_server_that_is_not_there_is_named(tmp_path):
    url = f"postgresql://imgtrack:secret@/study?host={tmp_path}"
    with pytest.raises(Unavailable, match="the database server cannot be reached") as caught:
        open_store(url, patience=1.0)
    assert "secret" not in str(caught.value)


@pytest.mark.postgres
def test_a_database_that_is_not_on_the_server_is_named(server):
    with pytest.raises(Unavailable, match="nosuch"):
        open_store(server.url("nosuch"))


@pytest.mark.postgres
def test_any_spelling_of_the_address_uses_the_one_driver():
    for url in ("postgresql://h/db", "postgresql+psycopg2://h/db", "postgresql+psycopg://h/db"):
        assert parse_url(url).drivername == "postgresql+psycopg"


class Said(psycopg.Error):
    """A server's error with a code of the documentation's appendix A."""

    def __init__(self, state):
        self._state = state
        super().__init__(f"said {state}")

    @property
    def sqlstate(self):
        return self._state


def translated(error):
    with pytest.raises(Exception) as caught, in_our_words("the study"):  # noqa: PT011 - any
        raise error
    return caught.value


@pytest.mark.parametrize(
    ("state", "error", "words"),
    [
        ("08006", Unavailable, "cannot be reached or went away"),
        ("22003", InvalidInput, "does not fit its column"),
        ("23505", Refused, "the database refuses this"),
        ("28P01", Unavailable, "does not let this role in"),
        ("3D000", Unavailable, "no such database"),
        ("40P01", Unavailable, "another change came first"),
        ("42501", Unavailable, "may not do this"),
        ("42703", Broken, "a column is missing"),
        ("42P01", Broken, "a table is missing"),
        ("53100", Unavailable, "disk full"),
        ("53300", Unavailable, "out of resources"),
        ("55P03", Unavailable, "database locked"),
        ("57P01", Unavailable, "went away"),
        ("P0001", Refused, "the database refuses this"),
    ],
)
def test_what_a_server_reports_is_said_in_our_words(state, error, words):
    found = translated(sa.exc.DBAPIError("SQL", {}, Said(state)))
    assert type(found) is error
    assert words in str(found)
    assert found.faults[0].where == "the study"


def sqlite_error(code):
    error = sqlite3.OperationalError("said something")
    error.sqlite_errorcode = code
    return error


@pytest.mark.parametrize(
    ("code", "error", "words"),
    [
        (5, Unavailable, "database locked"),  # SQLITE_BUSY
        (517, Unavailable, "database locked"),  # SQLITE_BUSY_SNAPSHOT
        (8, Unavailable, "may not be written"),  # SQLITE_READONLY
        (778, Unavailable, "could not be read or written"),  # SQLITE_IOERR_WRITE
        (11, Broken, "damaged"),  # SQLITE_CORRUPT
        (13, Unavailable, "disk full"),  # SQLITE_FULL
        (14, Unavailable, "cannot be opened"),  # SQLITE_CANTOPEN
        (26, Broken, "not a database file"),  # SQLITE_NOTADB
        (1811, Refused, "the database refuses this"),  # SQLITE_CONSTRAINT_TRIGGER
    ],
)
def test_what_sqlite_reports_is_said_in_our_words(code, error, words):
    """Codes of sqlite.org/rescode.html."""
    found = translated(sqlite_error(code))
    assert type(found) is error
    assert words in str(found)


@pytest.mark.parametrize(
    "error",
    [
        sqlite_error(1),
        sa.exc.DBAPIError("SQL", {}, Said("42601")),
        sa.exc.ProgrammingError("SQL", {}, Said(None)),
    ],
)
def test_a_mistake_of_ours_is_not_dressed_up(error):
    assert translated(error) is error


def test_a_missing_table_is_broken(filled, behind):
    behind("DROP TABLE verdicts")
    with pytest.raises(Broken, match="imgtrack verify"), filled.look() as look:
        look.count(Verdict)


@pytest.mark.parametrize("number", [28, 122])  # ENOSPC, EDQUOT on Linux
def test_a_full_disk_under_a_file_is_said_in_our_words(number):
    with pytest.raises(Unavailable, match="disk full"), files_in_our_words("backup"):
        raise OSError(number, os.strerror(number))


def test_the_holder_of_a_lock_is_read_from_the_list_of_locks(tmp_path):
    """Lines as proc_locks(5) describes them."""
    database = tmp_path / "study.sqlite"
    shared = tmp_path / "study.sqlite-shm"
    shared.touch()
    inode = shared.stat().st_ino
    listed = tmp_path / "locks"
    listed.write_text(
        f"1: POSIX  ADVISORY  READ  11 fd:00:{inode} 120 120\n"
        f"2: POSIX  ADVISORY  WRITE 12 fd:00:{inode + 1} 120 120\n"
        f"3: POSIX  ADVISORY  WRITE 13 fd:00:{inode} 123 123\n"
        f"4: POSIX  ADVISORY  WRITE 4194305 fd:00:{inode} 120 120\n"
        f"4: -> POSIX  ADVISORY  WRITE 15 fd:00:{inode} 120 120\n"
        f"5: POSIX  ADVISORY  WRITE {os.getpid()} fd:00:{inode} 0 EOF\n"
        f"6: POSIX  ADVISORY  WRITE -1 fd:00:{inode} 120 120\n"
    )
    first, second = sqlite_holder(database, listed).split(", ")
    assert first == "process 4194305"  # beyond the greatest process number there is
    assert second.startswith(f"process {os.getpid()} (")
    assert sqlite_holder(database, tmp_path / "no such list") == ""
    assert sqlite_holder(tmp_path / "no such database", listed) == ""


def test_the_version_is_that_of_the_installed_package(monkeypatch):
    def absent(name):
        raise entries.metadata.PackageNotFoundError(name)

    assert entries.software_version() == entries.metadata.version("imgtrack")
    monkeypatch.setattr(entries.metadata, "version", absent)
    assert entries.software_version() == "not installed"
