"""Radiograph as DICOM DX: validity, and the geometry its header can hold."""

from __future__ import annotations

import subprocess
import sys
from datetime import date, time
from pathlib import Path

import numpy as np
import pydicom
import pytest

from synthetic_scans.phantom.tissue import Tissue
from synthetic_scans.planes import frames
from synthetic_scans.scanner.radiograph import Exposure, Radiograph, expose, true_ap
from synthetic_scans.scanner.targets import ball
from synthetic_scans.spec import ShoulderSpec
from synthetic_scans.writing.dx import write_dx
from synthetic_scans.writing.headers import SeriesHeader, StudyHeader
from synthetic_scans.writing.identities import invent, traces

FRAME = frames(ShoulderSpec(side="left"))["coronal_oblique"]
STUDY = StudyHeader(
    seed=7,
    key="demo/m03/dx",
    side="left",
    day=date(2025, 3, 14),
    at=time(10, 2, 0),
    identity=invent(np.random.default_rng(8)),
    description="DX shoulder",
)


def shot() -> Radiograph:
    geometry = true_ap(FRAME, matrix=(50, 60), pixel_mm=2.0)
    target = ball(FRAME.centre, 40.0, Tissue.MARROW)
    return expose(target, geometry, Exposure(step_mm=5.0), np.random.default_rng(0))


@pytest.mark.parametrize(
    "series",
    [SeriesHeader(1), SeriesHeader(2, labelled_side="right"), SeriesHeader(3, burned_in=True)],
    ids=["plain", "wrong side", "burned in"],
)
def test_radiograph_is_valid(series: SeriesHeader, tmp_path: Path) -> None:
    """Reference: dciodvfy of dicom3tools."""
    written = write_dx(shot(), STUDY, series, tmp_path)
    program = Path(sys.executable).parent / "dciodvfy"
    done = subprocess.run([program, *written.paths], capture_output=True, text=True, check=False)
    assert "DXImageForPresentation" in done.stderr
    assert [line for line in done.stderr.splitlines() if line.startswith("Error")] == []


def test_header_states_the_projection(tmp_path: Path) -> None:
    radiograph = shot()
    header = pydicom.dcmread(write_dx(radiograph, STUDY, SeriesHeader(1), tmp_path).paths[0])
    assert header.DistanceSourceToDetector == pytest.approx(1150)
    assert header.DistanceSourceToPatient == pytest.approx(1050)
    magnification = radiograph.geometry.magnification(FRAME.centre)
    assert header.EstimatedRadiographicMagnificationFactor == pytest.approx(magnification)
    assert header.ImagerPixelSpacing == [2, 2]
    assert (header.Modality, header.ImageLaterality, header.ViewPosition) == ("DX", "L", "AP")
    assert header.PatientOrientation == ["L", "F"]
    assert np.array_equal(header.pixel_array, radiograph.pixels)
    assert traces(header, STUDY.identity)


def test_side_label_lies_when_told_to_and_bytes_repeat(tmp_path: Path) -> None:
    series = SeriesHeader(2, labelled_side="right")
    first = write_dx(shot(), STUDY, series, tmp_path / "a").paths[0]
    second = write_dx(shot(), STUDY, series, tmp_path / "b").paths[0]
    assert pydicom.dcmread(first).ImageLaterality == "R"
    assert first.read_bytes() == second.read_bytes()
