"""Classic and Enhanced MR: validity, geometry read back by two libraries, labels, determinism."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace
from datetime import date, time
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pydicom
import pytest
import SimpleITK

from synthetic_scans.phantom.tissue import Tissue
from synthetic_scans.planes import PLANES, frames
from synthetic_scans.scanner import (
    Acquisition,
    Artefacts,
    Content,
    Stack,
    Weighting,
    acquire,
    acquire_dixon,
)
from synthetic_scans.scanner.targets import ball
from synthetic_scans.spec import ShoulderSpec
from synthetic_scans.writing.enhanced import write_enhanced
from synthetic_scans.writing.headers import SeriesHeader, StudyHeader, Written
from synthetic_scans.writing.identities import invent
from synthetic_scans.writing.mr import write_series

if TYPE_CHECKING:
    from collections.abc import Callable

STUDY = StudyHeader(
    seed=7,
    key="demo/m03",
    side="right",
    day=date(2025, 3, 14),
    at=time(9, 26, 53),
    identity=invent(np.random.default_rng(7)),
)
FRAMES = frames(ShoulderSpec.vary(11, "right"))

WRITERS = {"classic": write_series, "enhanced": write_enhanced}


def errors(path: Path) -> list[str]:
    """Lines of error by dciodvfy (dicom3tools), an independent validator of the standard."""
    program = Path(sys.executable).parent / "dciodvfy"
    done = subprocess.run([program, path], capture_output=True, text=True, check=False)
    lines = (done.stdout + done.stderr).splitlines()
    assert any(line.endswith("Image") for line in lines), lines
    return [line for line in lines if line.startswith("Error")]


def scan(plane: str = "axial", weighting: Weighting = Weighting.PD, **how: object) -> Stack:
    usual = {"n_slices": 5, "matrix": (24, 36), "fov_mm": (70.3, 111.7), "samples": 1}
    acquisition = Acquisition(plane, weighting, **(usual | how))
    frame = FRAMES[plane]
    target = ball(frame.centre, 30.0, Tissue.MUSCLE)
    if weighting is not Weighting.DIXON:
        return acquire(target, acquisition, frame, np.random.default_rng(1))
    return acquire_dixon(target, acquisition, frame, np.random.default_rng(1)).water


SERIES: dict[str, tuple[Callable[[], Stack], SeriesHeader]] = {
    **{str(w): (lambda w=w: scan(weighting=w), SeriesHeader(3)) for w in Weighting},
    **{plane: (lambda p=plane: scan(p), SeriesHeader(4)) for plane in PLANES},
    "1.5 T, rows phase-encoded": (
        lambda: scan(field_t=1.5, phase_encoding="ROW"),
        SeriesHeader(5),
    ),
    "missing slices": (
        lambda: scan(artefacts=Artefacts(missing_slices=(1, 3))),
        SeriesHeader(6),
    ),
    "wrong side": (scan, SeriesHeader(7, labelled_side="left")),
    "wrong plane": (scan, SeriesHeader(8, description="SAG OBL PD")),
}


@pytest.mark.parametrize("writer", ["classic", "enhanced"])
@pytest.mark.parametrize("kind", SERIES)
def test_every_kind_of_series_is_valid(kind: str, writer: str, tmp_path: Path) -> None:
    make, header = SERIES[kind]
    written = WRITERS[writer](make(), STUDY, header, tmp_path)
    for path in written.paths[:2]:
        assert errors(path) == []


def test_burned_in_annotation_is_admitted_by_classic_images_only(tmp_path: Path) -> None:
    header = SeriesHeader(9, burned_in=True)
    written = write_series(scan(), STUDY, header, tmp_path)
    assert errors(written.paths[0]) == []
    assert pydicom.dcmread(written.paths[0]).BurnedInAnnotation == "YES"
    with pytest.raises(ValueError, match="burned_in"):
        write_enhanced(scan(), STUDY, header, tmp_path)


@pytest.mark.parametrize("writer", ["classic", "enhanced"])
@pytest.mark.parametrize("content", Content)
def test_every_dixon_image_is_valid_and_says_what_it_is(
    content: Content, writer: str, tmp_path: Path
) -> None:
    stack = replace(scan(weighting=Weighting.DIXON), content=content)
    written = WRITERS[writer](stack, STUDY, SeriesHeader(2), tmp_path)
    assert errors(written.paths[0]) == []
    header = pydicom.dcmread(written.paths[0])
    if content is not Content.MAGNITUDE:
        assert header.ImageType[2:] == ["DIXON", str(content)]
    derived = content in {Content.WATER, Content.FAT}
    assert header.ImageType[0] == ("DERIVED" if derived else "ORIGINAL")


def test_the_validator_sees_an_invalid_file(tmp_path: Path) -> None:
    """Without this, a validator that never runs would pass every test above."""
    written = write_series(scan(), STUDY, SeriesHeader(1), tmp_path)
    broken = pydicom.dcmread(written.paths[0])
    del broken.ImagePositionPatient
    broken.save_as(tmp_path / "broken.dcm")
    assert errors(tmp_path / "broken.dcm")


@pytest.mark.parametrize("plane", PLANES)
def test_classic_geometry_read_by_pydicom(plane: str, tmp_path: Path) -> None:
    """PS3.3 C.7.6.2.1.1: position of a pixel from IPP, IOP and Pixel Spacing."""
    stack = scan(plane)
    written = write_series(stack, STUDY, SeriesHeader(1), tmp_path)
    for number, path in enumerate(written.paths):
        header = pydicom.dcmread(path)
        across, down = np.array(header.ImageOrientationPatient, dtype=float).reshape(2, 3)
        between_rows, between_columns = map(float, header.PixelSpacing)
        corner = np.array(header.ImagePositionPatient, dtype=float)
        found = corner + 35 * between_columns * across + 23 * between_rows * down
        assert found == pytest.approx(stack.to_patient([number, 23, 35]), abs=1e-4)
        assert corner == pytest.approx(stack.positions[number], abs=1e-4)
        assert np.array_equal(header.pixel_array, stack.pixels[number])
        along = float(header.SliceLocation)
        assert along == pytest.approx(stack.positions[number] @ stack.normal, abs=1e-4)


@pytest.mark.parametrize("writer", ["classic", "enhanced"])
@pytest.mark.parametrize("plane", PLANES)
def test_geometry_read_by_simpleitk(plane: str, writer: str, tmp_path: Path) -> None:
    stack = scan(plane)
    written = WRITERS[writer](stack, STUDY, SeriesHeader(1), tmp_path)
    names = [str(path) for path in written.paths]
    image = SimpleITK.ReadImage(names if writer == "classic" else names[0])
    assert np.array_equal(SimpleITK.GetArrayFromImage(image), stack.pixels)
    for index in ((0, 0, 0), (4, 23, 35), (2, 7, 31)):
        found = image.TransformIndexToPhysicalPoint(index[::-1])
        assert found == pytest.approx(stack.to_patient(index), abs=1e-3)


@pytest.mark.parametrize("plane", PLANES)
def test_enhanced_geometry_read_by_pydicom(plane: str, tmp_path: Path) -> None:
    stack = scan(plane, artefacts=Artefacts(missing_slices=(1,)))
    written = write_enhanced(stack, STUDY, SeriesHeader(1), tmp_path)
    header = pydicom.dcmread(written.paths[0])
    shared = header.SharedFunctionalGroupsSequence[0]
    orientation = shared.PlaneOrientationSequence[0].ImageOrientationPatient
    assert orientation == pytest.approx([*stack.row, *stack.column], abs=1e-9)
    measures = shared.PixelMeasuresSequence[0]
    assert measures.PixelSpacing == pytest.approx([70.3 / 24, 111.7 / 36], abs=1e-9)
    assert (measures.SliceThickness, measures.SpacingBetweenSlices) == (3.0, 3.3)
    frame_groups = header.PerFrameFunctionalGroupsSequence
    assert header.NumberOfFrames == len(frame_groups) == 4
    for number, group in enumerate(frame_groups):
        corner = group.PlanePositionSequence[0].ImagePositionPatient
        assert corner == pytest.approx(stack.positions[number], abs=1e-4)
        assert group.FrameContentSequence[0].InStackPositionNumber == number + 1
    assert np.array_equal(header.pixel_array, stack.pixels)


def test_contrast_is_stated_as_prescribed(tmp_path: Path) -> None:
    fat_suppressed = write_series(
        scan(weighting=Weighting.PD_FAT_SUPPRESSED), STUDY, SeriesHeader(1), tmp_path
    )
    header = pydicom.dcmread(fat_suppressed.paths[0])
    assert (header.RepetitionTime, header.EchoTime, header.ScanOptions) == (3200, 40, "FS")
    assert header.SeriesDescription == "AX PD FS"
    assert header.MagneticFieldStrength == 3
    stir = scan("sagittal_oblique", Weighting.STIR, field_t=1.5)
    classic = pydicom.dcmread(write_series(stir, STUDY, SeriesHeader(2), tmp_path).paths[0])
    assert classic.ScanningSequence == ["SE", "IR"]
    enhanced = pydicom.dcmread(write_enhanced(stir, STUDY, SeriesHeader(3), tmp_path).paths[0])
    modifiers = enhanced.SharedFunctionalGroupsSequence[0].MRModifierSequence[0]
    # Fat T1 of 288 ms (Gold 2004) times ln 2 is 200 ms.
    assert modifiers.InversionTimes == pytest.approx(200, abs=1)
    assert classic.InversionTime == pytest.approx(modifiers.InversionTimes)


def test_labels_lie_only_when_told_to(tmp_path: Path) -> None:
    honest = write_series(scan("coronal_oblique"), STUDY, SeriesHeader(1), tmp_path)
    header = SeriesHeader(2, description="AX T1", labelled_side="left")
    lying = write_series(scan("coronal_oblique"), STUDY, header, tmp_path)
    first, second = (pydicom.dcmread(w.paths[0]) for w in (honest, lying))
    assert (first.Laterality, first.SeriesDescription) == ("R", "COR OBL PD")
    assert (second.Laterality, second.SeriesDescription) == ("L", "AX T1")
    modifier = second.AnatomicRegionSequence[0].AnatomicRegionModifierSequence[0]
    assert modifier.CodeMeaning == "Left"
    assert second.ImageOrientationPatient == first.ImageOrientationPatient


def test_uids_are_valid_unique_and_bound_to_study_and_seed(tmp_path: Path) -> None:
    stack = scan()
    first = write_series(stack, STUDY, SeriesHeader(1), tmp_path / "a")
    second = write_series(stack, STUDY, SeriesHeader(2), tmp_path / "a")
    multi = write_enhanced(stack, STUDY, SeriesHeader(3), tmp_path / "a")
    headers = [pydicom.dcmread(p) for w in (first, second, multi) for p in w.paths]
    sops = [str(h.SOPInstanceUID) for h in headers]
    assert sops == [*first.sop_uids, *second.sop_uids, *multi.sop_uids]
    assert len(set(sops)) == len(sops) == 11
    assert all(pydicom.uid.UID(uid).is_valid for uid in sops)
    assert {h.FrameOfReferenceUID for h in headers} == {STUDY.frame_of_reference_uid}
    assert {h.StudyInstanceUID for h in headers} == {STUDY.study_uid}
    assert len({h.SeriesInstanceUID for h in headers}) == 3
    assert len({replace(STUDY, seed=8).study_uid, replace(STUDY, key="b").study_uid}) == 2


@pytest.mark.parametrize("writer", ["classic", "enhanced"])
def test_two_runs_write_the_same_bytes(writer: str, tmp_path: Path) -> None:
    def run(folder: Path) -> Written:
        return WRITERS[writer](scan(), STUDY, SeriesHeader(1), folder)

    first, second = run(tmp_path / "a"), run(tmp_path / "b")
    for one, two in zip(first.paths, second.paths, strict=True):
        assert one.name == two.name
        assert one.read_bytes() == two.read_bytes()


def test_lost_slices_keep_the_numbers_of_the_rest(tmp_path: Path) -> None:
    stack = scan(artefacts=Artefacts(missing_slices=(1, 3)))
    written = write_series(stack, STUDY, SeriesHeader(1), tmp_path)
    assert [pydicom.dcmread(p).InstanceNumber for p in written.paths] == [1, 3, 5]
    whole = write_series(scan(), STUDY, SeriesHeader(1), tmp_path / "whole")
    assert [uid for uid in whole.sop_uids if uid in written.sop_uids] == list(written.sop_uids)


def test_an_empty_image_still_has_a_display_window(tmp_path: Path) -> None:
    black = replace(scan(), pixels=np.zeros((5, 24, 36), dtype=np.uint16))
    written = write_series(black, STUDY, SeriesHeader(1), tmp_path)
    assert pydicom.dcmread(written.paths[0]).WindowWidth == 2
    assert errors(written.paths[0]) == []


def test_impossible_headers_are_refused() -> None:
    with pytest.raises(ValueError, match="side must be one of"):
        replace(STUDY, side="middle")
    with pytest.raises(ValueError, match="side must be one of"):
        SeriesHeader(1, labelled_side="middle")  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="at least 1"):
        SeriesHeader(0)
