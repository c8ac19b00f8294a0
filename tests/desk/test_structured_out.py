"""From a signed reading over files that were taken in to DICOM files that say the same."""

from __future__ import annotations

import csv
import shutil
import sys
from pathlib import Path

import numpy as np
import pytest
from pydicom import dcmread
from reading_desk import PHRASE, desk_of, log_of, with_phrase

sys.path.insert(0, str(Path(__file__).parent / "intake"))
import intake_samples as samples  # isort: skip

from imgtrack.desk import protocols
from imgtrack.desk import study as studies
from imgtrack.desk.cases.allot import allot
from imgtrack.desk.cases.opening import open_next
from imgtrack.desk.imports.readings import import_readings
from imgtrack.desk.intake.run import take_in
from imgtrack.desk.readings.amending import amend, signed_answers
from imgtrack.desk.readings.drafts import save_draft
from imgtrack.desk.readings.signing import sign
from imgtrack.desk.structured_out import SCHEME_FILE, write_structured
from imgtrack.dicom.structured import read_report
from imgtrack.domain.errors import InvalidInput, Refused, Unavailable
from imgtrack.domain.protocol import Plane
from imgtrack.domain.reading import Reading, Round

ASKED = ["gap slices", "tear width", "straight retraction", "patte landmarks", "occupation ratio"]
SIZE = {"Rows": 64, "Columns": 64, "PixelData": np.arange(64 * 64, dtype="<u2").tobytes()}
PEOPLE = '\n[[person]]\ncode = "L1"\nrole = "analyst"\n'


@pytest.fixture(scope="module")
def template(tmp_path_factory):
    """A study with one scan taken in, and the reading of it that R1 signed."""
    place = tmp_path_factory.mktemp("read")
    samples.start_enrolled(place, *samples.ENROLMENT)
    path = place / "study" / studies.PROTOCOL_FILE
    lines = path.read_text("utf-8").splitlines()
    asked = [each for each in lines if "ask = [" in each]
    text = "\n".join(f"ask = {ASKED}" if each == asked[0] else each for each in lines)
    path.write_text(text + PEOPLE, "utf-8")
    with studies.open_study(place / "study", who="C1", now=samples.now) as study:
        take_in(study, [samples.write_study(place / "originals", **SIZE)])
        allot(study)
        reader = with_phrase(study, "R1")
        with open_next(reader) as case:
            save_draft(reader, case, answers_on(case))
            sign(reader, case, PHRASE)
    return place


@pytest.fixture
def study(template, tmp_path):
    shutil.copytree(template, tmp_path, dirs_exist_ok=True)
    with studies.open_study(tmp_path / "study", who="C1", now=samples.now) as opened:
        yield opened


