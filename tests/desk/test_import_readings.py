"""Grades a group already has: taken whole or not at all, and never twice."""

from __future__ import annotations

import csv
import uuid
from collections import Counter
from types import SimpleNamespace

import pydicom.uid
import pytest
from reading_desk import desk_of

from imgtrack.desk import study as studies
from imgtrack.desk.cases.allot import allot
from imgtrack.desk.imports.readings import import_readings
from imgtrack.desk.readings.settle import waiting
from imgtrack.desk.registry.enrol import enrol
from imgtrack.domain.errors import InvalidInput, Refused
from imgtrack.domain.imaging import Scan, Stage
from imgtrack.domain.reading import Reading, Round, Verdict
from imgtrack.domain.series import ScanProblem, ScanProblemKind
from synthetic_scans.cohort import files as cohort_files
from synthetic_scans.cohort.plan import plan_cohort
from synthetic_scans.readers.people import default_readers
from synthetic_scans.study import truth_record
from synthetic_scans.study_series import SIZES

MAPPING = """
timepoint = "timepoint"
patte_stage = "patte"
tear_width = "width_mm"
straight_retraction = "retraction_mm"
retraction_along_the_head = "retraction_arc_mm"
tendon_thickness = "thickness_mm"
gap_slices_coronal_oblique = "gap_slices_coronal"
gap_slices_sagittal_oblique = "gap_slices_sagittal"
goutallier_supraspinatus = "fatty_supraspinatus"
goutallier_infraspinatus = "fatty_infraspinatus"
goutallier_subscapularis = "fatty_subscapularis"
goutallier_teres_minor = "fatty_teres_minor"
"""
ENROLLED = ("subject,side,operation_date", "S1,right,2030-01-10", "S2,left,2030-01-10")
HEAD = "subject,side,timepoint,scanned_on,reader,round,sugaya,tear_width"


@pytest.fixture
def enrolled(reading_study, sheet):
    study = reading_study(settle_agreeing_share="0.0")
    enrol(study, sheet(*ENROLLED, name="enrolment.csv"))
    return study


def records(study, kind):
    with study.store.look() as look:
        return look.all(kind)


def take(study, sheet, *rows, head=HEAD, **how):
    return import_readings(study, sheet(head, *rows, name="old.csv"), **how)


def test_a_row_becomes_a_signed_reading_whose_source_is_said(enrolled, sheet):
    done = take(enrolled, sheet, 'S1,right,m06,2030-07-10,R1,,IV,"12,5"')
    assert (done.added, done.scans, done.verdicts) == (1, 1, 0)
    (reading,) = records(enrolled, Reading)
    assert (reading.reader, reading.round, reading.source) == ("R1", Round.FIRST, "old.csv")
    assert reading.answers["sugaya"] == {"value": "IV"}
    assert reading.answers["tendon defect"] == {"value": "full-thickness defect"}
    width = reading.answers["tear width"]
    assert width == {"mm": 12.5, "points": [], "images": [], "origin": "imported"}
    assert reading.protocol_hash == enrolled.protocol.hash
    (scan,) = records(enrolled, Scan)
    assert (scan.repair, scan.timepoint, scan.stage) == ("S1-R", "m06", Stage.BEING_READ)


def test_a_scan_without_images_has_a_local_uid_and_is_never_allotted(enrolled, sheet):
    """DICOM PS3.5 B.2: 2.25. and a UUID as a decimal number; RFC 9562: version 5, variant 10."""
    take(enrolled, sheet, "S1,right,m06,2030-07-10,R1,,IV,")
    (scan,) = records(enrolled, Scan)
    assert pydicom.uid.UID(scan.uid).is_valid
    number = uuid.UUID(int=int(scan.uid.removeprefix("2.25.")))
    assert (number.version, number.variant) == (5, uuid.RFC_4122)
    (problem,) = records(enrolled, ScanProblem)
    assert problem.kind is ScanProblemKind.NO_IMAGES
    assert problem.blocks_reading
    assert "old.csv" in problem.text
    assert allot(enrolled).cases == ()


