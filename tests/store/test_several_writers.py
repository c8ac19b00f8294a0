"""Several processes at one study: the chain stays whole, and nothing is half done."""

from __future__ import annotations

import sqlite3
import time
from contextlib import closing

import pytest
import sqlalchemy as sa
from store_samples import repair
from store_writer import PER_CHANGE

from imgtrack.domain.errors import Unavailable
from imgtrack.domain.subjects import Repair
from imgtrack.store.connection import connect_sqlite
from imgtrack.store.database import create, open_store, sqlite_url
from imgtrack.store.verify import verify


def state(store):
    with store.look() as look:
        assert verify(look) == []
        return look.count(Repair), look.head()


def test_two_processes_write_one_unbroken_chain(store, writer):
    changes = 25
    processes = [writer("many", first=first, count=changes) for first in (0, 1000)]
    for process in processes:
        assert process.wait(timeout=60) == 0
    count, (last, _) = state(store)
    assert count == 2 * changes * PER_CHANGE
    assert last == 1 + 2 * changes * (PER_CHANGE + 1)
    with store.look() as look:
        assert {entry.who for entry in look.log(after=1)} == {"W0", "W1000"}


def test_a_process_killed_within_a_change_leaves_nothing_of_it(store, writer, clock):
    before = state(store)
    process = writer("hang", count=6000)
    assert process.stdout.readline() == "half\n"
    process.kill()
    process.wait()
    assert state(store) == before
    with store.change(who="JD", now=clock) as change:
        change.add([repair(1)])
    assert state(store)[0] == 1


def test_a_process_killed_at_any_time_leaves_whole_changes(store, writer):
    for first in (0, 1000):
        process = writer("many", first=first, count=900)
        time.sleep(0.25)
        process.kill()
        process.wait()
        count, (last, _) = state(store)
        assert count % PER_CHANGE == 0
        assert last == 1 + count // PER_CHANGE * (PER_CHANGE + 1)
    assert count > 0


def test_a_locked_database_says_who_holds_it(store, url, writer, clock, dialect):
    before = state(store)
    process = writer("hold")
    with (
        open_store(url, patience=0.2) as hasty,
        pytest.raises(Unavailable, match="database locked, nothing was changed") as caught,
        hasty.change(who="JD", now=clock),
    ):
        pass
    (fault,) = caught.value.faults
    assert "try again" in fault.next_step
    if dialect == "postgresql":
        assert "imgtrack for HOLDER (server process " in fault.found
    elif sqlite_locks_are_listed():
        assert f"process {process.pid}" in fault.found
    process.communicate("")
    assert state(store) == before
    with store.change(who="JD", now=clock) as change:
        change.add([repair(1)])


def sqlite_locks_are_listed() -> bool:
    try:
        with open("/proc/locks") as file:  # noqa: PTH123 - the plainest way to ask the system
            return bool(file.read().strip())
    except OSError:
        return False


def test_the_same_process_can_hold_the_lock_too(store, url, clock):
    with (
        store.change(who="JD", now=clock),
        open_store(url, patience=0.1) as hasty,
        pytest.raises(Unavailable, match="database locked"),
        hasty.change(who="JD", now=clock),
    ):
        pass


def test_looking_does_not_wait_for_a_writer(store, writer):
    writer("hold")
    assert state(store)[0] == 0


def fill(store, clock, records=20_000):
    with store.change(who="JD", now=clock) as change:
        change.add(repair(number) for number in range(records))


def check_full(store, clock, before):
    with pytest.raises(Unavailable, match="disk full, nothing was changed") as caught:
        fill(store, clock)
    assert "free some space" in caught.value.faults[0].next_step
    assert state(store) == before