def answers_on(case):
    """Answers drawn on the images of a case; lengths are triples in pixels of 0.5 mm."""
    coronal = next(each for each in case.series if each.plane is Plane.CORONAL_OBLIQUE)
    sagittal = next(each for each in case.series if each.plane is Plane.SAGITTAL_OBLIQUE)

    def drawn(series, place, *pixels, **value):
        image = series.images[place]
        points = [[float(each) for each in point] for point in image.plane.to_patient(pixels)]
        return {
            **value,
            "points": points,
            "images": [{"uid": image.alias, "frame": 1}],
            "origin": "drawn",
        }

    def gap(series, count):
        return {
            "images": [{"uid": each.alias, "frame": 1} for each in series.images[:count]],
            "count": count,
            "spacing_mm": series.spacing_mm,
            "thickness_mm": 4.0,
            "implied_mm": series.spacing_mm * count,
        }

    marks = drawn(coronal, 0, (20, 10), (5, 30), (20, 50), (20, 18))
    edge, apex, rim, stump = marks["points"]
    square = ((10, 10), (10, 30), (30, 30), (30, 10))
    wide = ((5, 5), (5, 45), (45, 45), (45, 5))
    return {
        **{f"adequacy {each}": {"value": "adequate"} for each in ("tendon", "muscle")},
        "tendon defect": {"value": "full-thickness defect"},
        "gap slices": {
            "coronal oblique": gap(coronal, 2),
            "sagittal oblique": gap(sagittal, 1),
        },
        "tear width": drawn(sagittal, 0, (0, 0), (24, 18), mm=15.0),
        "straight retraction": drawn(coronal, 1, (0, 0), (10, 24), mm=13.0),
        "patte landmarks": marks
        | {
            "points": {
                "footprint edge": [edge],
                "apex": [apex],
                "rim": [rim],
                "stump": [stump],
            },
            "mm": {"stump": 4.0, "apex": 10.0, "rim": 20.0},
        },
        "patte_stage": {"value": "1"},
        "occupation ratio": {
            "muscle": drawn(sagittal, 1, *square, mm2=100.0),
            "fossa": drawn(sagittal, 1, *wide, mm2=400.0),
            "fossa_roof": "fascia",
        },
        "goutallier supraspinatus": {"value": "1"},
        "goutallier infraspinatus": {"value": "2"},
        "goutallier subscapularis": {"not_assessable": "coverage"},
        "sugaya": {"value": "IV"},
        "retear_pattern": {"value": "1"},
        "free note": {"text": "Mrs Doe"},
    }


def only_reading(study):
    with study.store.look() as look:
        return look.all(Reading)[-1]


def numbers_in(value):
    """Every number of an answer but its points, in order."""
    if isinstance(value, dict):
        for key in sorted(value.keys() - {"points"}):
            yield from numbers_in(value[key])
    elif isinstance(value, list | tuple):
        for each in value:
            yield from numbers_in(each)
    elif isinstance(value, int | float):
        yield value


def test_a_report_says_what_was_signed(study, tmp_path):
    done = write_structured(study, tmp_path / "out", with_notes=True)
    (report,), (outlines,) = done.reports, done.outlines
    reading = only_reading(study)
    found = read_report(report)
    assert done.refused == []
    assert (found.key, found.reader, found.round) == (reading.key, "R1", Round.FIRST)
    assert list(found.answers) == list(reading.answers)
    assert list(numbers_in(dict(found.answers))) == list(numbers_in(dict(reading.answers)))
    assert found.answers["tear width"]["images"] == reading.answers["tear width"]["images"]
    np.testing.assert_allclose(
        found.answers["tear width"]["points"], reading.answers["tear width"]["points"], atol=4e-5
    )
    segmentation = dcmread(outlines)
    labels = [each.SegmentLabel for each in segmentation.SegmentSequence]
    pixels = segmentation.pixel_array.sum(axis=(1, 2)) * 0.25
    areas = dict(zip(labels, pixels.tolist(), strict=True))
    expected = {"occupation ratio / muscle": 100.0, "occupation ratio / fossa": 400.0}
    assert areas == pytest.approx(expected, abs=20.0)  # a row of pixels along one side


def test_the_images_named_are_the_stored_ones(study, tmp_path):
    done = write_structured(study, tmp_path / "out")
    report = dcmread(done.reports[0])
    stored = {path.stem for path in (study.folder / "scans").rglob("*.dcm")}
    (evidence,) = report.CurrentRequestedProcedureEvidenceSequence
    named = {
        each.ReferencedSOPInstanceUID
        for series in evidence.ReferencedSeriesSequence
        for each in series.ReferencedSOPSequence
    }
    assert named
    assert named <= stored
    assert done.reports[0].parent.name == report.StudyInstanceUID == evidence.StudyInstanceUID


