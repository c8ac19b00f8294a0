"""Classic MR: one DICOM file per slice (MR Image Storage, PS3.3 A.4)."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from pydicom.sequence import Sequence
from pydicom.uid import MRImageStorage

from synthetic_scans.scanner.acquisition import Weighting
from synthetic_scans.scanner.field import PROTON_MHZ_PER_TESLA
from synthetic_scans.scanner.run import STORED_BITS
from synthetic_scans.scanner.signal import inversion_time
from synthetic_scans.scanner.stack import Content
from synthetic_scans.writing.headers import (
    SIDE_CODES,
    Written,
    decimal,
    decimals,
    save,
    shoulder,
    start,
    stated_side,
)

if TYPE_CHECKING:
    from pathlib import Path

    from pydicom.dataset import Dataset

    from synthetic_scans.scanner.acquisition import Acquisition
    from synthetic_scans.scanner.stack import Stack
    from synthetic_scans.writing.headers import SeriesHeader, StudyHeader

PLANE_NAMES = {
    "coronal_oblique": "COR OBL",
    "sagittal_oblique": "SAG OBL",
    "axial": "AX",
}

WEIGHTING_NAMES = {
    Weighting.PD: "PD",
    Weighting.PD_FAT_SUPPRESSED: "PD FS",
    Weighting.T1: "T1",
    Weighting.T2_FAT_SUPPRESSED: "T2 FS",
    Weighting.STIR: "STIR",
    Weighting.DIXON: "PD DIXON",
}

CONTENT_NAMES = {
    Content.MAGNITUDE: "",
    Content.WATER: " W",
    Content.FAT: " F",
    Content.IN_PHASE: " IN",
    Content.OPPOSED_PHASE: " OPP",
}


def describe(stack: Stack) -> str:
    """Return a series description that states plane, contrast and content as they are."""
    acquisition = stack.acquisition
    plane, weighting = PLANE_NAMES[acquisition.plane], WEIGHTING_NAMES[acquisition.weighting]
    return f"{plane} {weighting}{CONTENT_NAMES[stack.content]}"


def write_series(stack: Stack, study: StudyHeader, series: SeriesHeader, folder: Path) -> Written:
    """Write a stack as a series of classic single-frame MR images.

    Parameters
    ----------
    stack
        Pixels and geometry.
    study, series
        Headers; one Frame of Reference UID serves the whole study.
    folder
        Folder for the files; made when missing.

    Returns
    -------
    Written
        UIDs and files in the order of the slices.
    """
    folder.mkdir(parents=True, exist_ok=True)
    dataset = start(MRImageStorage, "MR", study, series, describe(stack))
    _add_series(dataset, stack, study, series)
    _add_contrast(dataset, stack)
    _add_pixels(dataset, stack)
    paths, sop_uids = [], []
    for place, number in enumerate(stack.slice_numbers):
        dataset.SOPInstanceUID = study.uid("MR", series.number, number)
        dataset.InstanceNumber = number + 1
        dataset.ImagePositionPatient = decimals(stack.positions[place])
        dataset.SliceLocation = decimal(float(stack.positions[place] @ stack.normal))
        dataset.PixelData = np.ascontiguousarray(stack.pixels[place], dtype="<u2").tobytes()
        path = folder / f"MR{series.number:03d}_{number + 1:04d}.dcm"
        save(dataset, path)
        paths.append(path)
        sop_uids.append(str(dataset.SOPInstanceUID))
    return Written(str(dataset.SeriesInstanceUID), tuple(sop_uids), tuple(paths))


def window(stack: Stack) -> tuple[float, float]:
    """Return a display window (centre, width) from black to nearly the brightest pixels."""
    top = max(float(np.percentile(stack.pixels[:, ::4, ::4], 99.5)), 2.0)
    return top / 2, top


def image_type(stack: Stack) -> list[str]:
    """Return the first two values of Image Type, and the last two for Dixon images."""
    if stack.content is Content.MAGNITUDE:
        return ["ORIGINAL", "PRIMARY"]
    separated = stack.content in {Content.WATER, Content.FAT}
    return ["DERIVED" if separated else "ORIGINAL", "PRIMARY", "DIXON", stack.content.value]


def _add_series(dataset: Dataset, stack: Stack, study: StudyHeader, series: SeriesHeader) -> None:
    side = stated_side(study, series)
    dataset.Laterality = SIDE_CODES[side][0]
    dataset.AnatomicRegionSequence = Sequence([shoulder(side)])
    dataset.PatientPosition = "HFS"
    dataset.ProtocolName = dataset.SeriesDescription
    dataset.AcquisitionNumber = 1
    dataset.AcquisitionDate, dataset.AcquisitionTime = dataset.SeriesDate, dataset.SeriesTime
    dataset.FrameOfReferenceUID = study.frame_of_reference_uid
    dataset.PositionReferenceIndicator = ""
    dataset.ImageOrientationPatient = decimals((*stack.row, *stack.column))
    dataset.PixelSpacing = decimals(stack.pixel_spacing)
    dataset.SliceThickness = decimal(stack.thickness)
    dataset.SpacingBetweenSlices = decimal(stack.spacing)


def _add_contrast(dataset: Dataset, stack: Stack) -> None:
    acquisition = stack.acquisition
    weighting = acquisition.weighting
    kind = image_type(stack)
    dataset.ImageType = kind if len(kind) > 2 else [*kind, "M"]
    dataset.ScanningSequence = ["SE", "IR"] if weighting.inversion else "SE"
    dataset.SequenceVariant = "SK" if acquisition.train > 1 else "NONE"
    dataset.ScanOptions = "FS" if weighting.spectral_suppression else ""
    dataset.MRAcquisitionType = "2D"
    dataset.RepetitionTime = decimal(acquisition.tr_ms)
    dataset.EchoTime = decimal(acquisition.te_ms)
    dataset.EchoTrainLength = acquisition.train
    dataset.NumberOfAverages = "1"
    dataset.FlipAngle = "90"
    if weighting.inversion:
        dataset.InversionTime = decimal(inversion_time(acquisition))
    _add_hardware(dataset, acquisition)


def _add_hardware(dataset: Dataset, acquisition: Acquisition) -> None:
    rows, columns = acquisition.matrix
    along_columns = acquisition.phase_encoding == "COL"
    dataset.MagneticFieldStrength = decimal(acquisition.field_t)
    dataset.ImagingFrequency = decimal(PROTON_MHZ_PER_TESLA * acquisition.field_t)
    dataset.ImagedNucleus = "1H"
    dataset.PixelBandwidth = decimal(acquisition.bandwidth_hz)
    dataset.InPlanePhaseEncodingDirection = acquisition.phase_encoding
    dataset.AcquisitionMatrix = [0, columns, rows, 0] if along_columns else [rows, 0, 0, columns]
    dataset.ReceiveCoilName = "SHOULDER"


def _add_pixels(dataset: Dataset, stack: Stack) -> None:
    centre, width = window(stack)
    dataset.SamplesPerPixel = 1
    dataset.PhotometricInterpretation = "MONOCHROME2"
    dataset.Rows, dataset.Columns = stack.pixels.shape[1:]
    dataset.BitsAllocated = 16
    dataset.BitsStored = STORED_BITS
    dataset.HighBit = STORED_BITS - 1
    dataset.PixelRepresentation = 0
    dataset.WindowCenter = decimal(centre)
    dataset.WindowWidth = decimal(width)
