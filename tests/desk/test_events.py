"""Events: the shoulder's own and the patient's, on days that can be."""

from __future__ import annotations

from datetime import date

import pytest

from imgtrack.desk.registry.enrol import enrol
from imgtrack.desk.registry.events import take_events
from imgtrack.domain.errors import InvalidInput
from imgtrack.domain.subjects import Event, EventKind

HEAD = "subject,side,event,date,note"


@pytest.fixture
def enrolled(study, sheet):
    rows = ("S1,right,2031-03-03,", "S1,left,2031-04-03,", "S2,left,2031-01-01,")
    revised = "S2,left,2031-06-01,yes"
    enrol(study, sheet("subject,side,operation_date,revision", *rows, revised))
    return study


def taken(study, sheet, *rows) -> list[Event]:
    with study.store.look() as look:
        before = look.count(Event)
    take_events(study, sheet(HEAD, *rows))
    with study.store.look() as look:
        return look.all(Event)[before:]


def fault_of(study, sheet, *rows) -> str:
    with pytest.raises(InvalidInput) as caught:
        take_events(study, sheet(HEAD, *rows))
    (fault,) = caught.value.faults
    return str(fault)


@pytest.mark.parametrize("kind", [EventKind.WITHDRAWAL, EventKind.DEATH, EventKind.LOST])
def test_what_happens_to_the_patient_happens_to_both_shoulders(enrolled, sheet, kind):
    found = taken(enrolled, sheet, f"S1,,{kind.value},2031-05-05,by letter")
    assert sorted(found, key=lambda e: e.repair) == [
        Event("S1-L", kind, date(2031, 5, 5), "by letter"),
        Event("S1-R", kind, date(2031, 5, 5), "by letter"),
    ]


def test_before_the_second_operation_only_the_first_is_concerned(enrolled, sheet):
    assert [e.repair for e in taken(enrolled, sheet, "S1,,withdrawal,2031-03-20,")] == ["S1-R"]


def test_after_a_revision_only_the_new_repair_is_concerned(enrolled, sheet):
    assert [e.repair for e in taken(enrolled, sheet, "S2,,death,2031-08-01,")] == ["S2-L2"]


def test_the_revision_belongs_to_the_repair_it_ends_and_is_not_recorded_twice(enrolled, sheet):
    path = sheet(HEAD, "S2,left,revision,2031-06-01,")
    assert take_events(enrolled, path).unchanged == 1


@pytest.mark.parametrize("kind", ["revision", "infection"])
def test_a_shoulder_event_names_its_side(enrolled, sheet, kind):
    assert "side is missing" in fault_of(enrolled, sheet, f"S1,,{kind},2031-05-05,")


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("S9,,death,2031-05-05,", "nobody is enrolled"),
        ("S2,right,infection,2031-05-05,", "no repair on this side"),
        ("S1,,death,2031-01-01,", "was done before this death"),
        ("S1,,death,2031-09-02,", "still to come"),
        ("S1,,moved,2031-05-05,", "no event imgtrack knows"),
        ("S1,,death,,", "date is missing"),
    ],
)
def test_each_bad_row_is_named(enrolled, sheet, row, words):
    assert words in fault_of(enrolled, sheet, row)


def test_the_same_event_twice_in_a_sheet(enrolled, sheet):
    rows = ("S1,right,infection,2031-05-05,", "S1,right,infection,2031-05-06,")
    assert "two rows for infection" in fault_of(enrolled, sheet, *rows)