def test_nobody_and_no_true_day_is_named(study, tmp_path):
    """The originals name Doe^Jane, P-001, born 1960-01-02, examined 2031-06-01 (intake_samples)."""
    done = write_structured(study, tmp_path / "out")
    timepoints = [each for point in study.protocol.timepoint for each in (point.name, point.label)]
    for path in (*done.reports, *done.outlines):
        content = path.read_bytes()
        for told in ("Doe", "P-001", "1960010", "20310601", "ACC77", "ID77", "1.2.1.", *timepoints):
            assert told.encode() not in content, told
        assert b"20310901" not in content  # the day of signing
        written = dcmread(path)
        image = dcmread(next((study.folder / "scans").rglob("*.dcm")))
        assert written.PatientID == image.PatientID == "S1"
        days = [written.ContentDate, image.StudyDate]
        between = np.diff([np.datetime64(f"{d[:4]}-{d[4:6]}-{d[6:8]}") for d in map(str, days)])
        assert abs(int(between[0].astype(int))) == 92  # 1 June to 1 September


def test_the_private_concepts_are_listed_beside_the_files(study, tmp_path):
    done = write_structured(study, tmp_path / "out")
    assert done.scheme == tmp_path / "out" / SCHEME_FILE
    with done.scheme.open(encoding="utf-8", newline="") as file:
        rows = {row["code"]: row for row in csv.DictReader(file)}
    assert rows["sugaya 2007:IV"]["meaning"] == "IV: minor discontinuity"
    assert "10.2106/JBJS.F.00512" in rows["sugaya 2007"]["definition"]


def test_writing_again_gives_the_same_files_and_is_logged(study, tmp_path):
    write_structured(study, tmp_path / "out")
    once = samples.files_below(tmp_path / "out")
    write_structured(study, tmp_path / "out")
    assert samples.files_below(tmp_path / "out") == once
    assert len(once) == 3
    entry = ("C1", "readings written as DICOM", "study")
    assert log_of(study)[-2:] == [entry, entry]


def test_an_analyst_may_write_and_readers_may_not(study, tmp_path):
    assert write_structured(desk_of(study, "L1"), tmp_path / "out").reports
    for who in ("R1", "A1"):
        with pytest.raises(Refused):
            write_structured(desk_of(study, who), tmp_path / who)
        assert not (tmp_path / who).exists()
        assert log_of(study)[-1] == (who, "refused", f"person:{who}")


def test_the_last_amendment_is_written_and_names_what_it_replaces(study, tmp_path):
    reader = desk_of(study, "R1")
    first = only_reading(study)
    (before,) = write_structured(study, tmp_path / "out").reports
    answers = signed_answers(reader, first.key) | {"goutallier supraspinatus": {"value": "3"}}
    amend(reader, first.key, answers, reason="a slip", pass_phrase=PHRASE)
    (report,) = write_structured(study, tmp_path / "out").reports
    assert report.name == f"{first.key}-2-report.dcm"
    assert read_report(report).amends == first.key
    replaced = dcmread(report).PredecessorDocumentsSequence[0].ReferencedSeriesSequence[0]
    uid = replaced.ReferencedSOPSequence[0].ReferencedSOPInstanceUID
    assert uid == dcmread(before).SOPInstanceUID
    again = write_structured(study, tmp_path / "chosen", readings=[first.key])
    assert [path.name for path in again.reports] == [before.name]


def test_a_reading_keeps_the_questions_of_its_own_protocol(study, tmp_path):
    """The scale of the pattern is dropped after it was graded; its code stays."""
    path = study.folder / studies.PROTOCOL_FILE
    scale = '[[scale]]\nname = "retear_pattern"\n'
    text = path.read_text("utf-8")
    assert scale in text
    path.write_text(text.replace(scale, ""), "utf-8")
    with studies.open_for_amendment(study.folder, who="C1", now=samples.now) as amended:
        store, protocol, text = amended.store, amended.protocol, amended.text
        why = "no pattern any more"
        assert protocols.amend(store, protocol, text, who="C1", now=samples.now, reason=why)
        done = write_structured(amended, tmp_path / "out")
    assert read_report(done.reports[0]).answers["retear_pattern"] == {"value": "1"}
    with done.scheme.open(encoding="utf-8", newline="") as file:
        listed = {row["code"] for row in csv.DictReader(file)}
    (code,) = {code for code in listed if code.startswith("retear_pattern") and code.endswith(":1")}
    assert code.encode() in done.reports[0].read_bytes()


