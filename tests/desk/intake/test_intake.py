"""Scans in: what is taken, linked, held, waiting or refused, and that a second run does nothing."""

from __future__ import annotations

import shutil
import zipfile
from collections import Counter
from dataclasses import replace
from datetime import UTC, date, datetime

import intake_samples as samples
import pydicom
import pytest

from imgtrack.desk.board import board
from imgtrack.desk.intake import run as runs
from imgtrack.desk.intake import storing
from imgtrack.desk.intake.describing import describe
from imgtrack.desk.intake.outcome import Fate
from imgtrack.desk.intake.placing import place_study
from imgtrack.desk.intake.run import only_intake, take_in
from imgtrack.desk.intake.waiting_list import common_place
from imgtrack.desk.registry.enrol import enrol
from imgtrack.domain.errors import InvalidInput, Refused, Unavailable
from imgtrack.domain.imaging import Modality, Scan, Stage
from imgtrack.domain.protocol import Plane, Weighting
from imgtrack.domain.reading import Reading, Round
from imgtrack.domain.schedule import State
from imgtrack.domain.series import ProblemState, ScanProblem, ScanProblemKind, Series
from imgtrack.domain.subjects import Side
from imgtrack.store.keys import Identity
from imgtrack.store.verify import verify
from imgtrack.store.waiting import WaitingState


def records(study, kind):
    with study.store.look() as look:
        assert verify(look) == []
        return look.all(kind)


def open_problems(study):
    found = records(study, ScanProblem)
    return [each for each in found if each.state is ProblemState.OPEN]


def waiting(study):
    with study.keys() as keys:
        return [each for each in keys.waiting() if each.state is WaitingState.WAITING]


def only(report):
    (outcome,) = report.studies
    return outcome


def test_a_scan_is_taken_in_whole(enrolled, scans):
    samples.write_study(scans)
    before = samples.files_below(scans)
    report = take_in(enrolled, [scans])
    assert report.adds_up
    assert (report.found, only(report).fate, only(report).new) == (9, Fate.TAKEN_IN, 9)
    (scan,) = records(enrolled, Scan)
    assert (scan.repair, scan.timepoint, scan.acquired_on) == ("S1-R", "m03", date(2031, 6, 1))
    assert (scan.modality, scan.stage) == (Modality.MR, Stage.SCAN_IN)
    first, second, third = records(enrolled, Series)
    assert (first.plane, first.weighting) == (Plane.CORONAL_OBLIQUE, Weighting.PD_FAT_SUPPRESSED)
    assert (second.plane, third.weighting) == (Plane.SAGITTAL_OBLIQUE, Weighting.T1)
    assert (first.slices, first.rows, first.thickness_mm, first.side) == (3, 8, 4.0, Side.RIGHT)
    assert first.spacing_mm == pytest.approx(4.4, abs=1e-4)
    assert open_problems(enrolled) == []
    stored = samples.files_below(enrolled.folder / "scans")
    places = {
        f"{scan.uid}/{each.uid}/{i}.dcm" for each in (first, second, third) for i in each.images
    }
    assert set(stored) == places
    assert samples.files_below(scans) == before
    line = next(x for x in board(enrolled, day=date(2031, 9, 1)).lines if x.repair.code == "S1-R")
    assert line.cells["m03"].state is State.SCAN_IN


def test_the_same_files_again_change_nothing(enrolled, scans, tmp_path):
    samples.write_study(scans)
    take_in(enrolled, [scans])
    with enrolled.store.look() as look:
        head = look.head()
    stored = samples.files_below(enrolled.folder / "scans")
    shutil.copytree(scans, tmp_path / "elsewhere")
    report = take_in(enrolled, [tmp_path / "elsewhere", scans])
    outcome = only(report)
    assert (outcome.fate, outcome.files, outcome.new) == (Fate.AS_RECORDED, 18, 0)
    assert outcome.notes == ("9 files are copies of others",)
    assert report.adds_up
    with enrolled.store.look() as look:
        assert look.head() == head
    assert samples.files_below(enrolled.folder / "scans") == stored


