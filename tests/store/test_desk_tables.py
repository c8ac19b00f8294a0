"""What the reading desk needs of the store: drafts, finding by fields, and who did what."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import timedelta

import pytest
from store_samples import BEGAN, CASE, FIRST, REPEATED, SIGNED, TRAINING_CASE

from imgtrack.domain.cases import Case, Draft
from imgtrack.domain.errors import Broken, InvalidInput, Refused
from imgtrack.domain.reading import Reading, Round
from imgtrack.store.drafts import all_drafts, draft_of, drafts_saved, drop_draft, keep_draft
from imgtrack.store.verify import verify

DRAFT = Draft(
    CASE.code,
    "5e5510",
    3,
    {"sugaya": {"value": "IV"}, "é": [1, 0.1 + 0.2, None]},
    {"0.1.1": {"uid": "2.25.111", "frame": 1, "plane": None}},
    ("timepoint",),
    BEGAN,
    SIGNED,
    0.1 + 0.2,
)


def keep(store, clock, *drafts):
    with store.change(who="A", now=clock) as change:
        for draft in drafts:
            keep_draft(change, draft)


def test_a_draft_comes_back_as_it_was_and_leaves_no_trace_in_the_log(filled, clock):
    with filled.look() as look:
        head = look.head()
        assert draft_of(look, CASE.code) is None
    keep(filled, clock, DRAFT)
    with filled.look() as look:
        assert draft_of(look, CASE.code) == DRAFT
        assert drafts_saved(look) == {CASE.code: SIGNED}
        assert look.head() == head
        assert verify(look) == []


def test_a_draft_takes_the_place_of_the_one_before_and_goes(filled, clock):
    later = replace(DRAFT, version=4, answers={}, saved_at=SIGNED + timedelta(hours=1))
    other = replace(DRAFT, case_code=TRAINING_CASE.code)
    keep(filled, clock, DRAFT, later, other)
    with filled.look() as look:
        assert all_drafts(look) == [later, other]
    with filled.change(who="A", now=clock) as change:
        drop_draft(change, CASE.code)
    with filled.look() as look:
        assert all_drafts(look) == [other]


def test_what_no_draft_can_hold_is_refused_with_every_field(filled, clock):
    bad = replace(DRAFT, answers={"x": float("inf")}, session="\0", active_seconds=float("nan"))
    with pytest.raises(InvalidInput) as caught:
        keep(filled, clock, bad)
    assert [fault.where for fault in caught.value.faults] == [
        f"draft of {CASE.code}, {name}" for name in ("session", "answers", "active_seconds")
    ]


def test_a_draft_of_no_case_is_refused_by_the_tables(filled, clock):
    with pytest.raises(Exception, match=r"(?i)foreign key"):
        keep(filled, clock, replace(DRAFT, case_code="NOSUCHCD"))


def test_a_draft_nobody_can_have_written_is_named(filled, clock, behind):
    keep(filled, clock, DRAFT)
    behind("UPDATE drafts SET answers = '{'")
    with filled.look() as look, pytest.raises(Broken, match=f"drafts {CASE.code}"):
        draft_of(look, CASE.code)


def test_records_are_found_by_their_fields(standing):
    with standing.look() as look:
        assert look.where(Case, reader="A", round=Round.TRAINING) == [TRAINING_CASE]
        assert look.where(Reading, amends="r1", reader="A")[0].key == "r2"
        assert look.where(Case, reader="nobody") == []
        assert look.values(Reading, "signed_at", reader="A", round=Round.REPEAT) == [
            REPEATED.signed_at
        ]
        assert look.values(Reading, "case_code", scan=FIRST.scan) == ["", "", CASE.code, ""]


def test_the_newest_acts_of_a_person_come_first(filled, clock):
    for number in range(4):
        with filled.change(who=f"P{number % 2}", now=clock) as change:
            change.note(what="looked" if number < 2 else "left", record=f"desk:{number}")
    with filled.look() as look:
        records = [entry.record for entry in look.acts_of("P0", ("looked", "left"), newest=5)]
        assert records == ["desk:2", "desk:0"]
        assert len(look.acts_of("P0", ("looked", "left"), newest=1)) == 1
        assert look.acts_of("P0", ("sang",), newest=5) == []


@pytest.mark.parametrize(
    "same",
    [
        {"code": "OTHER"},  # reader, scan, round and attempt
        {"code": "OTHER", "attempt": 9},  # reader, batch and place
    ],
)
def test_no_scan_is_allotted_twice(filled, clock, same):
    with (
        pytest.raises(Refused, match="tables refuse this record"),
        filled.change(who="JD", now=clock) as change,
    ):
        change.add([replace(CASE, **same)])


@pytest.mark.parametrize("dialect", ["sqlite"])
@pytest.mark.parametrize("column", ["attempt", "place"])
def test_a_place_that_is_taken_is_not_replaced(filled, url, column):
    """SQLite deletes the row in the way of REPLACE without a DELETE trigger unless
    recursive_triggers is on (sqlite.org/lang_conflict.html), which another program leaves off."""
    columns = "reader, scan, round, batch, place, attempt, open_from"
    moved = columns.replace(column, f"{column} + 1")
    path = url.removeprefix("sqlite:///")
    with (
        closing(sqlite3.connect(path)) as connection,
        pytest.raises(sqlite3.IntegrityError, match="cases is never changed: REPLACE"),
    ):
        connection.execute(
            f"INSERT OR REPLACE INTO cases (code, entry, {columns})"
            f" SELECT 'NEW', 1, {moved} FROM cases WHERE code = '{CASE.code}'"
        )
