"""Lengths clicked in the window on real images, from a loose folder, without a study.

Outside references: for the shoulder slice of pydicom-data its header (position, orientation and
spacing, by numpy) over the whole of the image; for a phantom of the American College of Radiology
its printed size, 190 mm across and 148 mm from end to end inside, within 2 mm (Large and Medium
Phantom Test Guidance, geometric accuracy). Its edges are found in the files by pydicom and numpy,
where the signal passes half of its plateau; the phantom is among the optional real series.
"""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("napari", reason="needs the reading extra")

import real_series
from real_series import ScannerSlice
from window_reader import Line, Pixel, seated

from imgtrack.domain.protocol import Plane

pytestmark = [
    pytest.mark.gui,
    pytest.mark.filterwarnings("ignore::DeprecationWarning"),
    pytest.mark.skipif(not os.environ.get("DISPLAY"), reason="needs a display"),
]

ANY = "any length"
"""The first question of a loose folder."""
LINES = (
    ((0.45, 0.40), (0.50, 0.46)),
    ((0.50, 0.05), (0.50, 0.95)),
    ((0.05, 0.50), (0.95, 0.50)),
    ((0.05, 0.05), (0.95, 0.95)),
)
"""Short, along the rows, down the columns, from corner to corner; shares of height and width."""


def clicked(
    folder: Path, plane: Plane, wanted: ScannerSlice, lines: list[tuple[Pixel, ...]]
) -> list[tuple[float, Line]]:
    """Click lines on a slice one after the other; return what the window tells, and the line."""
    found = []
    with seated(folder) as reader:
        for ends in lines:
            assert reader.marked == ANY
            reader.draw(plane, wanted, ends)
            found.append((reader.session.answers[ANY]["mm"], reader.drawn[ANY]))
    return found


def test_lengths_on_the_real_shoulder_slice_are_those_of_its_header(tmp_path):
    study = real_series.shoulder()
    (wanted,) = study.slices.values()
    shutil.copy(study.files[0], tmp_path)
    lines = [(wanted.at(*start), wanted.at(*end)) for start, end in LINES]
    found = clicked(tmp_path, Plane.SAGITTAL_OBLIQUE, wanted, lines)
    for told, line in found:
        assert told == pytest.approx(line.mm, abs=line.within_mm)
    assert max(line.mm for _, line in found) > 240
    assert min(line.mm for _, line in found) < 20


def edges(profile: np.ndarray) -> tuple[float, float]:
    """Return where a profile first and last passes half of its plateau, in samples."""
    half = np.percentile(profile[profile > profile.max() / 4], 75) / 2
    above = np.flatnonzero(profile >= half)
    first, last = above[0], above[-1]
    rise = np.interp(half, profile[[first - 1, first]], [first - 1, first])
    fall = np.interp(half, profile[[last + 1, last]], [last + 1, last])
    return float(rise), float(fall)


def test_the_real_phantom_measures_what_is_printed_on_it():
    """From end to end beside the inserts; and across its uniform slice, along and down."""
    folder = real_series.real_mr()
    if folder is None:
        pytest.skip("the optional real series are not here (IMGTRACK_REAL_MR)")
    sagittal, axial = (
        folder / name
        for name in ("acr_GE_Signa_1.5T_Sagittal_Localizer", "acr_Siemens_Aera_1.5T_T1")
    )
    (wanted,) = real_series.study_of(sagittal).slices.values()
    top, bottom = edges(wanted.pixels[:, 112])
    ((told, _),) = clicked(sagittal, Plane.SAGITTAL_OBLIQUE, wanted, [((top, 112), (bottom, 112))])
    assert told == pytest.approx(148, abs=2)
    wanted = sorted(
        real_series.study_of(axial).slices.values(),
        key=lambda each: each.header.ImagePositionPatient[2],
    )[6]
    middle = np.argwhere(wanted.pixels > np.percentile(wanted.pixels, 95) / 2)
    row, column = np.round((middle.min(axis=0) + middle.max(axis=0)) / 2).astype(int)
    left, right = edges(wanted.pixels[row])
    top, bottom = edges(wanted.pixels[:, column])
    lines = [((row, left), (row, right)), ((top, column), (bottom, column))]
    for told, _ in clicked(axial, Plane.AXIAL, wanted, lines):
        assert told == pytest.approx(190, abs=2)