def test_a_dry_run_tells_the_same_and_changes_nothing(enrolled, scans):
    samples.write_study(scans, Laterality="L")
    report = take_in(enrolled, [scans], dry_run=True)
    (scan,) = only(report).scans
    assert report.is_dry_run
    assert report.adds_up
    assert (scan.scan.repair, scan.scan.timepoint, scan.is_blocked) == ("S1-R", "m03", True)
    assert records(enrolled, Scan) == []
    assert not (enrolled.folder / "scans").exists()
    done = take_in(enrolled, [scans])
    assert only(done).scans[0].scan == scan.scan
    again = take_in(enrolled, [scans], dry_run=True)
    assert only(again).fate is Fate.AS_RECORDED


def test_a_scan_that_grew_is_completed(enrolled, scans, tmp_path):
    whole = samples.write_study(tmp_path / "whole", slices=4)
    scans.mkdir()
    for name in ("1_0.dcm", "1_1.dcm", "1_3.dcm", "2_0.dcm", "2_1.dcm"):
        shutil.copy(whole / name, scans)
    take_in(enrolled, [scans])
    assert {each.kind for each in open_problems(enrolled)} == {
        ScanProblemKind.GEOMETRY,
        ScanProblemKind.SERIES_MISSING,
    }
    outcome = only(take_in(enrolled, [whole]))
    assert (outcome.fate, outcome.files, outcome.new) == (Fate.COMPLETED, 12, 7)
    assert open_problems(enrolled) == []
    assert {each.state for each in records(enrolled, ScanProblem)} == {ProblemState.GONE}
    assert [each.slices for each in records(enrolled, Series)] == [4, 4, 4]
    assert len(records(enrolled, Scan)) == 1


def test_a_stored_file_that_was_lost_is_written_again(enrolled, scans):
    samples.write_study(scans)
    take_in(enrolled, [scans])
    stored = samples.files_below(enrolled.folder / "scans")
    next((enrolled.folder / "scans").rglob("*.dcm")).unlink()
    assert only(take_in(enrolled, [scans])).new == 1
    assert samples.files_below(enrolled.folder / "scans") == stored
    assert records(enrolled, ScanProblem) == []


def test_files_of_a_scan_under_reading_wait(enrolled, scans, tmp_path):
    samples.write_study(scans)
    take_in(enrolled, [scans])
    (scan,) = records(enrolled, Scan)
    with enrolled.store.change(who="C1", now=enrolled.now) as change:
        at = datetime(2031, 8, 1, tzinfo=UTC)
        change.add([Reading("r1", scan.uid, "R1", Round.FIRST, {}, "p", "0", at, at)])
    more = samples.write_study(tmp_path / "more", slices=4)
    outcome = only(take_in(enrolled, [more]))
    assert (outcome.fate, outcome.reason) == (
        Fate.WAITING,
        "the scan is being read, and these files would change it",
    )
    assert records(enrolled, Scan) == [scan]


@pytest.mark.parametrize(
    ("changes", "text"),
    [
        ({"Laterality": "L"}, "left by Laterality; right by position, tilt"),
        ({"Laterality": None, "centre": (150.0, 0.0, 0.0)}, "left by position; right by tilt"),
    ],
    ids=["header", "position"],
)
def test_a_conflict_about_the_side_holds_the_scan(enrolled, scans, changes, text):
    samples.write_study(scans, **changes)
    (scan,) = only(take_in(enrolled, [scans])).scans
    assert scan.is_blocked
    (problem,) = [each for each in scan.problems if each.kind is ScanProblemKind.SIDE]
    assert problem.text == f"{text}; the repair is of the right shoulder"


def test_a_missing_series_and_missing_slices_hold_the_scan(enrolled, scans):
    samples.write_study(scans, slices=5)
    for slice_ in range(5):
        (scans / f"3_{slice_}.dcm").unlink()
    (scans / "1_2.dcm").unlink()
    (scan,) = only(take_in(enrolled, [scans])).scans
    assert scan.is_blocked
    assert {(each.kind, each.about) for each in scan.problems} == {
        (ScanProblemKind.SERIES_MISSING, "sagittal oblique T1"),
        (ScanProblemKind.GEOMETRY, records(enrolled, Series)[0].key),
    }


