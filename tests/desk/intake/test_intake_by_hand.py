"""What a person decides about scans: place, relabel, accept; always with a logged reason."""

from __future__ import annotations

import shutil
from dataclasses import replace
from datetime import date

import intake_samples as samples
import pytest

from imgtrack.desk.intake.correcting import accept, relabel
from imgtrack.desk.intake.listing import list_scans, scan_named, short
from imgtrack.desk.intake.outcome import Fate
from imgtrack.desk.intake.placing import place_scan, place_study, set_aside, waiting
from imgtrack.desk.intake.run import take_in
from imgtrack.desk.registry.enrol import enrol
from imgtrack.domain.errors import Broken, InvalidInput, Refused, Unavailable
from imgtrack.domain.imaging import Scan
from imgtrack.domain.protocol import Plane, Weighting
from imgtrack.domain.series import ProblemState, ScanProblem, ScanProblemKind, Series
from imgtrack.domain.subjects import Side
from imgtrack.store.verify import verify

STRANGER = {"PatientID": "ANON7", "PatientName": "ANON7", "PatientBirthDate": ""}


def records(study, kind):
    with study.store.look() as look:
        assert verify(look) == []
        return look.all(kind)


def last_entry(study):
    with study.store.look() as look:
        *_, entry = look.log()
        return entry


@pytest.fixture
def taken(enrolled, scans):
    """Take in one study with changed headers; return its scan."""

    def take(**changes):
        samples.write_study(scans, **changes)
        (outcome,) = take_in(enrolled, [scans]).studies
        return outcome.scans[0].scan

    return take


@pytest.fixture
def stranger(enrolled, scans):
    """Code of a study that waits, as nobody knows the patient."""
    samples.write_study(scans, **STRANGER)
    (outcome,) = take_in(enrolled, [scans]).studies
    assert outcome.fate is Fate.WAITING
    return outcome.code


def test_a_waiting_study_is_placed(enrolled, stranger):
    (waits,) = waiting(enrolled)
    assert (waits.code, waits.examined_on) == (stranger, date(2031, 6, 1))
    outcome, refusals = place_study(enrolled, stranger.lower(), "S2-L", reason="asked the ward")
    assert (outcome.fate, refusals) == (Fate.TAKEN_IN, ())
    (scan,) = records(enrolled, Scan)
    assert (scan.repair, scan.timepoint) == ("S2-L", "m03")
    entry = last_entry(enrolled)
    assert (entry.what, entry.record, entry.new) == ("study placed", f"waiting:{stranger}", "S2-L")
    assert entry.reason == "asked the ward"
    assert waiting(enrolled) == []


def test_a_waiting_study_is_set_aside_for_good_but_may_be_placed_after_all(
    enrolled, stranger, scans
):
    set_aside(enrolled, stranger, reason="knee study")
    assert waiting(enrolled) == []
    report = take_in(enrolled, [scans])
    (outcome,) = report.studies
    assert (outcome.fate, outcome.reason) == (Fate.SET_ASIDE, "knee study")
    assert report.adds_up
    assert last_entry(enrolled).what == "study set aside"
    place_study(enrolled, stranger, "S1-R", reason="shoulder after all")
    assert take_in(enrolled, [scans]).studies[0].fate is Fate.AS_RECORDED


def test_files_that_went_away_are_told(enrolled, stranger, scans):
    shutil.rmtree(scans)
    with pytest.raises(Unavailable, match="cannot be read any more") as caught:
        place_study(enrolled, stranger, "S1-R", reason="x")
    assert caught.value.faults[0].found == "0 files"


def test_more_files_of_a_waiting_study_wait_with_the_others(enrolled, stranger, tmp_path):
    samples.write(tmp_path / "more", "x.dcm", samples.image(slice_=7, **STRANGER))
    take_in(enrolled, [tmp_path / "more"])
    (waits,) = waiting(enrolled)
    assert (waits.code, len(waits.files)) == (stranger, 10)


def test_a_study_without_a_day_is_placed_with_one(enrolled, scans):
    days = dict.fromkeys(("StudyDate", "SeriesDate", "AcquisitionDate", "ContentDate"))
    samples.write_study(scans, **days)
    code = take_in(enrolled, [scans]).studies[0].code
    with pytest.raises(InvalidInput, match="the headers have no date"):
        place_study(enrolled, code, "S1-R", reason="x")
    place_study(enrolled, code, "S1-R", reason="x", day=date(2031, 9, 1))
    assert records(enrolled, Scan)[0].timepoint == "m06"


def test_placing_asks_for_sense(enrolled, stranger):
    with pytest.raises(InvalidInput, match="no study waits"):
        place_study(enrolled, "W-NOPE", "S1-R", reason="x")
    with pytest.raises(InvalidInput, match="no such repair"):
        place_study(enrolled, stranger, "S9-R", reason="x")
    for act in (
        lambda: place_study(enrolled, stranger, "S1-R", reason=" "),
        lambda: set_aside(enrolled, stranger, reason=""),
        lambda: place_scan(enrolled, "x", reason=""),
    ):
        with pytest.raises(InvalidInput, match="no reason"):
            act()


