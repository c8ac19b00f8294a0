"""Real and synthetic files: valid as before, geometry and pixels kept, nobody left in them."""

from __future__ import annotations

import os
from datetime import date, time
from pathlib import Path

import data_store
import numpy as np
import pytest
import SimpleITK
from deidentify_samples import clean, deidentifier, validator_errors
from pydicom import dcmread
from pydicom.data import get_testdata_file
from pydicom.dataset import Dataset

from imgtrack.dicom.deidentify import encode
from imgtrack.dicom.sources import Refusal
from synthetic_scans.phantom.tissue import Tissue
from synthetic_scans.planes import frames
from synthetic_scans.scanner import Acquisition, Weighting, acquire
from synthetic_scans.scanner.radiograph import Exposure, expose, true_ap
from synthetic_scans.scanner.targets import ball
from synthetic_scans.spec import ShoulderSpec
from synthetic_scans.writing.dx import write_dx
from synthetic_scans.writing.enhanced import write_enhanced
from synthetic_scans.writing.headers import SeriesHeader, StudyHeader
from synthetic_scans.writing.identities import invent, traces
from synthetic_scans.writing.mr import write_series

REAL = Path(
    os.environ.get("IMGTRACK_REAL_MR", Path(__file__).parents[3].parent / "shared" / "real_mr")
)
PACKAGED = Path(data_store.__file__).parent / "data"
REAL_FILES = [
    max(path for path in folder.rglob("*") if path.is_file()) for folder in sorted(REAL.glob("*/"))
]
PUBLIC_FILES = [
    *(Path(get_testdata_file(f"MR_small{end}.dcm")) for end in ("", "_implicit", "_bigendian")),
    *(Path(get_testdata_file(f"MR_small_{end}.dcm")) for end in ("RLE", "jp2klossless", "expb")),
    PACKAGED / "MR2_UNCI.dcm",
    *(PACKAGED / f"emri_small{end}.dcm" for end in ("", "_jpeg_ls_lossless", "_big_endian")),
    PACKAGED / "MR-SIEMENS-DICOM-WithOverlays.dcm",
]
KEPT = (
    "ImagePositionPatient", "ImageOrientationPatient", "PixelSpacing", "SliceThickness", "Rows",
    "Columns", "RepetitionTime", "EchoTime", "InversionTime", "FlipAngle", "EchoTrainLength",
    "MagneticFieldStrength", "RescaleSlope", "Modality", "PatientPosition", "ScanningSequence",
    "SequenceVariant", "ScanOptions", "ImageType", "InstanceNumber", "SeriesNumber", "Laterality",
    "NumberOfFrames", "MRAcquisitionType", "AcquisitionTime", "PatientSex",
)  # fmt: skip
WHO = invent(np.random.default_rng(7))


def name_of(path: Path) -> str:
    return f"{path.parent.name}/{path.name}"


def pixels(path: Path) -> np.ndarray:
    """Pixels as GDCM within SimpleITK reads them."""
    return SimpleITK.GetArrayFromImage(SimpleITK.ReadImage(path))


@pytest.mark.parametrize("path", [*REAL_FILES, *PUBLIC_FILES], ids=name_of)
def test_files_of_scanners_stay_valid_with_geometry_physics_and_pixels(
    path: Path, tmp_path: Path
) -> None:
    """References: dciodvfy for validity, SimpleITK for pixels."""
    original = dcmread(path)
    result = deidentifier().clean(original)
    assert isinstance(result, Dataset), result
    data = encode(result)
    assert validator_errors(data, tmp_path) <= validator_errors(path.read_bytes(), tmp_path)
    for keyword in KEPT:
        assert result.get(keyword) == (original.get(keyword) or result.get(keyword)), keyword
    assert not [element for element in result.iterall() if element.tag.is_private]
    assert np.array_equal(pixels(tmp_path / "image.dcm"), pixels(path))
    for keyword in ("PatientID", "PatientName", "StudyInstanceUID", "DeviceSerialNumber"):
        value = str(original.get(keyword, ""))
        assert len(set(value)) < 4 or value.encode() not in data


@pytest.mark.parametrize("name", ["MR_truncated.dcm", "CT_small.dcm", "rtdose.dcm", "reportsi.dcm"])
def test_files_that_are_of_no_use_are_refused(name: str) -> None:
    result = deidentifier().clean(dcmread(get_testdata_file(name)), label=name)
    assert isinstance(result, Refusal)
    assert result.source == name


def synthetic(kind: str, folder: Path) -> list[Path]:
    """Files of one series of the phantom, an invented identity planted in every header."""
    day, at = date(2025, 3, 14), time(9, 26, 53)
    study = StudyHeader(seed=7, key="demo/m03", side="right", day=day, at=at, identity=WHO)
    generator = np.random.default_rng(1)
    plane = "coronal_oblique" if kind == "DX" else "axial"
    frame = frames(ShoulderSpec.vary(11, "right"))[plane]
    target = ball(frame.centre, 30.0, Tissue.MUSCLE)
    if kind == "DX":
        geometry = true_ap(frame, matrix=(50, 60), pixel_mm=2.0)
        shot = expose(target, geometry, Exposure(step_mm=5.0), generator)
        return list(write_dx(shot, study, SeriesHeader(1), folder).paths)
    acquisition = Acquisition(
        plane, Weighting.PD_FAT_SUPPRESSED, n_slices=3, matrix=(24, 36), fov_mm=(70.3, 111.7),
        samples=1,
    )  # fmt: skip
    stack = acquire(target, acquisition, frame, generator)
    write = write_enhanced if kind == "enhanced" else write_series
    return list(write(stack, study, SeriesHeader(3), folder).paths)


@pytest.mark.parametrize("kind", ["classic", "enhanced", "DX"])
def test_series_of_the_phantom_stay_valid_and_lose_their_identity(
    kind: str, tmp_path: Path
) -> None:
    """References: dciodvfy for validity, the phantom's own tracer for what is left."""
    paths = synthetic(kind, tmp_path / "series")
    series = set()
    for path in paths:
        original = dcmread(path)
        assert traces(original, WHO) != []
        result = deidentifier().clean(original)
        assert isinstance(result, Dataset), result
        data = encode(result)
        assert validator_errors(data, tmp_path) == set()
        assert traces(result, WHO) == []
        for name, secret in WHO.secrets().items():
            assert secret.encode() not in data, name
        assert np.array_equal(result.pixel_array, original.pixel_array)
        series.add((result.SeriesInstanceUID, result.StudyDate, result.get("FrameOfReferenceUID")))
        assert result.SeriesDescription == original.SeriesDescription
    assert len(series) == 1


def test_frames_keep_their_geometry(tmp_path: Path) -> None:
    (path,) = synthetic("enhanced", tmp_path)
    original = dcmread(path)
    cleaned = clean(original)
    assert len(cleaned.PerFrameFunctionalGroupsSequence) == 3
    for before, after in zip(
        original.PerFrameFunctionalGroupsSequence,
        cleaned.PerFrameFunctionalGroupsSequence,
        strict=True,
    ):
        place = before.PlanePositionSequence[0].ImagePositionPatient
        assert after.PlanePositionSequence[0].ImagePositionPatient == place
        index = before.FrameContentSequence[0].DimensionIndexValues
        assert after.FrameContentSequence[0].DimensionIndexValues == index
    before, after = (each.SharedFunctionalGroupsSequence[0] for each in (original, cleaned))
    assert after.PixelMeasuresSequence == before.PixelMeasuresSequence
    assert after.PlaneOrientationSequence == before.PlaneOrientationSequence
    assert after.MRModifierSequence == before.MRModifierSequence