def test_the_same_sheet_again_changes_nothing(enrolled, sheet):
    rows = "S1,right,m06,2030-07-10,R1,,IV,12", "S1,right,m06,2030-07-10,R2,,IV,13"
    done = take(enrolled, sheet, *rows)
    assert (done.added, done.unchanged, done.verdicts) == (2, 0, 1)
    with enrolled.store.look() as look:
        before = look.head()
    again = take(enrolled, sheet, *rows)
    assert (again.added, again.unchanged, again.scans, again.verdicts) == (0, 2, 0, 0)
    with enrolled.store.look() as look:
        assert look.head() == before


def test_other_answers_need_a_reason_and_stand_beside_the_old(enrolled, sheet):
    take(enrolled, sheet, "S1,r,m06,2030-07-10,R1,,IV,12", "S1,r,m06,2030-07-10,R2,,IV,13")
    rows = "S1,r,m06,2030-07-10,R1,,II,", "S1,r,m06,2030-07-10,R2,,IV,13"
    with pytest.raises(Refused, match="sheet differs from what is recorded for R1"):
        take(enrolled, sheet, *rows)
    assert len(records(enrolled, Reading)) == 2
    done = take(enrolled, sheet, *rows, reason="typed again")
    assert (done.added, done.unchanged, done.amended) == (0, 1, 1)
    old, _, new = records(enrolled, Reading)
    assert (new.amends, new.reason) == (old.key, "typed again")
    assert new.answers["sugaya"] == {"value": "II"}
    assert [scan.stage for scan in records(enrolled, Scan)] == [Stage.READERS_DIFFER]
    third = take(enrolled, sheet, "S1,r,m06,2030-07-10,R1,,I,", reason="and again")
    assert third.amended == 1
    assert [each.key.rpartition("/")[2] for each in records(enrolled, Reading)[2:]] == ["2", "3"]


def test_verdicts_follow_from_imported_settling_readings(enrolled, sheet):
    done = take(
        enrolled,
        sheet,
        "S1,r,m06,2030-07-10,R1,first,IV,12",
        "S1,r,m06,2030-07-10,R2,first,II,",
        "S1,r,m06,2030-07-10,A1,settling,V,20",
    )
    assert done.verdicts == 1
    (verdict,) = records(enrolled, Verdict)
    assert verdict.decided_by == "A1"
    assert verdict.rule == "settled by the adjudicator's own answer"
    assert verdict.answers["sugaya"] == {"value": "V"}


def test_readers_who_differ_without_images_wait_for_nobody(enrolled, sheet):
    take(enrolled, sheet, "S1,r,m06,2030-07-10,R1,,IV,12", "S1,r,m06,2030-07-10,R2,,II,")
    (listed,) = waiting(enrolled)
    assert (listed.code, listed.repair) == ("", "S1-R")


def test_a_row_without_a_day_needs_the_scan_at_its_timepoint(enrolled, sheet):
    take(enrolled, sheet, "S1,r,m06,2030-07-10,R1,,IV,12")
    done = take(enrolled, sheet, "S1,r,m06,,R2,,IV,13")
    assert (done.added, done.scans, done.verdicts) == (1, 0, 1)
    with pytest.raises(InvalidInput, match="0 scans are known at m12: the day is needed"):
        take(enrolled, sheet, "S1,r,m12,,R2,,IV,13")
    with pytest.raises(InvalidInput, match="the day is needed: 1 repairs"):
        take(enrolled, sheet, "S1,r,,,R2,,IV,13")
    with pytest.raises(InvalidInput, match="shoulder is not enrolled"):
        take(enrolled, sheet, "S1,l,m06,,R2,,IV,13")