def test_files_of_a_scan_under_reading_are_added_by_a_person(enrolled, taken, tmp_path):
    scan = taken()
    with enrolled.store.change(who="C1", now=enrolled.now) as change:
        change.amend(replace(scan, stage="being read"), reason="x")
    samples.write_study(tmp_path / "more", slices=4)
    code = take_in(enrolled, [tmp_path / "more"]).studies[0].code
    with pytest.raises(Refused, match="recorded for another repair"):
        place_study(enrolled, code, "S2-L", reason="x")
    outcome, _ = place_study(enrolled, code, "S1-R", reason="the missing slices")
    assert (outcome.fate, outcome.new) == (Fate.COMPLETED, 3)


def test_burned_in_pixels_of_a_placed_study_are_refused_too(enrolled, scans):
    samples.write(scans, "x.dcm", samples.image(BurnedInAnnotation="YES", **STRANGER))
    code = take_in(enrolled, [scans]).studies[0].code
    outcome, refusals = place_study(enrolled, code, "S1-R", reason="x")
    assert (outcome.fate, len(refusals)) == (Fate.REFUSED, 1)
    assert len(waiting(enrolled)) == 1
    outcome, _ = place_study(enrolled, code, "S1-R", reason="x", clean_pixels=[scans])
    assert outcome.fate is Fate.TAKEN_IN


def test_the_second_scan_of_a_window_takes_the_place_of_the_first(enrolled, scans):
    samples.write_study(scans / "a")
    samples.write_study(scans / "b", study="1.2.2", day="20310610")
    take_in(enrolled, [scans])
    _, second = records(enrolled, Scan)
    with pytest.raises(Refused, match="has a scan of 2031-06-01 for m03 already"):
        place_scan(enrolled, short(second.uid), timepoint="m03", reason="x")
    assert place_scan(enrolled, "S1-R/m03", timepoint="", reason="motion").timepoint == ""
    assert place_scan(enrolled, second.uid, reason="repeat").timepoint == "m03"
    assert [each.timepoint for each in records(enrolled, Scan)] == ["", "m03"]
    (problem,) = records(enrolled, ScanProblem)
    assert (problem.state, problem.reason) == (ProblemState.SETTLED, "repeat")
    assert not any(each.is_blocked for each in list_scans(enrolled))


def test_an_unscheduled_scan_is_known_to_be_so(enrolled, taken):
    scan = taken(day="20310401")
    place_scan(enrolled, scan.uid, timepoint="", reason="extra visit")
    assert list_scans(enrolled)[0].problems == ()
    with pytest.raises(Refused, match="nothing differs"):
        place_scan(enrolled, scan.uid, timepoint="", reason="extra visit")


def test_the_day_decides_which_timepoint_a_scan_can_have(enrolled, taken):
    scan = taken()
    with pytest.raises(Refused, match="the day does not lie in the window of m06"):
        place_scan(enrolled, scan.uid, timepoint="m06", reason="x")
    with pytest.raises(Refused, match="cannot be moved to another patient"):
        place_scan(enrolled, scan.uid, repair="S2-L", reason="x")


def test_a_scan_is_moved_to_the_other_shoulder_and_checked_anew(enrolled, sheet, taken):
    both = (*samples.ENROLMENT, "S1,left,2031-01-02,Doe Jane,P-001,1960-01-02")
    enrol(enrolled, sheet(*both))
    scan = taken()
    moved = place_scan(enrolled, scan.uid, repair="S1-L", reason="wrong shoulder")
    assert (moved.repair, moved.timepoint) == ("S1-L", "")
    (problem,) = list_scans(enrolled)[0].problems
    assert problem.kind is ScanProblemKind.SIDE
    assert problem.text.endswith("the repair is of the left shoulder")
    place_scan(enrolled, scan.uid, repair="S1-R", reason="it was right")
    assert list_scans(enrolled)[0].problems == ()


def test_a_person_says_which_shoulder_a_scan_shows(enrolled, taken):
    scan = taken(Laterality="L")
    assert list_scans(enrolled)[0].is_blocked
    left = relabel(enrolled, "S1-R/m03", side=Side.LEFT, reason="looks left")
    assert [each.text for each in left if each.kind is ScanProblemKind.SIDE] == [
        "left by a person; the repair is of the right shoulder"
    ]
    assert relabel(enrolled, scan.uid, side=Side.RIGHT, reason="technologist's error") == ()
    listed = list_scans(enrolled)[0]
    assert not listed.is_blocked
    assert {each.side for each in listed.series} == {Side.RIGHT}
    assert [each.plane for each in listed.series] == [
        Plane.CORONAL_OBLIQUE,
        Plane.SAGITTAL_OBLIQUE,
        Plane.SAGITTAL_OBLIQUE,
    ]
    side = next(p for p in records(enrolled, ScanProblem) if p.kind is ScanProblemKind.SIDE)
    assert (side.state, side.reason) == (ProblemState.SETTLED, "technologist's error")


