"""Digital radiograph (Digital X-Ray Image Storage - For Presentation, PS3.3 A.26)."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from pydicom.sequence import Sequence
from pydicom.uid import DigitalXRayImageStorageForPresentation

from synthetic_scans.scanner.radiograph import STORED_BITS
from synthetic_scans.writing.headers import (
    SIDE_CODES,
    Written,
    code,
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

    from synthetic_scans.scanner.radiograph import Radiograph
    from synthetic_scans.writing.headers import SeriesHeader, StudyHeader


def write_dx(
    radiograph: Radiograph, study: StudyHeader, series: SeriesHeader, folder: Path
) -> Written:
    """Write a radiograph as a DX image for presentation.

    The geometry is in the header as far as the object has room for it: distances from source
    to detector and patient, magnification, detector pixel size and the patient directions of
    rows and columns.  Where a point of the patient is shown is told by
    ``radiograph.geometry.project``.

    Parameters
    ----------
    radiograph
        Pixels and geometry.
    study, series
        Headers.
    folder
        Folder for the file; made when missing.

    Returns
    -------
    Written
        UIDs and the one file.
    """
    folder.mkdir(parents=True, exist_ok=True)
    dataset = start(DigitalXRayImageStorageForPresentation, "DX", study, series, "SHOULDER TRUE AP")
    dataset.SOPInstanceUID = study.uid("DX", series.number, 1)
    _add_image(dataset)
    _add_anatomy(dataset, study, series)
    _add_geometry(dataset, radiograph)
    _add_pixels(dataset, radiograph)
    path = folder / f"DX{series.number:03d}.dcm"
    save(dataset, path)
    return Written(str(dataset.SeriesInstanceUID), (str(dataset.SOPInstanceUID),), (path,))


def _add_image(dataset: Dataset) -> None:
    dataset.PresentationIntentType = "FOR PRESENTATION"
    dataset.ImageType = ["ORIGINAL", "PRIMARY", ""]
    dataset.InstanceNumber = 1
    dataset.AcquisitionDate, dataset.AcquisitionTime = dataset.SeriesDate, dataset.SeriesTime
    dataset.PixelIntensityRelationship = "LOG"
    dataset.PixelIntensityRelationshipSign = 1
    dataset.RescaleIntercept = "0"
    dataset.RescaleSlope = "1"
    dataset.RescaleType = "US"
    dataset.PresentationLUTShape = "IDENTITY"
    dataset.LossyImageCompression = "00"
    dataset.KVP = "70"
    dataset.DetectorType = "DIRECT"
    dataset.AcquisitionContextSequence = Sequence()


def _add_anatomy(dataset: Dataset, study: StudyHeader, series: SeriesHeader) -> None:
    side = stated_side(study, series)
    dataset.ImageLaterality = SIDE_CODES[side][0]
    dataset.AnatomicRegionSequence = Sequence([shoulder(side)])
    dataset.ViewPosition = "AP"
    dataset.ViewCodeSequence = Sequence([code("399348003", "SCT", "antero-posterior")])
    dataset.PatientOrientation = ["L", "F"]


def _add_geometry(dataset: Dataset, radiograph: Radiograph) -> None:
    geometry = radiograph.geometry
    to_detector, to_patient = geometry.source_to_detector_mm, geometry.source_to_patient_mm
    dataset.PositionerType = "NONE"
    dataset.DistanceSourceToDetector = decimal(to_detector)
    dataset.DistanceSourceToPatient = decimal(to_patient)
    dataset.EstimatedRadiographicMagnificationFactor = decimal(to_detector / to_patient)
    dataset.ImagerPixelSpacing = decimals((geometry.pixel_mm, geometry.pixel_mm))


def _add_pixels(dataset: Dataset, radiograph: Radiograph) -> None:
    pixels = radiograph.pixels
    low, high = (float(level) for level in np.percentile(pixels, (0.5, 99.9)))
    dataset.SamplesPerPixel = 1
    dataset.PhotometricInterpretation = "MONOCHROME2"
    dataset.Rows, dataset.Columns = pixels.shape
    dataset.BitsAllocated = 16
    dataset.BitsStored = STORED_BITS
    dataset.HighBit = STORED_BITS - 1
    dataset.PixelRepresentation = 0
    dataset.WindowCenter = decimal((low + high) / 2)
    dataset.WindowWidth = decimal(max(high - low, 2.0))
    dataset.PixelData = np.ascontiguousarray(pixels, dtype="<u2").tobytes()
