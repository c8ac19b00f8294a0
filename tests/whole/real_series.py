"""Real series of a scanner, and what their headers say, read by pydicom and numpy alone.

What can be had: a three-plane localizer of a head (``ge_3plane_localizer`` of the optional real
series; its inventory names the public source); two pilots of a head in three planes, thinned to
16 x 16 pixels and few slices, that come with pydicom; and one slice of a shoulder that comes with
pydicom-data.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import cached_property
from hashlib import sha256
from importlib.resources import files
from pathlib import Path

import numpy as np
import pydicom
from numpy.typing import ArrayLike, NDArray
from pydicom.data import get_testdata_file
from pydicom.pixels import apply_rescale

HALF_A_YEAR = timedelta(days=182)
PILOT = ("MR1/4919", "MR2/4950", "MR2/4981", "MR2/5011")
PILOT_LATER = ("MR1/5641", "MR2/6273", "MR2/6605", "MR2/6935")
NAMING = ("PatientName", "PatientID", "StudyInstanceUID", "SeriesInstanceUID", "SOPInstanceUID")
"""What tells whose images they are, beside names that are empty in these headers."""


def key_of(values: NDArray[np.float64]) -> str:
    """Return the same text for the same values at the same places, in single precision."""
    return sha256(np.ascontiguousarray(values, dtype=np.float32).tobytes()).hexdigest()


@dataclass(frozen=True)
class ScannerSlice:
    """One slice as the scanner wrote it."""

    header: pydicom.Dataset

    @cached_property
    def pixels(self) -> NDArray[np.float64]:
        """Values with the header's rescaling."""
        return np.asarray(apply_rescale(self.header.pixel_array, self.header))

    @cached_property
    def key(self) -> str:
        """What all its values come to."""
        return key_of(self.pixels)

    def place(self, row: float, column: float) -> NDArray[np.float64]:
        """Return the point of the patient at a pixel: DICOM PS3.3 C.7.6.2.1.1, equation."""
        along_row, down_column = np.reshape(self.header.ImageOrientationPatient, (2, 3))
        between_rows, between_columns = map(float, self.header.PixelSpacing)
        origin = np.asarray(self.header.ImagePositionPatient, dtype=np.float64)
        return origin + along_row * between_columns * column + down_column * between_rows * row

    def off(self, point: ArrayLike) -> float:
        """Return how far a point is from the first pixel, mm."""
        return float(np.linalg.norm(np.subtract(point, self.place(0, 0))))

    def at(self, down: float, across: float) -> tuple[int, int]:
        """Return row and column of the pixel at shares of height and width."""
        return round(down * (self.header.Rows - 1)), round(across * (self.header.Columns - 1))


@dataclass(frozen=True)
class RealStudy:
    """Files of one study."""

    files: tuple[Path, ...]

    @cached_property
    def slices(self) -> dict[str, ScannerSlice]:
        """Every slice by its values."""
        made = [ScannerSlice(pydicom.dcmread(path)) for path in self.files]
        return {each.key: each for each in made}

    @property
    def scanned_on(self) -> date:
        """Day of the series; the shoulder's study carries that of its conversion."""
        header = next(iter(self.slices.values())).header
        return datetime.strptime(header.SeriesDate, "%Y%m%d").date()  # noqa: DTZ007 - a day

    @property
    def operated_on(self) -> date:
        """Day of the invented operation, half a year earlier."""
        return self.scanned_on - HALF_A_YEAR

    @cached_property
    def naming(self) -> set[str]:
        """Every text of the headers that tells whose images they are."""
        headers = [each.header for each in self.slices.values()]
        return {str(header[word].value) for header in headers for word in NAMING if header[word]}


def real_mr() -> Path | None:
    """Return the folder of the optional real series, where it is there."""
    named = os.environ.get("IMGTRACK_REAL_MR")
    folder = Path(named) if named else Path(__file__).parents[3] / "shared" / "real_mr"
    return folder if folder.is_dir() else None


def study_of(folder: Path) -> RealStudy:
    """Return the study that a folder holds."""
    return RealStudy(tuple(sorted(folder.iterdir())))


def localizer() -> RealStudy | None:
    """Return coronal, sagittal and axial slices of a head, seven each; ``None`` when not here."""
    folder = real_mr()
    return None if folder is None else study_of(folder / "ge_3plane_localizer")


def pilot() -> RealStudy:
    """Return the first pilot of pydicom: one coronal, one axial and two sagittal slices."""
    return _bundled(PILOT)


def pilot_later() -> RealStudy:
    """Return the second pilot of the same patient, of the same planes."""
    return _bundled(PILOT_LATER)


def _bundled(names: tuple[str, ...]) -> RealStudy:
    folder = files("pydicom.data") / "test_files" / "dicomdirtests" / "98892003"
    return RealStudy(tuple(Path(str(folder / name)) for name in names))


def shoulder() -> RealStudy:
    """Return the shoulder slice of pydicom-data: coronal oblique, T1, 1024 x 1024 pixels."""
    return RealStudy((Path(str(get_testdata_file("MR2_UNCR.dcm", download=False))),))
