"""Whatever is changed behind the program's back is found and named; on both databases."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date

import pytest
from store_samples import BARE, FULL, RECORDS, repair

from imgtrack.domain.errors import Broken
from imgtrack.domain.log import canonical
from imgtrack.store import guards
from imgtrack.store.entries import entry_row, recomputed_digest
from imgtrack.store.verify import verify

EDITS = {
    "repairs": ("repair:S002-L", "arm"),
    "scans": ("scan:2.25.1", "timepoint"),
    "series": ("series:2.25.11/2", "part"),
    "scan_problems": ("scan problem:2.25.1/side/", "text"),
    "events": ("event:S001-R/withdrawal", "note"),
    "scores": ("score:S002-L/constant/m06", "parts"),
    "cases": ("case:K7Q2M9XD", "reader"),
    "training_keys": ("training key:2.25.2", "set_by"),
    "pass_phrases": ("pass phrase:A/1", "set_by"),
    "readings": ("reading:r1", "protocol_hash"),
    "verdicts": ("verdict:v1", "decided_by"),
    "amendments": ("amendment:a1", "reason"),
    "protocol_versions": ("protocol version:p1", "text"),
}
"""By table: the record that is edited and the column."""


@pytest.fixture
def study(filled, clock):
    """Every kind of record, an amendment, and notes before, between and after."""
    with filled.change(who="JD", now=clock) as change:
        change.note(what="looked at", record="board:all")
        change.amend(replace(BARE, site="North"), reason="forgotten")
        change.add([repair(3)])
        change.note(what="looked at", record="board:all")
        change.note(what="exported", record="table:all")
    return filled


NOTE = 2 + len(RECORDS)
AMENDED, ADDED, LAST = NOTE + 1, NOTE + 2, NOTE + 4
"""Entries of `study`: 1 creates it, the next add the records."""


def faults_of(store, **options):
    with store.look() as look:
        return [str(fault) for fault in verify(look, **options)]


def log_of(store):
    with store.look() as look:
        return list(look.log())


def test_a_study_nobody_touched_is_whole(study):
    entries = log_of(study)
    assert [entry.what for entry in entries[NOTE - 2 :]] == [
        "amendment added",
        "looked at",
        "repair amended",
        "repair added",
        "looked at",
        "exported",
    ]
    assert len(entries) == LAST
    assert faults_of(study) == []
    assert all(faults_of(study, expect_head=entry.digest) == [] for entry in entries)


def only(table, label):
    """Return the condition that picks the row of a record."""
    name = {"repairs": "code", "scans": "uid", "cases": "code", "training_keys": "scan"}.get(
        table, "key"
    )
    return f"WHERE {name} = '{label.partition(':')[2]}'"


def test_an_edited_row_of_any_table_is_named_with_what_differs(study, tamper):
    for table, (label, column) in EDITS.items():
        value = '{"pain":99.0}' if column == "parts" else "forged"
        tamper(f"UPDATE {table} SET {column} = '{value}' {only(table, label)}")
    faults = {fault.partition(";")[0]: fault for fault in faults_of(study)}
    assert len(faults) == len(EDITS)
    for label, column in EDITS.values():
        fault = faults[f"{label}: a row was edited behind the log"]
        assert f"; expected {column} " in fault
        assert f"; found {column} {{'pain': 99.0}}" in fault or f"{column} 'forged'" in fault


def test_a_deleted_row_of_any_table_is_named(study, tamper, dialect):
    links = []
    if dialect == "postgresql":  # there a plain DELETE meets the foreign keys first
        links = ["SET session_replication_role = replica"]
    deletions = [f"DELETE FROM {table} {only(table, EDITS[table][0])}" for table in EDITS]
    tamper(*links, *deletions)
    faults = faults_of(study)
    assert len(faults) == len(EDITS)
    for label, _ in EDITS.values():
        assert any(
            fault.startswith(f"{label}: a record is gone from its table; expected what log entry")
            for fault in faults
        )


def test_a_row_added_behind_the_log_is_named(study, behind):
    behind(
        "INSERT INTO protocol_versions (key, entry, text, accepted_by, accepted_at, reason)"
        f" VALUES ('p2', {NOTE}, 'x', 'JD', '2025-01-01 00:00:00.000000', '')"
    )
    assert faults_of(study) == [
        "protocol version:p2: the log knows no such record;"
        " next: find out who wrote to the database, and restore a backup"
    ]


def test_an_amendment_undone_in_the_table_is_named(study, behind):
    behind(f"UPDATE repairs SET site = '' WHERE code = '{BARE.code}'")
    (fault,) = faults_of(study)
    assert fault.startswith(f"repair:{BARE.code}: a row was edited")
    assert "expected site 'North'; found site ''" in fault


def test_the_trace_of_an_amendment_is_part_of_it(study, tamper):
    tamper(f"UPDATE amendments SET reason = 'nicer' WHERE key = 'amendment-{AMENDED}'")
    (fault,) = faults_of(study)
    assert fault.startswith(f"amendment:amendment-{AMENDED}: a row was edited")
    assert "expected reason 'forgotten'; found reason 'nicer'" in fault


def test_a_changed_order_of_insertion_is_named(study, behind):
    behind(f"UPDATE repairs SET entry = {NOTE} WHERE code = 'S003-R'")
    (fault,) = faults_of(study)
    assert f"expected entry {ADDED}; found entry {NOTE}" in fault


def test_an_edited_log_row_is_the_first_broken_link(study, tamper):
    row = entry_row(log_of(study)[NOTE - 1])
    for column in ("who", "what", "record", "old", "new", "reason", "version"):
        tamper(f"UPDATE log SET {column} = 'forged' WHERE number = {NOTE}")
        (fault,) = faults_of(study)
        assert fault.startswith(f"log entry {NOTE}: this entry is not as it was written")
        tamper(f"UPDATE log SET {column} = '{row[column]}' WHERE number = {NOTE}")
        assert faults_of(study) == []


def test_a_log_row_with_another_time_is_the_first_broken_link(study, tamper):
    tamper(f"UPDATE log SET at = '2025-06-01 12:00:00.000001' WHERE number = {NOTE}")
    assert faults_of(study)[0].startswith(f"log entry {NOTE}: this entry is not as it was")


def test_only_the_first_broken_link_is_named(study, tamper):
    tamper(f"UPDATE log SET version = 'forged' WHERE number BETWEEN {NOTE} AND {ADDED}")
    (fault,) = faults_of(study)
    assert fault.startswith(f"log entry {NOTE}: ")


def test_an_edited_log_row_with_its_digest_mended_breaks_the_next_link(study, tamper):
    entry = replace(log_of(study)[NOTE - 1], who="forged")
    new = recomputed_digest(entry)
    tamper(f"UPDATE log SET who = 'forged', digest = '{new}' WHERE number = {NOTE}")
    (fault,) = faults_of(study)
    assert fault.startswith(f"log entry {NOTE + 1}: this entry does not follow the one before")


def test_an_edited_record_entry_is_named_with_its_record(study, tamper):
    entry = log_of(study)[ADDED - 1]
    new = canonical(json.loads(entry.new) | {"site": "forged"})
    tamper(f"UPDATE log SET new = '{new}' WHERE number = {ADDED}")
    link, row = faults_of(study)
    assert link.startswith(f"log entry {ADDED}: this entry is not as it was written")
    assert row.startswith("repair:S003-R: a row was edited")


def test_a_record_entry_that_is_no_record_is_named(study, tamper):
    tamper(f"UPDATE log SET new = 'nothing' WHERE number = {ADDED}")
    link, row = faults_of(study)
    assert link.startswith(f"log entry {ADDED}: ")
    assert "found an entry that is no record" in row


def test_a_gap_in_the_log_is_named(study, tamper):
    tamper(f"DELETE FROM log WHERE number = {NOTE}")
    (fault,) = faults_of(study)
    assert fault.startswith(f"log entry {NOTE + 1}: the log has a gap before this entry")


def test_a_log_cut_at_its_end_is_named(study, tamper):
    head = log_of(study)[-1].digest
    tamper(f"DELETE FROM log WHERE number > {LAST - 2}")
    cut, *others = faults_of(study, expect_head=head)
    assert cut.startswith(f"log entry {LAST - 2}: the log does not end where it was written to")
    assert f"expected entry {LAST}, digest {head}" in cut
    assert others[0].startswith("log: the noted head is not in the log")
    assert len(others) == 1


def test_a_log_cut_with_its_records_left_names_them(study, tamper, dialect):
    links = ["SET session_replication_role = replica"] if dialect == "postgresql" else []
    tamper(*links, f"DELETE FROM log WHERE number >= {ADDED}")
    cut, added = faults_of(study)
    assert cut.startswith(f"log entry {AMENDED}: the log does not end")
    assert added.startswith("repair:S003-R: the log knows no such record")


def test_a_log_rewritten_from_end_to_end_shows_against_a_noted_head(study, tamper):
    """The strongest forger: edits a record and its entry, then mends every digest and the head."""
    entries = log_of(study)
    noted = entries[-1].digest
    new = canonical(json.loads(entries[ADDED - 1].new) | {"operated_on": "2020-02-02"})
    statements = ["UPDATE repairs SET operated_on = '2020-02-02' WHERE code = 'S003-R'"]
    previous = entries[ADDED - 2].digest
    for entry in entries[ADDED - 1 :]:
        text = new if entry.number == ADDED else entry.new
        forged = replace(entry, new=text, previous=previous)
        previous = recomputed_digest(forged)
        row = entry_row(replace(forged, digest=previous))
        values = ", ".join(f"{name} = '{row[name]}'" for name in ("new", "previous", "digest"))
        statements.append(f"UPDATE log SET {values} WHERE number = {entry.number}")
    tamper(*statements, f"UPDATE head SET digest = '{previous}'")
    assert faults_of(study) == []
    (fault,) = faults_of(study, expect_head=noted)
    assert fault.startswith("log: the noted head is not in the log")


@pytest.mark.parametrize("name", ["readings_no_update", "log_no_delete", "log_no_replace"])
@pytest.mark.parametrize("dialect", ["sqlite"])
def test_a_dropped_trigger_is_named_with_what_was_done_meanwhile(study, behind, name):
    behind(f"DROP TRIGGER {name}", "UPDATE scans SET timepoint = 'm12' WHERE uid = '2.25.1'")
    guard, row = faults_of(study)
    assert "a guard is missing or altered" in guard
    assert f"expected trigger {name}" in guard
    assert row.startswith("scan:2.25.1: a row was edited")


def test_a_dropped_trigger_and_an_edited_reading_are_both_named(study, behind, dialect):
    sqlite = dialect == "sqlite"
    drop = "readings_no_update" if sqlite else "readings_guard ON readings"
    behind(f"DROP TRIGGER {drop}", "UPDATE readings SET reader = 'B' WHERE key = 'r1'")
    guard, row = faults_of(study)
    assert guard.startswith("readings: a guard is missing or altered")
    assert row.startswith("reading:r1: a row was edited")
    assert "expected reader 'A'; found reader 'B'" in row


@pytest.mark.parametrize("dialect", ["sqlite"])
def test_a_trigger_that_no_longer_refuses_is_named(study, behind):
    behind(
        "DROP TRIGGER log_no_update",
        "CREATE TRIGGER log_no_update BEFORE UPDATE ON log BEGIN SELECT 1; END",
    )
    (fault,) = faults_of(study)
    assert "expected trigger log_no_update" in fault


@pytest.mark.parametrize("dialect", [pytest.param("postgresql", marks=pytest.mark.postgres)])
@pytest.mark.parametrize(
    ("statement", "count"),
    [
        ("ALTER TABLE log DISABLE TRIGGER log_guard", 1),
        (
            f"CREATE OR REPLACE FUNCTION {guards.POSTGRESQL_FUNCTION}() RETURNS trigger"
            " LANGUAGE plpgsql AS 'BEGIN RETURN NEW; END'",
            len(guards.guards("postgresql")),
        ),
    ],
)
def test_guards_switched_off_or_hollow_are_named(study, behind, statement, count):
    behind(statement)
    faults = faults_of(study)
    assert len(faults) == count
    assert all("a guard is missing or altered" in fault for fault in faults)


@pytest.mark.parametrize(
    ("statement", "label", "found"),
    [
        ("UPDATE repairs SET side = 'up' WHERE code = 'S001-R'", "repair:S001-R", "'up'"),
        (
            "UPDATE scores SET parts = '[1' WHERE name = 'constant'",
            "score:S002-L/cons",
            "Expecting",
        ),
        ("UPDATE verdicts SET readings = 'null'", "verdict:v1", "NoneType"),
        ("UPDATE readings SET answers = '{\"a\":NaN}' WHERE key = 'r2'", "reading:r2", "nan"),
    ],
)
def test_a_row_no_program_can_read_is_named(study, tamper, statement, label, found):
    if study.dialect == "sqlite":
        loosen = "PRAGMA ignore_check_constraints = ON"
    else:
        loosen = "ALTER TABLE repairs DROP CONSTRAINT ck_repairs_side"
    tamper(loosen, statement)
    (fault,) = faults_of(study)
    assert fault.startswith(f"{label}")
    assert "a row was edited behind the log" in fault
    assert found in fault


@pytest.mark.parametrize("dialect", ["sqlite"])
def test_a_day_that_is_none_is_named_and_the_other_rows_are_still_read(study, behind):
    behind(
        "UPDATE repairs SET operated_on = 'soon' WHERE code = 'S002-L'",
        "UPDATE repairs SET arm = 'Z' WHERE code IN ('S001-R', 'S003-R')",
    )
    faults = faults_of(study)
    assert [fault.partition(": a row")[0] for fault in faults] == [
        "repair:S001-R",
        "repair:S002-L",
        "repair:S003-R",
    ]
    assert "'soon'" in faults[1]


@pytest.mark.parametrize("dialect", ["sqlite"])
def test_a_log_that_cannot_be_read_is_named(study, tamper):
    tamper(f"UPDATE log SET at = 'yesterday' WHERE number = {LAST}")
    faults = faults_of(study)
    assert faults[-1].startswith("log: a row cannot be read back")


@pytest.mark.parametrize("dialect", [pytest.param("postgresql", marks=pytest.mark.postgres)])
def test_a_day_or_moment_beyond_all_days_is_named(study, behind, tamper):
    behind("UPDATE repairs SET operated_on = 'infinity' WHERE code = 'S002-L'")
    (fault,) = faults_of(study)
    assert fault.startswith("repair:S002-L: a row was edited")
    tamper(f"UPDATE log SET at = 'infinity' WHERE number = {LAST}")
    assert faults_of(study)[-1].startswith("log: a row cannot be read back")


def test_a_head_that_is_gone_is_named(study, tamper, clock):
    tamper("DELETE FROM head")
    assert [fault.partition(";")[0] for fault in faults_of(study)] == [
        "head: a row cannot be read back"
    ]
    with (
        pytest.raises(Broken, match="head: a row cannot be read back"),
        study.change(who="JD", now=clock),
    ):
        pass


def test_a_table_that_is_gone_is_named(study, behind, dialect):
    behind("DROP TABLE verdicts")
    assert faults_of(study) == [
        "verdicts: a table is gone; next: find out who wrote to the database, and restore a backup"
    ]


def test_entries_of_an_older_form_are_no_fault(store, tamper, clock):
    """A field that came with a later schema is not in the entries before it."""
    with store.change(who="JD", now=clock) as change:
        change.add([replace(FULL, arm="", operated_on=date(2024, 1, 10))])
    entry = log_of(store)[-1]
    fields = json.loads(entry.new)
    del fields["arm"]
    old_form = replace(entry, new=canonical(fields))
    digest = recomputed_digest(old_form)
    text = old_form.new.replace("'", "''")
    tamper(
        f"UPDATE log SET new = '{text}', digest = '{digest}' WHERE number = 2",
        f"UPDATE head SET digest = '{digest}'",
    )
    assert faults_of(store) == []


def test_every_table_is_edited_somewhere_above():
    assert len(EDITS) == len({type(record) for record in RECORDS})
