"""Enrolment: accepted or refused row by row, whole or not at all, nothing twice."""

from __future__ import annotations

from datetime import date

import pytest

from imgtrack.desk.registry.enrol import enrol
from imgtrack.domain.errors import InvalidInput, Refused
from imgtrack.domain.imaging import Modality, Scan
from imgtrack.domain.subjects import Event, EventKind, Repair, Sex, Side

HEADINGS = "subject,side,operation_date,sex,age,tear_size_mm,tendons,technique,arm"
S1 = "S1,right,2031-03-03,f,61,24.5,SSP+ISP,double row,A"


def repairs(study) -> dict[str, Repair]:
    with study.store.look() as look:
        return {repair.code: repair for repair in look.all(Repair)}


def events(study) -> list[Event]:
    with study.store.look() as look:
        return look.all(Event)


def faults_of(study, path, error=InvalidInput, **options) -> list[str]:
    with study.store.look() as look:
        before = look.head()
    with pytest.raises(error) as caught:
        enrol(study, path, **options)
    with study.store.look() as look:
        assert look.head() == before
    return [str(fault) for fault in caught.value.faults]


def test_a_row_becomes_a_repair_with_everything_it_says(study, sheet):
    filed = enrol(study, sheet(HEADINGS + ",Smoker", S1 + ",no"))
    assert (filed.added, filed.unchanged, filed.changed) == (1, 0, ())
    assert repairs(study)["S1-R"] == Repair(
        "S1-R",
        "S1",
        Side.RIGHT,
        date(2031, 3, 3),
        sex=Sex.FEMALE,
        age_years=61,
        tear_size_mm=24.5,
        tendons=("SSP", "ISP"),
        technique="double row",
        arm="A",
        extra={"smoker": "no"},
    )


def test_the_same_sheet_again_changes_nothing(study, sheet):
    path = sheet(HEADINGS, S1, "S1,left,2031-05-05,f,61,,,,B")
    enrol(study, path)
    with study.store.look() as look:
        before = look.head()
    filed = enrol(study, path)
    assert (filed.added, filed.unchanged) == (0, 2)
    with study.store.look() as look:
        assert look.head() == before


def test_a_bilateral_patient_has_two_repairs(study, sheet):
    enrol(study, sheet(HEADINGS, S1, "S1,left,2031-05-05,f,61,,,,B"))
    assert sorted(repairs(study)) == ["S1-L", "S1-R"]


def test_a_changed_row_is_shown_and_applied_only_with_a_reason(study, sheet):
    enrol(study, sheet(HEADINGS, S1))
    changed = sheet(HEADINGS, S1.replace("24.5", "26").replace("03-03", "03-04"))
    first, second = faults_of(study, changed, Refused)
    assert "expected operated_on 2031-03-03, as recorded; found 2031-03-04" in first
    assert "expected tear_size_mm 24.5, as recorded; found 26" in second
    filed = enrol(study, changed, reason="typing mistake")
    assert [str(d) for d in filed.changed] == [
        "S1-R: operated_on 2031-03-03 -> 2031-03-04",
        "S1-R: tear_size_mm 24.5 -> 26.0",
    ]
    assert repairs(study)["S1-R"].operated_on == date(2031, 3, 4)
    with study.store.look() as look:
        last = list(look.log())[-1]
    assert last.reason == "typing mistake"


def test_a_sheet_with_fewer_columns_erases_nothing_and_an_emptied_cell_does(study, sheet):
    enrol(study, sheet(HEADINGS + ",Smoker", S1 + ",no"))
    assert enrol(study, sheet("subject,side,operation_date", "S1,R,2031-03-03")).unchanged == 1
    emptied = sheet("subject,side,operation_date,arm", "S1,R,2031-03-03,")
    (fault,) = faults_of(study, emptied, Refused)
    assert "expected arm A, as recorded; found nothing" in fault


REVISED = S1.replace("03-03", "08-01") + ",yes"


def test_a_revision_is_a_new_repair_and_ends_the_one_before(study, sheet):
    enrol(study, sheet(HEADINGS, S1))
    filed = enrol(study, sheet(HEADINGS + ",revision", REVISED))
    assert (filed.added, filed.notes) == (1, ("S1-R ends with its revision",))
    assert repairs(study)["S1-R2"].sequence == 2
    assert events(study) == [Event("S1-R", EventKind.REVISION, date(2031, 8, 1))]


