"""Scans of analytic objects by the synthetic scanner: what was prescribed is what is found."""

from __future__ import annotations

from datetime import date, time
from pathlib import Path

import numpy as np
import pytest

from imgtrack.dicom.headers import Header, read_header
from imgtrack.dicom.naming import NamedStack, name_stack
from imgtrack.dicom.pixels import load_volume
from imgtrack.dicom.records import Part
from imgtrack.dicom.regularity import ProblemKind
from imgtrack.dicom.sources import sources
from imgtrack.dicom.stacks import stacks
from imgtrack.domain.protocol import Plane
from imgtrack.domain.protocol import Weighting as Named
from imgtrack.domain.subjects import Side
from synthetic_scans.phantom.tissue import Tissue
from synthetic_scans.planes import PLANES, frames
from synthetic_scans.scanner import Acquisition, Artefacts, Stack, Weighting, acquire, acquire_dixon
from synthetic_scans.scanner.targets import ball
from synthetic_scans.spec import ShoulderSpec
from synthetic_scans.writing.enhanced import write_enhanced
from synthetic_scans.writing.headers import SeriesHeader, StudyHeader
from synthetic_scans.writing.identities import invent
from synthetic_scans.writing.mr import write_series

WRITERS = {"classic": write_series, "enhanced": write_enhanced}
RADIUS = 28.0
USUAL = {"n_slices": 9, "matrix": (60, 72), "fov_mm": (90.0, 108.0), "samples": 2, "snr": None}
PLANE_NAMES = {
    "coronal_oblique": Plane.CORONAL_OBLIQUE,
    "sagittal_oblique": Plane.SAGITTAL_OBLIQUE,
    "axial": Plane.AXIAL,
}
WEIGHTING_NAMES = {
    Weighting.PD: Named.PD,
    Weighting.PD_FAT_SUPPRESSED: Named.PD_FAT_SUPPRESSED,
    Weighting.T1: Named.T1,
    Weighting.T2_FAT_SUPPRESSED: Named.T2_FAT_SUPPRESSED,
    Weighting.STIR: Named.STIR,
}


def study(side: str) -> StudyHeader:
    """Return the header of an examination."""
    identity = invent(np.random.default_rng(7))
    return StudyHeader(7, f"demo/{side}", side, date(2025, 3, 14), time(9, 26), identity)


def scan(
    spec: ShoulderSpec, plane: str, weighting: Weighting = Weighting.PD, **how: object
) -> Stack:
    """Scan a ball in the middle of the stack."""
    frame = frames(spec)[plane]
    acquisition = Acquisition(plane, weighting, **(USUAL | how))
    target = ball(frame.centre, RADIUS, Tissue.MUSCLE)
    return acquire(target, acquisition, frame, np.random.default_rng(1), workers=1)


def taken_in(folder: Path) -> list[NamedStack]:
    """Return the named stacks of a folder's files."""
    headers = [read_header(source) for source in sources([folder])]
    assert all(isinstance(header, Header) for header in headers)
    return [name_stack(stack) for stack in stacks(headers)]


@pytest.mark.parametrize("writer", WRITERS)
@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("seed", [1, 2])
def test_planes_and_sides_of_varied_shoulders(
    seed: int, side: str, writer: str, tmp_path: Path
) -> None:
    """Scapulae of 28 to 44 degrees: half of the normals lie near half way between two planes."""
    spec = ShoulderSpec.vary(seed, side)
    for number, plane in enumerate(PLANES, start=1):
        stack = scan(spec, plane, n_slices=3, matrix=(8, 8), samples=1)
        # descriptions that tell nothing, so that geometry alone decides
        series = SeriesHeader(number, description="SERIES")
        WRITERS[writer](stack, study(side), series, tmp_path)
    named = taken_in(tmp_path)
    assert [each.naming.plane for each in named] == [PLANE_NAMES[plane] for plane in PLANES]
    for each in named:
        assert each.naming.side is Side(side)
        assert not each.naming.sides_conflict
        assert {"position"} <= {claim.source for claim in each.naming.side_claims}


@pytest.mark.parametrize("writer", WRITERS)
@pytest.mark.parametrize("weighting", WEIGHTING_NAMES)
def test_weightings(weighting: Weighting, writer: str, tmp_path: Path) -> None:
    stack = scan(
        ShoulderSpec(side="right"), "axial", weighting, n_slices=2, matrix=(8, 8), samples=1
    )
    series = SeriesHeader(1, description="SERIES")
    WRITERS[writer](stack, study("right"), series, tmp_path)
    (named,) = taken_in(tmp_path)
    assert named.naming.weighting is WEIGHTING_NAMES[weighting]
    assert named.naming.weighting_certainty.is_trusted