def test_limits_of_the_protocol_are_listed_and_hold_nothing(enrolled, scans):
    samples.write_study(scans, PixelSpacing=[0.9, 0.9])
    (scan,) = only(take_in(enrolled, [scans])).scans
    assert {each.kind for each in scan.problems} == {ScanProblemKind.PIXEL}
    assert len(scan.problems) == 3
    assert not scan.is_blocked


def test_outside_every_window_is_unscheduled(enrolled, scans):
    samples.write_study(scans, day="20310401")
    (scan,) = only(take_in(enrolled, [scans])).scans
    assert scan.scan.timepoint == ""
    (problem,) = scan.problems
    assert problem.kind is ScanProblemKind.OUTSIDE_WINDOWS
    assert problem.text == "day 29 after operation lies in no window; unscheduled"


def test_a_head_is_told_and_held_outside_every_window_too(enrolled, scans):
    """BodyPartExamined HEAD is a defined term of PS3.16 annex L, table L-1."""
    samples.write_study(scans, day="20310401", BodyPartExamined="HEAD")
    (scan,) = only(take_in(enrolled, [scans])).scans
    kinds = {problem.kind: problem.blocks_reading for problem in scan.problems}
    assert kinds == {ScanProblemKind.OUTSIDE_WINDOWS: False, ScanProblemKind.BODY_PART: True}


def test_a_second_scan_in_a_window_waits_for_a_person(enrolled, scans):
    samples.write_study(scans / "a")
    samples.write_study(scans / "b", study="1.2.2", day="20310610")
    report = take_in(enrolled, [scans])
    first, second = (outcome.scans[0] for outcome in report.studies)
    assert first.scan.timepoint == "m03"
    assert (second.scan.timepoint, second.is_blocked) == ("", True)
    (problem,) = second.problems
    assert problem.text == "S1-R has a scan of 2031-06-01 for m03 already"


def test_a_radiograph_of_the_same_study_is_a_scan_of_its_own(enrolled, scans):
    samples.write_study(scans)
    samples.write(scans, "dx.dcm", radiograph())
    mr, dx = only(take_in(enrolled, [scans])).scans
    assert dx.scan.uid == f"{mr.scan.uid}-DX"
    assert dx.scan.study_uid == mr.scan.uid
    assert (dx.scan.timepoint, dx.scan.modality) == ("m03", Modality.DIGITAL_RADIOGRAPHY)
    assert len(list((enrolled.folder / "scans").iterdir())) == 1
    assert only(take_in(enrolled, [scans])).fate is Fate.AS_RECORDED


def radiograph(**changes):
    mr_only = ("RepetitionTime", "EchoTime", "ScanOptions", "ImagePositionPatient")
    ds = samples.image(series=90, **dict.fromkeys(mr_only))
    ds.SOPClassUID, ds.Modality = pydicom.uid.DigitalXRayImageStorageForPresentation, "DX"
    ds.ImageType = ["ORIGINAL", "PRIMARY", ""]
    ds.BurnedInAnnotation = "NO"
    ds.ImagerPixelSpacing = [0.5, 0.5]
    for keyword, value in changes.items():
        setattr(ds, keyword, value)
    return ds


def test_burned_in_text_is_refused_until_a_person_has_looked(enrolled, scans):
    path = samples.write(scans, "dx.dcm", radiograph(BurnedInAnnotation="YES"))
    report = take_in(enrolled, [scans])
    assert only(report).fate is Fate.REFUSED
    (refusal,) = report.refusals
    assert refusal.reason == "the patient may be named in the pixels"
    assert report.adds_up
    assert records(enrolled, Scan) == []
    report = take_in(enrolled, [scans], clean_pixels=[path])
    assert only(report).fate is Fate.TAKEN_IN
    with enrolled.store.look() as look:
        *_, entry = look.log()
    assert (entry.what, entry.new, entry.who) == ("pixels declared clean", "1 images", "C1")


