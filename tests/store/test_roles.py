"""What the database itself refuses: plain SQL by a login of its own, for every role."""

from __future__ import annotations

from contextlib import closing
from dataclasses import replace
from datetime import date

import psycopg
import pytest

from imgtrack.domain.cases import Case, TrainingKey
from imgtrack.domain.errors import InvalidInput, Refused
from imgtrack.domain.imaging import Modality, Scan
from imgtrack.domain.protocol import Role
from imgtrack.domain.reading import Reading, Round, Verdict
from imgtrack.domain.subjects import Repair, Side
from imgtrack.store import roles
from imgtrack.store.database import create, open_store, sqlite_url
from imgtrack.store.roles import Access, grant, revoke
from imgtrack.store.verify import verify

pytestmark = pytest.mark.postgres

LOGINS = {
    "reader_one": ("R1", Role.READER),
    "reader_two": ("R2", Role.READER),
    "settler": ("A1", Role.ADJUDICATOR),
    "analyst": ("L1", Role.ANALYST),
    "surgeon": ("S1", Role.SURGEON),
    "coordinator": ("C1", Role.COORDINATOR),
}
DAY = date(2031, 3, 1)
OF_TABLES = [table.name for table in roles.TABLES]


def _reading(clock, who, scan, round_=Round.FIRST):
    at = clock()
    key = f"{who}-{scan}"
    case = f"K{key}" if round_ is Round.FIRST else f"S{key}"
    return Reading(key, scan, who, round_, {"q": {"value": who}}, "h", "1", at, at, case_code=case)


def records(clock):
    """Two repairs; R1 and R2 read the first scan, R2 alone the second; A1 settles the first."""
    for number in (1, 2):
        yield Repair(f"P{number}-R", f"P{number}", Side.RIGHT, DAY, arm="SECRET")
        yield Scan(f"2.25.9{number}", f"P{number}-R", "m06", date(2031, 9, 1), Modality.MR)
    scans = {"R1": ["2.25.91"], "R2": ["2.25.91", "2.25.92"]}
    for who, read in scans.items():
        for place, scan in enumerate(read, 1):
            yield Case(f"K{who}-{scan}", who, scan, Round.FIRST, 1, place)
            yield _reading(clock, who, scan)
    yield Case("SA1-2.25.91", "A1", "2.25.91", Round.SETTLING, 1, 1)
    yield TrainingKey("2.25.92", {"sugaya": "IV"}, "C1")
    yield Verdict("2.25.91/1", "2.25.91", "agreed", {}, ("x",), "protocol", clock())
    yield Verdict("2.25.92/1", "2.25.92", "agreed", {}, ("x",), "protocol", clock())


@pytest.fixture(scope="module")
def place(server, make_clock):
    """URL of a study whose logins are bound, by login; empty for the owner."""
    clock = make_clock()
    url = server.database()
    for login in LOGINS:
        server.execute(f"CREATE ROLE {login} LOGIN")
    with create(url, who="C1", now=clock) as store, store.change(who="C1", now=clock) as change:
        change.add(records(clock))
        for login, (person, role) in LOGINS.items():
            grant(change, Access(login, person, role, shows_readings=True))
    return lambda login: url.replace("imgtrack@", f"{login}@") if login else url


@pytest.fixture
def ask(place):
    """Run one statement as a login, undo it, and return its rows or how many it changed."""

    def run(login: str, statement: str):
        with closing(psycopg.connect(place(login))) as connection:
            cursor = connection.execute(statement)
            return cursor.fetchall() if cursor.description else cursor.rowcount

    return run


@pytest.fixture
def refused(ask):
    def run(login: str, statement: str) -> bool:
        try:
            return ask(login, statement) == 0
        except psycopg.errors.InsufficientPrivilege:
            return True

    return run


def test_a_reader_sees_own_cases_and_readings_and_no_other(ask):
    assert ask("reader_one", "SELECT code FROM cases") == [("KR1-2.25.91",)]
    assert ask("reader_one", "SELECT reader FROM readings") == [("R1",)]
    assert ask("reader_two", "SELECT count(*) FROM readings") == [(2,)]
    assert ask("reader_one", "SELECT uid FROM scans") == [("2.25.91",)]