def test_a_person_names_plane_and_weighting_and_more_files_keep_it(enrolled, taken, tmp_path):
    scan = taken(ScanOptions="")
    missing = {each.about for each in list_scans(enrolled)[0].problems}
    assert missing == {
        "coronal oblique fluid sensitive",
        "sagittal oblique fluid sensitive",
    }
    for number in (1, 2):
        relabel(
            enrolled, scan.uid, series=number, weighting=Weighting.PD_FAT_SUPPRESSED, reason="x"
        )
    assert list_scans(enrolled)[0].problems == ()
    relabel(enrolled, scan.uid, series=1, plane=Plane.AXIAL, reason="test")
    (problem,) = list_scans(enrolled)[0].problems
    assert problem.about == "coronal oblique fluid sensitive"
    samples.write_study(tmp_path / "more", slices=4, ScanOptions="")
    take_in(enrolled, [tmp_path / "more"])
    first, second, third = records(enrolled, Series)
    assert (first.plane, first.slices, first.corrected) == (Plane.AXIAL, 4, ("plane", "weighting"))
    assert second.weighting is Weighting.PD_FAT_SUPPRESSED
    assert third.corrected == ()
    assert last_entry(enrolled).reason == "more files of the scan were taken in"


def test_a_problem_is_let_stand_until_its_words_change(enrolled, scans, tmp_path):
    samples.write_study(scans, slices=5)
    for name in ("1_1", "1_2"):
        (scans / f"{name}.dcm").rename(tmp_path / f"{name}.dcm")
    take_in(enrolled, [scans])
    assert accept(enrolled, "S1-R/m03", ScanProblemKind.GEOMETRY, reason="tear is seen") == ()
    assert not list_scans(enrolled)[0].is_blocked
    with pytest.raises(InvalidInput, match="no open problem"):
        accept(enrolled, "S1-R/m03", ScanProblemKind.GEOMETRY, reason="again")
    take_in(enrolled, [tmp_path / "1_1.dcm"])
    (problem,) = list_scans(enrolled)[0].problems
    assert problem.state is ProblemState.OPEN
    accept(enrolled, "S1-R/m03", ScanProblemKind.GEOMETRY, reason="tear is seen")
    samples.write(tmp_path, "x.dcm", samples.image(series=3, slice_=5, **samples.T1))
    take_in(enrolled, [tmp_path / "x.dcm"])
    assert list_scans(enrolled)[0].problems == ()


def test_what_must_be_resolved_cannot_be_let_stand(enrolled, taken):
    scan = taken(Laterality="L")
    with pytest.raises(Refused, match="cannot be let stand"):
        accept(enrolled, scan.uid, ScanProblemKind.SIDE, reason="x")


def test_relabelling_asks_for_sense(enrolled, taken):
    scan = taken()
    with pytest.raises(InvalidInput) as caught:
        relabel(enrolled, scan.uid, reason="")
    assert [fault.what for fault in caught.value.faults] == [
        "nothing to correct",
        "no reason is given",
    ]
    with pytest.raises(InvalidInput, match="which series"):
        relabel(enrolled, scan.uid, plane=Plane.AXIAL, reason="x")
    with pytest.raises(InvalidInput, match="no such series"):
        relabel(enrolled, scan.uid, plane=Plane.AXIAL, series=4, reason="x")
    relabel(enrolled, scan.uid, side=Side.RIGHT, reason="x")
    with pytest.raises(Refused, match="nothing differs"):
        relabel(enrolled, scan.uid, side=Side.RIGHT, reason="x")


def test_a_scan_goes_by_several_names(enrolled, taken):
    scan = taken()
    with enrolled.store.look() as look:
        for name in (scan.uid, short(scan.uid), "S1-R/m03"):
            assert scan_named(look, name) == scan
        for name in ("S1-R/m06", "", "S1-R/"):
            with pytest.raises(InvalidInput, match="no scan goes by this name"):
                scan_named(look, name)
    assert short("2.25.123456789-DX") == "23456789-DX"


def test_images_that_are_gone_from_the_study_are_told(enrolled, taken):
    scan = taken()
    next((enrolled.folder / "scans").rglob("*.dcm")).write_bytes(b"broken")
    with pytest.raises(Unavailable):
        relabel(enrolled, scan.uid, side=Side.RIGHT, reason="x")


def test_a_repair_that_is_gone_is_broken(enrolled, taken):
    from imgtrack.desk.intake.recording import repair_of

    scan = taken()
    with enrolled.store.look() as look, pytest.raises(Broken, match="repair of this scan is gone"):
        repair_of(look, replace(scan, repair="S9-R"))


@pytest.mark.parametrize(
    "act",
    [
        waiting,
        lambda desk: place_study(desk, "W-1", "S1-R", reason="x"),
        lambda desk: set_aside(desk, "W-1", reason="x"),
        lambda desk: place_scan(desk, "x", reason="x"),
        lambda desk: relabel(desk, "x", side=Side.LEFT, reason="x"),
        lambda desk: accept(desk, "x", ScanProblemKind.GAP, reason="x"),
        list_scans,
    ],
)
def test_readers_are_kept_out(enrolled, act):
    with pytest.raises(Refused, match="R1 may not"):
        act(replace(enrolled, who="R1"))