@pytest.mark.parametrize("writer", WRITERS)
def test_dixon_images_of_one_series_are_taken_apart(writer: str, tmp_path: Path) -> None:
    spec = ShoulderSpec(side="left")
    how = USUAL | {"n_slices": 3, "matrix": (8, 8), "samples": 1}
    acquisition = Acquisition("axial", Weighting.DIXON, **how)
    frame = frames(spec)["axial"]
    target = ball(frame.centre, RADIUS, Tissue.MUSCLE)
    parts = acquire_dixon(target, acquisition, frame, np.random.default_rng(1), workers=1)
    made = (parts.water, parts.fat, parts.in_phase, parts.opposed_phase)
    for number, stack in enumerate(made, start=1):
        WRITERS[writer](stack, study("left"), SeriesHeader(number), tmp_path / f"{number}")
    named = taken_in(tmp_path)
    expected = [Part.WATER, Part.FAT, Part.IN_PHASE, Part.OPPOSED_PHASE]
    assert [each.naming.part for each in named] == expected
    assert {each.naming.weighting for each in named} == {Named.DIXON}


@pytest.mark.parametrize("writer", WRITERS)
@pytest.mark.parametrize("plane", PLANES)
def test_points_and_pixels_are_where_the_scanner_put_them(
    plane: str, writer: str, tmp_path: Path
) -> None:
    """The scanner's own geometry, to the 1e-6 mm that decimal strings of 16 characters keep."""
    scanned = scan(ShoulderSpec.vary(5, "right"), plane)
    WRITERS[writer](scanned, study("right"), SeriesHeader(1), tmp_path)
    (named,) = taken_in(tmp_path)
    stack = named.stack
    assert stack.is_volume
    assert stack.spacing_mm == pytest.approx(scanned.spacing, abs=1e-6)
    for place, row, column in ((0, 0, 0), (4, 13.5, 7.25), (8, 59, 71)):
        ours = stack.planes[place].to_patient([(row, column)])[0]
        assert ours == pytest.approx(scanned.to_patient((place, row, column)), abs=1e-6)
    np.testing.assert_array_equal(load_volume(stack).values, scanned.pixels)


def crossing(profile: np.ndarray) -> tuple[float, float]:
    """Return where a profile first and last passes half of its middle."""
    half = np.median(profile[profile > profile.max() / 2]) / 2
    above = np.flatnonzero(profile >= half)
    first, last = int(above[0]), int(above[-1])
    rise = (half - profile[first - 1]) / (profile[first] - profile[first - 1])
    fall = (half - profile[last + 1]) / (profile[last] - profile[last + 1])
    return first - 1 + rise, last + 1 - fall


@pytest.mark.parametrize("plane", PLANES)
def test_a_ball_measured_through_the_geometry_has_its_diameter(plane: str, tmp_path: Path) -> None:
    """Analytic object: 56 mm through its centre, along rows and columns of 1.5 mm pixels."""
    spec = ShoulderSpec.vary(3, "left")
    write_series(scan(spec, plane, samples=64), study("left"), SeriesHeader(1), tmp_path)
    (named,) = taken_in(tmp_path)
    middle = named.stack.planes[4]
    image = load_volume(named.stack).values[4].astype(float)
    row, column = np.rint(middle.to_pixels([frames(spec)[plane].centre])[0]).astype(int)
    low, high = crossing(image[row])
    along = middle.to_patient([(row, low), (row, high)])
    low, high = crossing(image[:, column])
    across = middle.to_patient([(low, column), (high, column)])
    assert np.linalg.norm(along[1] - along[0]) == pytest.approx(2 * RADIUS, abs=0.3)
    assert np.linalg.norm(across[1] - across[0]) == pytest.approx(2 * RADIUS, abs=0.3)
    assert along.mean(axis=0) == pytest.approx(frames(spec)[plane].centre, abs=1.1)


@pytest.mark.parametrize("writer", WRITERS)
def test_lost_slices_are_found(writer: str, tmp_path: Path) -> None:
    lost = Artefacts(missing_slices=(2, 5, 6))
    scanned = scan(ShoulderSpec(side="right"), "axial", artefacts=lost, matrix=(8, 8), samples=1)
    WRITERS[writer](scanned, study("right"), SeriesHeader(1), tmp_path)
    (named,) = taken_in(tmp_path)
    (problem,) = named.stack.problems
    assert problem.kind is ProblemKind.MISSING_SLICES
    assert problem.text.startswith("3 slices are missing at a distance of 3.300 mm")


def test_a_wrong_side_in_the_header_is_in_conflict(tmp_path: Path) -> None:
    stack = scan(ShoulderSpec.vary(1, "right"), "axial", n_slices=2, matrix=(8, 8), samples=1)
    series = SeriesHeader(1, labelled_side="left")
    write_series(stack, study("right"), series, tmp_path)
    (named,) = taken_in(tmp_path)
    assert named.naming.sides_conflict


def test_a_wrong_plane_in_the_description_changes_nothing(tmp_path: Path) -> None:
    stack = scan(ShoulderSpec.vary(1, "right"), "axial", n_slices=2, matrix=(8, 8), samples=1)
    write_series(stack, study("right"), SeriesHeader(1, description="SAG OBL T1"), tmp_path)
    (named,) = taken_in(tmp_path)
    assert named.naming.plane is Plane.AXIAL
    assert named.naming.weighting is Named.PD