@pytest.mark.parametrize(
    ("row", "place", "what"),
    [
        ("S1,r,m06,2030-07-10,R9,,IV,", "column reader", "does not name this reader"),
        ("S1,r,m06,2030-07-10,,,IV,", "column reader", "reader is missing"),
        ("S1,r,m06,2030-07-10,R1,,VI,", "column sugaya", "'value' cannot be used"),
        ("S1,r,m06,2030-07-10,R1,,IV,wide", "column tear_width", "cannot be used"),
        ("S1,r,m06,2030-07-10,R1,,IV,-3", "column tear_width", "cannot be used"),
        ("S1,r,m06,2030-07-10,R1,,II,12", "column tear_width", "beside an earlier answer"),
        ("S1,r,m12,2030-07-10,R1,,IV,", "column timepoint", "day 181 after operation"),
        ("S1,r,m99,2030-07-10,R1,,IV,", "column timepoint", "does not name this timepoint"),
        ("S1,r,m06,10.7.2030,R1,,IV,", "column scanned_on", "no date"),
        ("S9,r,m06,2030-07-10,R1,,IV,", "column subject", "nobody is enrolled"),
        ("S1,x,m06,2030-07-10,R1,,IV,", "column side", "no side"),
        ("S1,l,m06,2030-07-10,R1,,IV,", "column side", "no repair on this side"),
        ("S1,r,m06,2030-07-10,R1,training,IV,", "column round", "no round"),
        ("S1,r,m06,2030-07-10,R1,,,", "row 3", "holds no finding"),
    ],
)
def test_faults_name_row_and_column_and_nothing_is_taken(enrolled, sheet, row, place, what):
    sound = "S2,l,m06,2030-07-10,R1,,IV,12"
    with pytest.raises(InvalidInput) as caught:
        take(enrolled, sheet, sound, row)
    (fault,) = caught.value.faults
    assert "row 3" in fault.where
    assert place in fault.where
    assert what in fault.what
    assert records(enrolled, Reading) == records(enrolled, Scan) == []


def test_one_reading_twice_in_a_sheet_is_a_fault(enrolled, sheet):
    row = "S1,r,m06,2030-07-10,R1,,IV,12"
    with pytest.raises(InvalidInput, match="has a first reading of this scan in row 2"):
        take(enrolled, sheet, row, row)


def test_a_reading_signed_at_the_desk_is_not_imported_over(reading_study, clock, sheet):
    from reading_desk import torn
    from settling_desk import Desk

    desk = Desk(reading_study, clock)
    desk.read("R1", torn())
    with pytest.raises(InvalidInput, match="signed a first reading of this scan at the desk"):
        take(desk.study, sheet, "S001,r,m06,2031-07-10,R1,,IV,12")
    done = take(desk.study, sheet, "S001,r,m06,2031-07-10,R2,,IV,14")
    assert (done.scans, done.verdicts) == (0, 1)


def test_not_assessable_is_an_answer_and_keeps_its_reason(enrolled, sheet):
    head = "subject,side,scanned_on,reader,assessable,reason,sugaya,goutallier_supraspinatus"
    take(
        enrolled,
        sheet,
        "S1,r,2030-07-10,R1,no,metal,,",
        "S1,r,2030-07-10,R2,yes,,not assessable: wrong plane,2",
        "S2,l,2030-07-10,R1,no,image quality,,",
        "S2,l,2030-07-10,R2,no,,,",
        head=head,
    )
    found = [reading.answers for reading in records(enrolled, Reading)]
    assert found[0]["adequacy tendon"] == {"not_assessable": "metal"}
    assert found[0]["sugaya"]["not_assessable"] == "metal"
    assert found[1]["tendon defect"]["not_assessable"] == "wrong plane"
    assert found[1]["goutallier supraspinatus"] == {"value": "2"}
    assert found[2]["adequacy muscle"] == {"not_assessable": "other", "note": "image quality"}
    assert found[3]["adequacy muscle"] == {"not_assessable": "not stated"}
    assert {verdict.rule for verdict in records(enrolled, Verdict)} == {"not assessable"}


def test_a_ratio_comes_without_its_parts(reading_study, sheet):
    study = reading_study(optional='["occupation ratio"]')
    enrol(study, sheet(*ENROLLED, name="enrolment.csv"))
    head = "subject,side,scanned_on,reader,occupation_ratio"
    take(study, sheet, 'S1,r,2030-07-10,R1,"0,62"', head=head)
    (reading,) = records(study, Reading)
    assert reading.answers["occupation ratio"] == {"value": 0.62}


def test_columns_nobody_asks_are_left_out_and_told(enrolled, sheet):
    head = "subject,side,scanned_on,reader,sugaya,colour,free_note"
    done = take(enrolled, sheet, "S1,r,2030-07-10,R1,IV,red,seen twice", head=head)
    assert done.notes == ("column colour: 1 cells left out, which the protocol does not ask",)
    (reading,) = records(enrolled, Reading)
    assert reading.answers["free note"] == {"text": "seen twice"}