def test_a_reader_sees_no_more_of_the_registry_than_a_reading_needs(ask, refused):
    assert ask("reader_one", "SELECT code, operated_on FROM repairs") == [("P1-R", DAY)]
    assert ask("reader_one", "SELECT side FROM repairs") == [("right",)]  # the images show it
    for column in ("arm", "technique", "subject"):
        assert refused("reader_one", f"SELECT {column} FROM repairs")
    for table in ("events", "scores", "verdicts", "scan_problems"):
        assert refused("reader_one", f"SELECT 1 FROM {table}")
    assert ask("reader_one", "SELECT * FROM training_keys") == []


def test_a_reader_sees_own_log_entries_alone(ask):
    assert ask("reader_one", "SELECT DISTINCT who FROM log") == []
    assert ask("", "SELECT DISTINCT who FROM log") == [("C1",)]


@pytest.mark.parametrize(
    "statement",
    [
        "INSERT INTO readings SELECT 'new', entry, scan, 'R2', round, answers, protocol_hash,"
        " software_version, began_at, signed_at, amends, reason, NULL, shown, images,"
        " active_seconds, derived, mismatches, source FROM readings",
        "UPDATE readings SET answers = '{}'",
        "DELETE FROM readings",
        "UPDATE scans SET timepoint = 'm12'",
        "UPDATE scans SET stage = 'final' WHERE uid = '2.25.92'",
        "INSERT INTO verdicts SELECT 'v', entry, '2.25.91', 'agreed', '{}', '[]', 'R1', now()"
        " FROM cases",
        "UPDATE cases SET reader = 'R1'",
        "DELETE FROM log",
        "TRUNCATE drafts",
        "ALTER TABLE readings DISABLE ROW LEVEL SECURITY",
        'DROP POLICY "reader_one 1 SELECT" ON head',
        "SET ROLE imgtrack",
    ],
)
def test_a_reader_changes_nothing_that_is_not_theirs(refused, statement):
    assert refused("reader_one", statement)


def test_a_draft_is_its_readers_alone(place, ask):
    row = "'{0}', 's', 0, '{{}}', '{{}}', '[]', now(), now(), 0"
    own, other = (row.format(code) for code in ("KR1-2.25.91", "KR2-2.25.91"))
    with psycopg.connect(place("reader_one")) as connection:
        connection.execute(f"INSERT INTO drafts VALUES ({own})")
    with pytest.raises(psycopg.errors.InsufficientPrivilege, match="row-level security"):
        ask("reader_one", f"INSERT INTO drafts VALUES ({other})")
    assert ask("reader_two", "SELECT count(*) FROM drafts") == [(0,)]
    assert ask("reader_two", "DELETE FROM drafts") == 0
    assert ask("reader_one", "DELETE FROM drafts") == 1
    with pytest.raises(psycopg.errors.InsufficientPrivilege):
        ask("analyst", "SELECT answers FROM drafts")


def test_an_adjudicator_sees_the_first_readings_of_own_cases(ask):
    rows = ask("settler", "SELECT reader, scan FROM readings ORDER BY reader")
    assert rows == [("R1", "2.25.91"), ("R2", "2.25.91")]
    assert ask("settler", "SELECT scan FROM verdicts") == [("2.25.91",)]


def test_an_adjudicator_sees_none_where_the_protocol_shows_none(place, make_clock, ask):
    hidden = Access("settler", "A1", Role.ADJUDICATOR)
    with open_store(place("")) as store, store.change(who="C1", now=make_clock()) as change:
        grant(change, hidden)
    try:
        assert ask("settler", "SELECT * FROM readings") == []
        with pytest.raises(psycopg.errors.InsufficientPrivilege):
            ask("settler", "SELECT * FROM verdicts")
    finally:
        with open_store(place("")) as store, store.change(who="C1", now=make_clock()) as change:
            grant(change, replace(hidden, shows_readings=True))


