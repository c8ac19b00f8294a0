"""Invented DICOM objects for tests, as small as they can be."""

from __future__ import annotations

from io import BytesIO
from itertools import count

import numpy as np
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.filewriter import dcmwrite
from pydicom.sequence import Sequence
from pydicom.uid import (
    ComputedRadiographyImageStorage,
    DigitalXRayImageStorageForPresentation,
    EnhancedMRImageStorage,
    ExplicitVRLittleEndian,
    MRImageStorage,
)

from imgtrack.dicom.headers import Header, read_header
from imgtrack.dicom.sources import Refusal, Source

numbers = count(1)

CORONAL = (1, 0, 0, 0, 0, -1)
SAGITTAL = (0, 1, 0, 0, 0, -1)
AXIAL = (1, 0, 0, 0, 1, 0)


def uid() -> str:
    """Return a UID not used before in this run."""
    return f"2.25.{next(numbers)}"


def base(sop_class: str, modality: str, **attributes: object) -> Dataset:
    """Return what all objects need."""
    ds = Dataset()
    ds.SOPClassUID = sop_class
    ds.SOPInstanceUID = uid()
    ds.StudyInstanceUID = "2.25.9001"
    ds.SeriesInstanceUID = "2.25.9002"
    ds.FrameOfReferenceUID = "2.25.9003"
    ds.Modality = modality
    ds.StudyDate = "20240229"
    ds.PatientName = "Rehn^Mara"
    ds.PatientID = "P-17"
    ds.PatientBirthDate = "19610407"
    ds.SamplesPerPixel = 1
    ds.PhotometricInterpretation = "MONOCHROME2"
    ds.Rows, ds.Columns = 4, 6
    ds.BitsAllocated = ds.BitsStored = 16
    ds.HighBit = 15
    ds.PixelRepresentation = 0
    change(ds, attributes)
    return ds


def change(ds: Dataset, attributes: dict[str, object]) -> None:
    """Set attributes; None removes one."""
    for keyword, value in attributes.items():
        if value is None:
            if keyword in ds:
                del ds[keyword]
        else:
            setattr(ds, keyword, value)


def mr(**attributes: object) -> Dataset:
    """Return a classic MR object, a T1 weighted coronal slice unless told otherwise."""
    ds = base(MRImageStorage, "MR")
    ds.ImageType = ["ORIGINAL", "PRIMARY", "M"]
    ds.ImagePositionPatient = [-120, 0, 80]
    ds.ImageOrientationPatient = list(CORONAL)
    ds.PixelSpacing = [0.5, 0.5]
    ds.SliceThickness = 3
    ds.ScanningSequence = "SE"
    ds.ScanOptions = ""
    ds.RepetitionTime, ds.EchoTime = 600, 12
    ds.MagneticFieldStrength = 3
    ds.InstanceNumber = 1
    ds.PixelData = np.arange(24, dtype="<u2").tobytes()
    change(ds, attributes)
    return ds


def radiograph(sop_class: str = DigitalXRayImageStorageForPresentation, **extra: object) -> Dataset:
    """Return a radiograph."""
    modality = "CR" if sop_class == ComputedRadiographyImageStorage else "DX"
    ds = base(sop_class, modality, ImagerPixelSpacing=[0.2, 0.2])
    ds.PixelData = np.arange(24, dtype="<u2").tobytes()
    change(ds, extra)
    return ds


def item(**attributes: object) -> Sequence:
    """Return a sequence of one item."""
    ds = Dataset()
    change(ds, attributes)
    return Sequence([ds])


def enhanced(positions: list[tuple[float, float, float]], **attributes: object) -> Dataset:
    """Return an Enhanced MR object with one frame in each position."""
    ds = base(EnhancedMRImageStorage, "MR", NumberOfFrames=len(positions))
    ds.ImageType = ["ORIGINAL", "PRIMARY", "T1", "NONE"]
    ds.EchoPulseSequence = "SPIN"
    ds.SpectrallySelectedSuppression = "NONE"
    ds.MagneticFieldStrength = 3
    shared = Dataset()
    shared.PlaneOrientationSequence = item(ImageOrientationPatient=list(CORONAL))
    shared.PixelMeasuresSequence = item(PixelSpacing=[0.5, 0.5], SliceThickness=3)
    shared.MRTimingAndRelatedParametersSequence = item(RepetitionTime=600, FlipAngle=90)
    shared.MREchoSequence = item(EffectiveEchoTime=12.0)
    ds.SharedFunctionalGroupsSequence = Sequence([shared])
    frames = []
    for position in positions:
        frame = Dataset()
        frame.PlanePositionSequence = item(ImagePositionPatient=list(position))
        frame.FrameContentSequence = item(FrameAcquisitionNumber=1)
        frames.append(frame)
    ds.PerFrameFunctionalGroupsSequence = Sequence(frames)
    ds.PixelData = np.arange(24 * len(positions), dtype="<u2").tobytes()
    change(ds, attributes)
    return ds


def series(count: int, step: float = 3.3, **attributes: object) -> list[Dataset]:
    """Return coronal slices along the back-to-front direction, evenly spaced."""
    return [
        mr(ImagePositionPatient=[-120, step * number, 80], InstanceNumber=number + 1, **attributes)
        for number in range(count)
    ]


def encoded(ds: Dataset, syntax: str = ExplicitVRLittleEndian) -> bytes:
    """Return the bytes of a DICOM file."""
    ds.file_meta = FileMetaDataset()
    ds.file_meta.TransferSyntaxUID = syntax
    ds.file_meta.MediaStorageSOPClassUID = ds.get("SOPClassUID", "1.2")
    ds.file_meta.MediaStorageSOPInstanceUID = ds.get("SOPInstanceUID", "1.2")
    stream = BytesIO()
    dcmwrite(stream, ds, enforce_file_format=True)
    return stream.getvalue()


def source(ds: Dataset, label: str = "") -> Source:
    """Return a source of an object's bytes."""
    return Source.of_bytes(label or f"{ds.get('SOPInstanceUID', 'object')}", encoded(ds))


def header(ds: Dataset) -> Header:
    """Return the header of an object that must be taken."""
    found = read_header(source(ds))
    assert isinstance(found, Header), found
    return found


def headers(objects: list[Dataset]) -> list[Header]:
    """Return the headers of objects that must be taken."""
    return [header(ds) for ds in objects]


def refusal(content: Dataset | bytes) -> Refusal:
    """Return the refusal of what must not be taken."""
    raw = content if isinstance(content, bytes) else encoded(content)
    found = read_header(Source.of_bytes("thing", raw))
    assert isinstance(found, Refusal), found
    return found