def test_a_revision_in_one_sheet_with_its_first_repair(study, sheet):
    both = sheet(HEADINGS + ",revision", REVISED, S1 + ",")
    assert enrol(study, both).added == 2
    assert enrol(study, both).unchanged == 2
    assert sorted(repairs(study)) == ["S1-R", "S1-R2"]


def test_a_revision_recorded_as_an_event_needs_no_mark(study, sheet):
    enrol(study, sheet(HEADINGS, S1))
    with study.store.change(who="C1", now=study.now) as change:
        change.add([Event("S1-R", EventKind.REVISION, date(2031, 8, 1))])
    enrol(study, sheet(HEADINGS, S1.replace("03-03", "08-01")))
    assert sorted(repairs(study)) == ["S1-R", "S1-R2"]


def test_a_corrected_date_of_a_revision_is_a_change_and_no_further_revision(study, sheet):
    enrol(study, sheet(HEADINGS + ",revision", S1 + ",", REVISED))
    corrected = sheet(HEADINGS + ",revision", REVISED.replace("08-01", "08-02"))
    (fault,) = faults_of(study, corrected, Refused)
    assert "S1-R2" in fault
    assert "expected operated_on 2031-08-01, as recorded; found 2031-08-02" in fault
    enrol(study, corrected, reason="typing mistake")
    assert sorted(repairs(study)) == ["S1-R", "S1-R2"]
    assert events(study) == [Event("S1-R", EventKind.REVISION, date(2031, 8, 2))]


def test_a_second_revision_stands_beside_the_first(study, sheet):
    third = REVISED.replace("08-01", "08-20")
    enrol(study, sheet(HEADINGS + ",revision", S1 + ",", REVISED))
    enrol(study, sheet(HEADINGS + ",revision", REVISED, third))
    assert sorted(repairs(study)) == ["S1-R", "S1-R2", "S1-R3"]


def test_a_revision_before_the_repair_it_revises(study, sheet):
    enrol(study, sheet(HEADINGS, S1))
    early = REVISED.replace("08-01", "02-01")
    (fault,) = faults_of(study, sheet(HEADINGS + ",revision", early))
    assert "dated before S1-R; expected after 2031-03-03" in fault


def test_a_revision_on_another_day_than_its_event_is_refused(study, sheet):
    enrol(study, sheet(HEADINGS, S1))
    with study.store.change(who="C1", now=study.now) as change:
        change.add([Event("S1-R", EventKind.REVISION, date(2031, 7, 1))])
    (fault,) = faults_of(study, sheet(HEADINGS + ",revision", REVISED))
    assert "recorded for another day; expected 2031-07-01" in fault


@pytest.mark.parametrize(
    ("rows", "column", "words"),
    [
        (["S1,,2031-03-03"], "side", "side is missing"),
        (["S1,both,2031-03-03"], "side", "no side imgtrack knows"),
        ([",right,2031-03-03"], "subject", "subject is missing"),
        (["Ann Other,right,2031-03-03"], "subject", "no subject code"),
        (["S1,right,"], "operation_date", "operation_date is missing"),
        (["S1,right,03/03/2031"], "operation_date", "no date; expected YYYY-MM-DD"),
        (["S1,right,2031-02-30"], "operation_date", "no date"),
        (["S1,right,1031-02-03"], "operation_date", "too early"),
        (["S1,right,2031-03-03,x"], "sex", "no sex imgtrack knows"),
        (["S1,right,2031-03-03,f,61.5"], "age", "no whole number"),
        (["S1,right,2031-03-03,f,old"], "age", "cannot be used; expected a number from 0 to 120"),
        (["S1,right,2031-03-03,f,130"], "age", "from 0 to 120"),
        (["S1,right,2031-03-03,f,61,999"], "tear_size_mm", "from 0 to 100"),
        ([S1, S1], "operation_date", "in the sheet twice"),
        ([S1, S1.replace("03-03", "04-04")], "operation_date", "not marked as a revision"),
    ],
)
def test_each_bad_row_is_named(study, sheet, rows, column, words):
    (fault,) = faults_of(study, sheet(HEADINGS, *rows))
    assert f"row {len(rows) + 1}, column {column}" in fault
    assert words in fault
    assert repairs(study) == {}