def test_mixed_rubbish_is_accounted_for(enrolled, scans):
    samples.write_study(scans / "good")
    (scans / "notes.txt").write_text("nothing")
    (scans / "empty.dcm").touch()
    with zipfile.ZipFile(scans / "more.zip", "w") as archive:
        source = samples.write(scans.parent / "other", "x.dcm", samples.image(series=4, slice_=9))
        archive.write(source, "deep/x.dcm")
        archive.writestr("readme", "nothing")
    report = take_in(enrolled, [scans])
    assert report.adds_up
    assert report.found == 13
    assert (only(report).files, len(report.refusals)) == (10, 3)
    assert all(refusal.reason for refusal in report.refusals)


def test_one_image_in_two_files_that_differ_is_told(enrolled, scans):
    samples.write_study(scans)
    samples.write(scans, "zz.dcm", samples.image(centre=(-150.0, 9.0, 0.0)))
    report = take_in(enrolled, [scans])
    (refusal,) = report.refusals
    assert refusal.source.endswith("zz.dcm")
    assert "another file holds differently" in refusal.reason
    assert report.adds_up


def test_two_patients_in_one_study_wait(enrolled, scans):
    samples.write_study(scans)
    other = {"PatientID": "P-002", "PatientName": "Roe^John", "PatientBirthDate": "19550505"}
    samples.write(scans, "x.dcm", samples.image(series=5, **other))
    outcome = only(take_in(enrolled, [scans]))
    assert outcome.reason == "the images of this study name several: S1 and S2"
    assert records(enrolled, Scan) == []


def test_without_a_day_it_waits(enrolled, scans):
    days = dict.fromkeys(("StudyDate", "SeriesDate", "AcquisitionDate", "ContentDate"))
    samples.write_study(scans, **days)
    assert only(take_in(enrolled, [scans])).reason == "the headers have no date of the examination"


def test_whoever_waited_is_placed_once_enrolled(study, sheet, scans):
    samples.write_study(scans)
    outcome = only(take_in(study, [scans]))
    assert outcome.fate is Fate.WAITING
    (waits,) = waiting(study)
    assert (waits.code, len(waits.files), waits.modalities) == (outcome.code, 9, ("MR",))
    assert only(take_in(study, [scans])).code == outcome.code
    assert waiting(study) == [waits]
    enrol(study, sheet(*samples.ENROLMENT))
    assert only(take_in(study, [scans])).fate is Fate.TAKEN_IN
    assert waiting(study) == []


def test_a_study_recorded_just_before_a_cut_leaves_the_list_at_the_next_intake(enrolled, scans):
    """As if killed after the records were written and before the key file was told."""
    samples.write_study(scans, PatientID="X", PatientName="X", PatientBirthDate="")
    take_in(enrolled, [scans])
    (waits,) = waiting(enrolled)
    place_study(enrolled, waits.code, "S1-R", reason="x")
    with enrolled.keys() as keys:
        keys.wait(waits)
    take_in(enrolled, [scans / "1_0.dcm"])
    take_in(enrolled, [scans], dry_run=True)
    assert waiting(enrolled) == [waits]
    take_in(enrolled, [scans])
    assert waiting(enrolled) == []


def test_nobody_but_a_coordinator_takes_scans_in(enrolled, scans):
    samples.write_study(scans)
    with pytest.raises(Refused, match="R1 may not take scans in"):
        take_in(replace(enrolled, who="R1"), [scans])


@pytest.mark.parametrize("place", ["missing", "study", "study/scans"])
def test_paths_that_make_no_sense_are_faults(enrolled, tmp_path, place):
    (enrolled.folder / "scans").mkdir()
    with pytest.raises(InvalidInput, match=r"nothing here|own scans"):
        take_in(enrolled, [tmp_path / place])


def test_one_intake_at_a_time(enrolled, scans):
    samples.write_study(scans)
    with only_intake(enrolled), pytest.raises(Unavailable, match="another intake"):
        take_in(enrolled, [scans])
    assert only(take_in(enrolled, [scans])).fate is Fate.TAKEN_IN


def test_a_folder_that_cannot_be_written_stops_it_and_it_goes_on_later(enrolled, scans):
    samples.write_study(scans)
    (enrolled.folder / "scans").write_text("in the way")
    with pytest.raises(Unavailable, match="the image cannot be written"):
        take_in(enrolled, [scans])
    (enrolled.folder / "scans").unlink()
    assert only(take_in(enrolled, [scans])).fate is Fate.TAKEN_IN


def test_progress_is_told_up_to_the_end(enrolled, scans):
    samples.write_study(scans)
    told = {}
    take_in(
        enrolled, [scans], progress=lambda what, done, total: told.update({what: (done, total)})
    )
    assert told["reading headers"] == told["taking in"] == (9, 9)


def test_uids_are_in_the_key_file_only(enrolled, scans):
    samples.write_study(scans)
    take_in(enrolled, [scans])
    (scan,) = records(enrolled, Scan)
    with enrolled.keys() as keys:
        assert keys.replacement_for("1.2.1") == scan.uid
        assert keys.replacement_for("1.2.1.1.1") in records(enrolled, Series)[0].images


def test_dates_in_files_are_shifted_by_one_number_of_days_per_subject(enrolled, scans):
    samples.write_study(scans / "a")
    samples.write_study(scans / "b", study="1.2.2", day="20310830")
    take_in(enrolled, [scans])
    days = {
        scan.acquired_on: {
            date.fromisoformat(pydicom.dcmread(path).StudyDate)
            for path in (enrolled.folder / "scans" / scan.uid).rglob("*.dcm")
        }
        for scan in records(enrolled, Scan)
    }
    shifts = Counter((day - true).days for true, found in days.items() for day in found)
    assert len(shifts) == 1
    assert 0 not in shifts


def test_a_series_that_splits_otherwise_keeps_what_it_had(enrolled, scans, tmp_path):
    """Two echoes of one series: with the second one the first keeps its number and its label."""
    samples.write_study(scans)
    take_in(enrolled, [scans])
    first = records(enrolled, Series)[0]
    for slice_ in range(3):
        ds = samples.image(slice_=slice_, EchoTime=80)
        ds.SOPInstanceUID += ".2"
        samples.write(tmp_path / "echo", f"{slice_}.dcm", ds)
    assert only(take_in(enrolled, [tmp_path / "echo"])).fate is Fate.COMPLETED
    series = [each for each in records(enrolled, Series) if each.uid == first.uid]
    assert [each.number for each in series] == [1, 2]
    assert series[0].images == first.images
    assert len(series[1].images) == 3


def test_identity_of_no_use_is_no_identity(enrolled, scans):
    with enrolled.keys() as keys:
        keys.add([Identity("S9", "Noone")])
    samples.write_study(scans, PatientID="", PatientName="", PatientBirthDate="")
    outcome = only(take_in(enrolled, [scans]))
    assert "nobody in the key file" in outcome.reason


def test_the_lock_is_beside_the_key_file(enrolled, scans):
    samples.write_study(scans)
    take_in(enrolled, [scans])
    assert (enrolled.keys_path.parent / runs.LOCK_FILE).exists()
    assert not list(enrolled.folder.rglob("*.lock"))


def test_a_rewritten_image_that_cannot_be_read_again_is_refused(enrolled, scans, monkeypatch):
    samples.write_study(scans)
    monkeypatch.setattr(storing, "cleaned_file", lambda *_, **__: b"not an image")
    report = take_in(enrolled, [scans])
    assert (only(report).fate, len(report.refusals)) == (Fate.REFUSED, 9)
    assert report.adds_up
    assert not (enrolled.folder / "scans").exists()


def test_a_stack_whose_images_went_to_others_is_kept_empty(enrolled, scans):
    samples.write_study(scans)
    take_in(enrolled, [scans])
    (scan,) = records(enrolled, Scan)
    first, second, third = records(enrolled, Series)
    lost = replace(first, number=7, images=("2.25.0",), corrected=("plane",))
    headers = storing.ScanFiles(enrolled.folder).headers(scan.uid)
    described = describe(
        scan.uid, headers, operated=Side.RIGHT, expected=None, recorded=(first, second, third, lost)
    )
    assert described.series[:3] == (first, second, third)
    emptied = described.series[3]
    assert (emptied.key, emptied.images, emptied.slices) == (lost.key, (), 0)
    assert "other stacks" in emptied.problems[0]


def test_a_study_without_files_lies_nowhere():
    assert common_place([]) == ""
    assert common_place(["/a/b", "/a/b"]) == "/a/b"
    assert common_place(["/a/b/1", "/a/c"]) == "/a"