@pytest.mark.parametrize(("grade", "defect"), [("V", "full"), ("ii", "no full"), ("huge", "")])
def test_before_surgery_a_grade_of_the_repair_still_tells_the_defect(
    enrolled, sheet, grade, defect
):
    head = "subject,side,scanned_on,reader,sugaya,goutallier_supraspinatus"
    done = take(enrolled, sheet, f"S1,r,2029-12-20,R1,{grade},1", head=head)
    assert done.notes[0].startswith("column sugaya: 1 cells")
    (reading,) = records(enrolled, Reading)
    told = reading.answers.get("tendon defect", {}).get("value", "")
    assert told == (f"{defect}-thickness defect" if defect else "")


def test_the_day_of_a_reading_is_kept(enrolled, sheet):
    head = "subject,side,scanned_on,reader,sugaya,read_on"
    take(enrolled, sheet, "S1,r,2030-07-10,R1,IV,2030-09-02", head=head)
    (reading,) = records(enrolled, Reading)
    assert reading.signed_at.isoformat() == "2030-09-02T00:00:00+00:00"


def test_only_the_coordinator_imports(enrolled, sheet):
    for who in ("R1", "L1", "A1"):
        with pytest.raises(Refused, match="may not import readings"):
            take(desk_of(enrolled, who), sheet, "S1,r,m06,2030-07-10,R1,,IV,12")


def test_the_protocol_maps_only_columns_that_there_are(reading_study, prepared, clock):
    path = prepared / "study" / studies.PROTOCOL_FILE
    text = path.read_text("utf-8") + '\nhamada = "H"\n'
    from imgtrack.domain.protocol import read_protocol

    with pytest.raises(InvalidInput, match="'hamada' is not a column"):
        read_protocol(text)
    read_protocol(text.replace('hamada = "H"', 'sugaya = "H"'))


@pytest.fixture(scope="module")
def cohort(tmp_path_factory):
    """An invented cohort as files: enrolment and the readings of its readers."""
    folder = tmp_path_factory.mktemp("cohort")
    made, readers = plan_cohort(11, 5), default_readers()
    cohort_files.write_sheets(made, readers, folder)
    places = cohort_files.scan_folders(made)
    for record in made.records:
        for scan in record.scans:
            path = folder / "truth" / f"{places[scan.code]}.json"
            path.parent.mkdir(parents=True, exist_ok=True)
            cohort_files.write_json(path, truth_record(scan, made.seed, SIZES["quick"]))
    cohort_files.write_readings(made, readers, folder)
    return SimpleNamespace(folder=folder, made=made)


def test_a_cohort_goes_from_two_sheets_to_verdicts(reading_study, cohort):
    study = reading_study()
    path = study.folder / studies.PROTOCOL_FILE
    text = path.read_text("utf-8").replace("sites = []", 'sites = ["H", "Q"]')
    path.write_text(text.replace("[sheets.columns]\n", "[sheets.columns]" + MAPPING), "utf-8")
    with studies.open_study(study.folder, who="C1", now=study.now) as mapped:
        enrol(mapped, cohort.folder / "enrolment.csv")
        sheet = cohort.folder / "readings.csv"
        done = import_readings(mapped, sheet)
        with sheet.open(newline="") as file:
            rows = list(csv.DictReader(file))
        scans = {(row["subject"], row["side"], row["scanned_on"]) for row in rows}
        assert (done.added, done.scans) == (len(rows), len(scans))
        assert done.scans == sum(len(record.scans) for record in cohort.made.records)
        counts = Counter(row["round"] for row in rows)
        assert Counter(each.round.value for each in records(mapped, Reading)) == counts
        stages = Counter(scan.stage for scan in records(mapped, Scan))
        assert stages[Stage.FINAL] == len(records(mapped, Verdict)) == done.verdicts
        assert stages[Stage.FINAL] + stages[Stage.READERS_DIFFER] == done.scans
        settled = [each for each in records(mapped, Verdict) if each.decided_by == "A1"]
        assert 0 < len(settled) <= counts["settling"]
        assert import_readings(mapped, sheet).unchanged == len(rows)