def test_a_single_reader_makes_the_verdict_on_own_scans(server, place, make_clock, ask):
    server.execute("CREATE ROLE lone_reader LOGIN")
    lone = Access("lone_reader", "R1", Role.READER, one_reader=True)
    with open_store(place("")) as store, store.change(who="C1", now=make_clock()) as change:
        grant(change, lone)
    assert ask("lone_reader", "SELECT scan FROM verdicts") == [("2.25.91",)]


def test_the_analyst_reads_results_and_writes_nothing(ask, refused):
    assert ask("analyst", "SELECT count(*) FROM readings") == [(3,)]
    assert ask("analyst", "SELECT count(*) FROM verdicts") == [(2,)]
    assert refused("analyst", "SELECT encoded FROM pass_phrases")
    for table in ("repairs", "readings", "verdicts", "scans", "cases"):
        assert refused("analyst", f"INSERT INTO {table} SELECT * FROM {table}")
        assert refused("analyst", f"DELETE FROM {table}")


def test_the_surgeon_sees_the_registry_and_no_reading(ask, refused):
    assert ask("surgeon", "SELECT count(*) FROM scans") == [(2,)]
    for table in ("readings", "verdicts", "cases", "drafts", "training_keys"):
        assert refused("surgeon", f"SELECT 1 FROM {table}")


def test_the_coordinator_writes_the_registry_and_signs_for_nobody(ask):
    assert ask("coordinator", "UPDATE repairs SET site = 'x'") == 2
    with pytest.raises(psycopg.errors.InsufficientPrivilege, match="row-level security"):
        ask(
            "coordinator",
            "INSERT INTO readings SELECT 'new', 1, scan, reader, round, answers, protocol_hash,"
            " software_version, began_at, signed_at, amends, reason, NULL, shown, images,"
            " active_seconds, derived, mismatches, '' FROM readings LIMIT 1",
        )


@pytest.mark.parametrize("login", LOGINS)
def test_nobody_writes_in_anothers_name(ask, login):
    with pytest.raises(psycopg.errors.InsufficientPrivilege, match="row-level security"):
        ask(
            login,
            "INSERT INTO log VALUES (999, now(), 'X9', 'w', 'r', '', '', '', '1', 'p', 'd')",
        )


def test_the_owner_is_not_bound_and_the_records_stand(place):
    with open_store(place("")) as store, store.look() as look:
        assert verify(look) == []
        assert len(look.all(Reading)) == 3


def test_what_is_revoked_is_gone(server, place, make_clock, refused):
    server.execute("CREATE ROLE for_a_day LOGIN")
    with open_store(place("")) as store:
        with store.change(who="C1", now=make_clock()) as change:
            grant(change, Access("for_a_day", "L1", Role.ANALYST))
        assert not refused("for_a_day", "SELECT * FROM readings")
        with store.change(who="C1", now=make_clock()) as change:
            revoke(change, "for_a_day")
            acts = [(entry.what, entry.record) for entry in change.log()][-2:]
    assert acts == [("access granted", "person:L1"), ("access revoked", "login:for_a_day")]
    for table in OF_TABLES:
        assert refused("for_a_day", f"SELECT 1 FROM {table}")


def test_a_login_must_be_there_and_be_bound(place, make_clock):
    with open_store(place("")) as store, store.change(who="C1", now=make_clock()) as change:
        with pytest.raises(Refused, match="CREATE ROLE nobody_yet LOGIN"):
            grant(change, Access("nobody_yet", "R1", Role.READER))
        with pytest.raises(Refused, match="owns the study"):
            grant(change, Access("imgtrack", "R1", Role.READER))
        with pytest.raises(InvalidInput, match="cannot be used"):
            grant(change, Access('x"; --', "R1", Role.READER))


def test_a_file_has_no_logins(template_file, make_clock):
    with (
        open_store(sqlite_url(template_file)) as store,
        store.change(who="C1", now=make_clock()) as change,
        pytest.raises(Refused, match="SQLite file knows no logins"),
    ):
        grant(change, Access("reader_one", "R1", Role.READER))


def test_every_table_is_bound(ask):
    rows = ask("", "SELECT relname FROM pg_class WHERE relrowsecurity AND relkind = 'r'")
    assert {name for (name,) in rows} == set(OF_TABLES)