@pytest.mark.parametrize("dialect", ["sqlite"])
def test_a_file_that_may_not_grow_changes_nothing(store, clock):
    """SQLite answers SQLITE_FULL at its own limit of pages too (sqlite.org/rescode.html#full)."""
    before = state(store)
    engine = store._database.engine

    def limit(connection, _record):
        connection.execute("PRAGMA max_page_count = 120")

    engine.dispose()
    sa.event.listen(engine, "connect", limit)
    check_full(store, clock, before)
    with store.change(who="JD", now=clock) as change:
        change.add([repair(1)])
    assert state(store)[0] == 1


def test_a_full_disk_changes_nothing(small_disk, clock):
    with create(sqlite_url(small_disk / "study.sqlite"), who="JD", now=clock) as store:
        check_full(store, clock, state(store))
        with store.change(who="JD", now=clock) as change:
            change.add([repair(1)])
        assert state(store)[0] == 1


def test_a_change_that_a_full_disk_undid_cannot_be_gone_on_with(small_disk, clock):
    with create(sqlite_url(small_disk / "study.sqlite"), who="JD", now=clock) as store:
        before = state(store)

        def go_on():
            with store.change(who="JD", now=clock) as change:
                with pytest.raises(sa.exc.OperationalError, match="full"):
                    change.add(repair(number) for number in range(20_000))
                change.note(what="went on", record="desk")

        with pytest.raises(Unavailable, match="this change was given up after an earlier failure"):
            go_on()
        assert state(store) == before


@pytest.mark.parametrize("dialect", [pytest.param("postgresql", marks=pytest.mark.postgres)])
def test_a_server_that_goes_away_changes_nothing(store, behind, clock):
    before = state(store)

    def interrupted():
        yield repair(1)
        behind(
            "SELECT pg_terminate_backend(pid) FROM pg_stat_activity"
            " WHERE application_name = 'imgtrack for JD'"
        )
        yield repair(2)

    with (
        pytest.raises(Unavailable, match="the database server cannot be reached or went away"),
        store.change(who="JD", now=clock) as change,
    ):
        change.add(interrupted())
    assert state(store) == before


def test_a_disk_too_small_for_a_study_keeps_nothing(small_disk, clock):
    (small_disk / "ballast").write_bytes(bytes(2_000_000))
    url = sqlite_url(small_disk / "study.sqlite")
    with pytest.raises(Unavailable, match="disk full"):
        create(url, who="JD", now=clock)
    assert [path.name for path in small_disk.iterdir()] == ["ballast"]


@pytest.mark.parametrize("dialect", [pytest.param("postgresql", marks=pytest.mark.postgres)])
def test_a_server_whose_disk_is_full_changes_nothing(store, behind, clock):
    """The server raises disk_full, 53100 in PostgreSQL's table of error codes."""
    behind(
        "CREATE FUNCTION full_disk() RETURNS trigger LANGUAGE plpgsql AS"
        " $$ BEGIN RAISE EXCEPTION 'no space left' USING ERRCODE = '53100'; END $$",
        "CREATE TRIGGER full_disk BEFORE INSERT ON log FOR EACH ROW"
        " WHEN (NEW.number > 3000) EXECUTE FUNCTION full_disk()",
    )
    check_full(store, clock, state(store))


@pytest.mark.parametrize("dialect", ["sqlite"])
def test_every_connection_is_set_for_durable_commits(store, url):
    with store.look() as look:
        answers = {
            name: look.connection.exec_driver_sql(f"PRAGMA {name}").scalar()
            for name in ("journal_mode", "synchronous", "foreign_keys", "recursive_triggers")
        }
    assert answers == {
        "journal_mode": "wal",
        "synchronous": 2,  # FULL, sqlite.org/pragma.html#pragma_synchronous
        "foreign_keys": 1,
        "recursive_triggers": 1,
    }


@pytest.mark.parametrize("dialect", ["sqlite"])
def test_opening_restores_the_write_ahead_log(store, url):
    store.close()
    path = url.removeprefix("sqlite:///")
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA journal_mode = DELETE")
    open_store(url).close()
    with closing(connect_sqlite(store._database.path, 1.0)) as connection:
        assert connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)
