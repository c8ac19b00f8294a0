"""Invented readings with invented images that carry just what de-identified ones do."""

from __future__ import annotations

import subprocess
import sys
from datetime import UTC, date, datetime, timedelta
from io import BytesIO
from pathlib import Path

from mr_objects import CORONAL, mr, radiograph, source

from imgtrack.dicom.structured import Context, Place, stored_header
from imgtrack.domain.form import Purpose, review
from imgtrack.domain.reading import Reading, Round
from imgtrack.domain.subjects import Side
from imgtrack.measure.plane import PlaneGeometry

sys.path.insert(0, str(Path(__file__).parents[1] / "domain"))

SIGNED_AT = datetime(2031, 9, 1, 12, 0, 30, 5, tzinfo=UTC)
MOVED = timedelta(days=-100)
STUDY, SERIES = "2.25.9001", "2.25.9002"
ROWS, COLUMNS, SPACING = 60, 80, (0.5, 0.5)
LABELS = {
    "PatientName": "S014",
    "PatientID": "S014",
    "PatientBirthDate": "",
    "PatientSex": "F",
    "AccessionNumber": "",
    "StudyID": "",
    "StudyDate": date(2031, 5, 20).strftime("%Y%m%d"),
    "StudyTime": "101112",
    "ReferringPhysicianName": "",
    "ClinicalTrialSponsorName": "not stated",
    "ClinicalTrialProtocolID": "Test study",
    "ClinicalTrialProtocolName": "",
    "ClinicalTrialSiteID": "",
    "ClinicalTrialSiteName": "",
    "ClinicalTrialSubjectID": "S014",
    "ClinicalTrialTimePointID": "",
    "PatientIdentityRemoved": "YES",
    "DeidentificationMethod": "for a test",
    "Rows": ROWS,
    "Columns": COLUMNS,
    "PixelSpacing": list(SPACING),
    "PixelData": bytes(2 * ROWS * COLUMNS),
}


def image(uid: str, number: int = 0, **more):
    """Return the header of a stored MR image; slices lie 4 mm apart along y."""
    known = {
        "SOPInstanceUID": uid,
        "StudyInstanceUID": STUDY,
        "SeriesInstanceUID": SERIES,
        "FrameOfReferenceUID": "2.25.9003",
        "ImagePositionPatient": [-20, 4 * number, 15],
        "InstanceNumber": number + 1,
    }
    made = mr(**LABELS | known | more)
    return stored_header(source(made))


def film(uid: str):
    """Return the header of a stored radiograph."""
    labels = {key: value for key, value in LABELS.items() if key != "PixelSpacing"}
    made = radiograph(SOPInstanceUID=uid, StudyInstanceUID=STUDY, SeriesInstanceUID=SERIES)
    for key, value in labels.items():
        setattr(made, key, value)
    return stored_header(source(made))


def place(number: int = 0) -> Place:
    plane = PlaneGeometry.from_attributes(
        position=[-20, 4 * number, 15],
        orientation=CORONAL,
        pixel_spacing=SPACING,
        rows=ROWS,
        columns=COLUMNS,
        thickness=3,
    )
    return Place(plane, SPACING)


UIDS = {"2.25.1": 0, **{f"2.25.{n}": n for n in range(10, 17)}}


def context(form, **changes) -> Context:
    """Return a scan with every image that the answers of `form_samples` name."""
    if form.dimensions == 3:
        stored = {uid: image(uid, number) for uid, number in UIDS.items()}
        places = {(uid, 1): place(number) for uid, number in UIDS.items()}
    else:
        stored, places = {"2.25.1": film("2.25.1")}, {("2.25.1", 1): Place(None, (0.2, 0.2))}
    known = {
        "form": form,
        "side": Side.RIGHT,
        "stored": stored,
        "places": places,
        "moved": MOVED,
        "software": "1.2.3",
        "with_notes": True,
    }
    return Context(**known | changes)


def reading(answers, form=None, **changes) -> Reading:
    """Return a signed reading; completed as at signing where the form is given."""
    if form is not None:
        looked = review(form, answers, purpose=Purpose.SIGNING)
        assert not looked.faults, looked.faults
        answers = looked.answers
    known = {
        "key": "K7Q2M9XD",
        "scan": STUDY,
        "reader": "R1",
        "round": Round.FIRST,
        "answers": answers,
        "protocol_hash": "ab" * 32,
        "software_version": "1.2.3",
        "began_at": SIGNED_AT - timedelta(minutes=5),
        "signed_at": SIGNED_AT,
        "case_code": "K7Q2M9XD",
        "active_seconds": 91.5,
    }
    return Reading(**known | changes)


def to_bytes(dataset) -> bytes:
    stream = BytesIO()
    dataset.save_as(stream, enforce_file_format=True)
    return stream.getvalue()


def complaints(dataset, folder: Path) -> list[str]:
    """Lines of error by dciodvfy (dicom3tools), an independent validator of the standard."""
    path = folder / "object.dcm"
    path.write_bytes(to_bytes(dataset))
    program = Path(sys.executable).parent / "dciodvfy"
    done = subprocess.run([program, "-new", path], capture_output=True, check=False)
    lines = (done.stdout + done.stderr).decode("latin-1").splitlines()
    assert lines, "dciodvfy said nothing"
    return [line for line in lines if not line.startswith("Warning")]