def test_one_bad_row_keeps_every_row_out_and_all_faults_come_together(study, sheet):
    faults = faults_of(study, sheet(HEADINGS, S1, "S2,,x", "S3,left,2031-01-01,q"))
    assert len(faults) == 4 - 1
    assert repairs(study) == {}


def test_a_mark_of_revision_without_an_earlier_repair(study, sheet):
    (fault,) = faults_of(study, sheet(HEADINGS + ",revision", S1 + ",yes"))
    assert "no earlier repair to revise" in fault


def test_sites_are_those_of_the_protocol(study, sheet):
    (fault,) = faults_of(study, sheet("subject,side,operation_date,site", "S1,l,2031-01-01,moon"))
    assert "study.sites does not name this site" in fault


@pytest.mark.parametrize(
    ("column", "cell", "age"),
    [
        ("birth_date", "1970-03-03", 61),
        ("birth_date", "1970-03-04", 60),
        ("birth_year", "1970", 61),
    ],
)
def test_the_age_at_operation_from_birth(study, sheet, column, cell, age):
    enrol(study, sheet(f"subject,side,operation_date,{column}", f"S1,r,2031-03-03,{cell}"))
    assert repairs(study)["S1-R"].age_years == age


def test_ages_that_do_not_fit_the_birth(study, sheet):
    headings = "subject,side,operation_date,age,birth_year"
    (fault,) = faults_of(study, sheet(headings, "S1,r,2031-03-03,50,1970"))
    assert "does not fit birth_year; expected 61 years" in fault
    (fault,) = faults_of(study, sheet(headings, "S1,r,2031-03-03,,2040"))
    assert "gives an age of -9" in fault


def test_identity_goes_to_the_key_file_and_nowhere_else(study, sheet):
    headings = "subject,side,operation_date,name,hospital_number,birth_date"
    enrol(study, sheet(headings, "S1,r,2031-03-03,Quillfeather^Ida,HN-99417,1970-03-04"))
    with study.keys() as keys:
        assert keys.identity("S1").hospital_number == "HN-99417"
    study.store.close()
    stored = b"".join(p.read_bytes() for p in study.folder.rglob("*") if p.is_file())
    for secret in (b"Quillfeather", b"HN-99417", b"1970-03-04"):
        assert secret not in stored


def test_a_conflicting_identity_changes_nothing(study, sheet):
    headings = "subject,side,operation_date,name,hospital_number"
    enrol(study, sheet(headings, "S1,r,2031-03-03,Ida,HN-1"))
    (fault,) = faults_of(study, sheet(headings, "S1,l,2031-03-03,Eve,HN-2"), Refused)
    assert "S1" in fault
    assert "Eve" not in fault


def test_a_new_operation_date_may_not_put_a_scan_outside_its_window(study, sheet):
    enrol(study, sheet(HEADINGS, S1))
    with study.store.change(who="C1", now=study.now) as change:
        change.add([Scan("1.2.3", "S1-R", "m03", date(2031, 6, 2), Modality.MR)])
    moved = sheet(HEADINGS, S1.replace("03-03", "06-20"))
    (fault,) = faults_of(study, moved, reason="corrected")
    assert "does not fit its m03 scan" in fault
    assert "operation 2031-06-20, scan 2031-06-02, day -18" in fault
    filed = enrol(study, sheet(HEADINGS, S1.replace("03-03", "03-04")), reason="corrected")
    assert len(filed.changed) == 1


@pytest.mark.parametrize("code", ["R1", "A1", "nobody"])
def test_only_a_coordinator_enrols_and_a_refusal_is_logged(study, sheet, code):
    from dataclasses import replace

    other = replace(study, who=code)
    with pytest.raises(Refused, match="may not enrol repairs"):
        enrol(other, sheet(HEADINGS, S1))
    with study.store.look() as look:
        entry = list(look.log())[-1]
    assert (entry.who, entry.what) == (code, "refused")


def test_a_long_sheet_tells_how_far_it_is(study, sheet):
    told = []
    rows = [f"S{n},right,2031-03-03" for n in range(1500)]
    enrol(
        study,
        sheet("subject,side,operation_date", *rows),
        progress=lambda what, done, total: told.append((what, done, total)),
    )
    assert ("checking rows", 1500, 1500) in told
    assert ("storing", 1500, 1500) in told