def test_a_reading_that_is_not_there_is_told(study, tmp_path):
    with pytest.raises(InvalidInput, match="no such reading"):
        write_structured(study, tmp_path / "out", readings=["NOBODY"])


def test_an_imported_reading_without_images_is_refused_with_its_reason(study, tmp_path):
    sheet = tmp_path / "readings.csv"
    sheet.write_text("subject,side,reader,scanned_on,sugaya\nS2,left,R1,2031-06-01,II\n", "utf-8")
    import_readings(study, sheet)
    done = write_structured(study, tmp_path / "out")
    (refused,) = done.refused
    assert "no images here" in refused.what
    assert len(done.reports) == 1
    only = write_structured(study, tmp_path / "none", readings=[refused.where])
    assert (only.reports, only.scheme) == ([], None)
    assert not (tmp_path / "none").exists()


def test_an_imported_reading_of_a_scan_with_images_is_written(study, tmp_path):
    sheet = tmp_path / "readings.csv"
    sheet.write_text(
        "subject,side,reader,scanned_on,sugaya,tear_width\nS1,right,R2,2031-06-01,IV,12.5\n",
        "utf-8",
    )
    import_readings(study, sheet)
    done = write_structured(study, tmp_path / "out")
    assert done.refused == []
    found = {read_report(path).reader: read_report(path) for path in done.reports}
    assert found["R2"].answers["tear width"]["mm"] == 12.5


def test_a_training_reading_is_no_result(study, tmp_path):
    reading = only_reading(study)
    training = Reading(
        **{each: getattr(reading, each) for each in Reading.__dataclass_fields__}
        | {"key": "TRAINED", "round": Round.TRAINING, "case_code": ""}
    )
    with study.store.change(who="C1", now=study.now) as change:
        change.add([training])
    assert len(write_structured(study, tmp_path / "out").reports) == 1
    done = write_structured(study, tmp_path / "out", readings=["TRAINED"])
    assert done.reports == []
    assert "training" in done.refused[0].what


def test_a_reading_whose_images_are_gone_or_damaged_is_refused(study, tmp_path):
    reading = only_reading(study)
    measured = reading.answers["tear width"]["images"][0]["uid"]
    (path,) = (study.folder / "scans").rglob(f"{measured}.dcm")
    content = path.read_bytes()
    path.unlink()
    gone = write_structured(study, tmp_path / "out").refused
    assert {"an image it was measured on is not here any more"} == {each.what for each in gone}
    path.write_bytes(b"nonsense")
    damaged = write_structured(study, tmp_path / "out")
    assert [each.where for each in damaged.refused] == [reading.key]
    assert damaged.reports == []
    path.write_bytes(content)
    assert write_structured(study, tmp_path / "out").refused == []


def test_headers_that_no_report_can_take_over_are_told(study, tmp_path):
    """Patient's Sex is M, F or O (PS3.3 section C.7.1.1); no intake writes another one."""
    for path in (study.folder / "scans").rglob("*.dcm"):
        image = dcmread(path)
        image.PatientSex = "X"
        image.save_as(path)
    (refused,) = write_structured(study, tmp_path / "out").refused
    assert refused.where == only_reading(study).key
    assert "ValueError" in refused.found


def test_a_folder_that_cannot_be_written_is_told(study, tmp_path):
    blocked = tmp_path / "out"
    blocked.write_text("a file", "utf-8")
    with pytest.raises(Unavailable, match="cannot be written"):
        write_structured(study, blocked)


def test_progress_is_told_by_scan(study, tmp_path):
    told = []
    write_structured(study, tmp_path / "out", progress=lambda *each: told.append(each))
    assert told == [("writing readings", 1, 1)]
