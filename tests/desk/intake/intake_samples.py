"""Small invented MR images, with geometry and physics like real ones, written in moments."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from pydicom import Dataset
from pydicom.dataset import FileMetaDataset
from pydicom.uid import ExplicitVRLittleEndian, MRImageStorage

from imgtrack.desk import study as studies
from imgtrack.desk.registry.enrol import enrol

CORONAL_RIGHT = (0.82, 0.57236, 0.0, 0.0, 0.0, -1.0)
SAGITTAL_RIGHT = (0.57236, -0.82, 0.0, 0.0, 0.0, -1.0)
"""Rows along and across a right scapula, columns downwards; unit vectors, patient LPS."""

FLUID = {"RepetitionTime": 3200, "EchoTime": 40, "ScanOptions": "FS"}
T1 = {"RepetitionTime": 600, "EchoTime": 12, "ScanOptions": ""}


def image(
    *,
    study: str = "1.2.1",
    series: int = 1,
    slice_: int = 0,
    orientation: tuple[float, ...] = CORONAL_RIGHT,
    centre: tuple[float, float, float] = (-150.0, 0.0, 0.0),
    day: str = "20310601",
    **changes: object,
) -> Dataset:
    """Return one slice; ``changes`` are attributes by keyword, ``None`` removes one."""
    row, column = np.array(orientation[:3]), np.array(orientation[3:])
    position = np.array(centre) + 4.4 * slice_ * np.cross(row, column)
    ds = Dataset()
    ds.SOPClassUID = MRImageStorage
    ds.SOPInstanceUID = f"{study}.{series}.{slice_ + 1}"
    ds.StudyInstanceUID, ds.SeriesInstanceUID = study, f"{study}.{series}"
    ds.FrameOfReferenceUID = f"{study}.99"
    ds.Modality, ds.Manufacturer, ds.ImageType = "MR", "INVENTED", ["ORIGINAL", "PRIMARY", "M"]
    ds.StudyDate = ds.SeriesDate = ds.AcquisitionDate = ds.ContentDate = day
    ds.StudyTime = ds.AcquisitionTime = "101500"
    ds.PatientName, ds.PatientID, ds.PatientBirthDate = "Doe^Jane", "P-001", "19600102"
    ds.PatientSex, ds.AccessionNumber, ds.StudyID = "F", "ACC77", "ID77"
    ds.SeriesNumber, ds.InstanceNumber, ds.AcquisitionNumber = series, slice_ + 1, 1
    ds.BodyPartExamined, ds.Laterality, ds.PatientPosition = "SHOULDER", "R", "HFS"
    ds.ScanningSequence, ds.SequenceVariant, ds.MRAcquisitionType = "SE", "SK", "2D"
    ds.EchoTrainLength, ds.MagneticFieldStrength, ds.FlipAngle = 8, 3.0, 90
    ds.SliceThickness, ds.SpacingBetweenSlices = 4.0, 4.4
    ds.ImagePositionPatient = [f"{value:.6f}" for value in position]
    ds.ImageOrientationPatient = [f"{value:.6f}" for value in orientation]
    ds.PixelSpacing = [0.5, 0.5]
    ds.Rows = ds.Columns = 8
    ds.SamplesPerPixel, ds.PhotometricInterpretation = 1, "MONOCHROME2"
    ds.BitsAllocated, ds.BitsStored, ds.HighBit, ds.PixelRepresentation = 16, 12, 11, 0
    ds.PixelData = (np.arange(64, dtype="<u2") + slice_).tobytes()
    for keyword, value in (FLUID | changes).items():
        if value is None:
            ds.pop(keyword, None)
        else:
            setattr(ds, keyword, value)
    return ds


def write(folder: Path, name: str, ds: Dataset) -> Path:
    """Write an image as a DICOM file and return its path."""
    folder.mkdir(parents=True, exist_ok=True)
    ds.file_meta = FileMetaDataset()
    ds.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    path = folder / name
    ds.save_as(path, enforce_file_format=True)
    return path


def write_study(folder: Path, *, slices: int = 3, **changes: object) -> Path:
    """Write coronal and sagittal fluid-sensitive and sagittal T1 series, as the protocol asks."""
    kinds = (
        (1, {"orientation": CORONAL_RIGHT}),
        (2, {"orientation": SAGITTAL_RIGHT}),
        (3, {"orientation": SAGITTAL_RIGHT} | T1),
    )
    for series, kind in kinds:
        for slice_ in range(slices):
            ds = image(series=series, slice_=slice_, **{**kind, **changes})
            write(folder, f"{series}_{slice_}.dcm", ds)
    return folder


ENROLMENT = (
    "subject,side,operation_date,name,hospital_number,birth_date",
    "S1,right,2031-03-03,Doe Jane,P-001,1960-01-02",
    "S2,left,2031-03-03,Roe John,P-002,1955-05-05",
)


def now() -> datetime:
    """Stand still on the day the studies of these tests are looked at."""
    return datetime(2031, 9, 1, 12, 0, tzinfo=UTC)


def start_enrolled(place: Path, *lines: str) -> None:
    """Start a study in ``place/study`` with its key file beside it, and enrol the lines."""
    sheet = place / "enrolment.csv"
    sheet.write_text("\n".join(lines) + "\n", "utf-8")
    with studies.start(place / "study", name="Test study", who="C1", now=now) as study:
        enrol(study, sheet)


def files_below(folder: Path) -> dict[str, bytes]:
    """Return the bytes of every file below a folder by its relative path."""
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }
