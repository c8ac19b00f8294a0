"""Optional real series: what is said of each against its inventory; a phantom of printed size."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pydicom
import pytest
import SimpleITK
from pydicom.data import get_testdata_file, get_testdata_files
from scipy.ndimage import map_coordinates

from imgtrack.dicom.headers import Header, read_header
from imgtrack.dicom.naming import NamedStack, name_stack
from imgtrack.dicom.pixels import load_volume
from imgtrack.dicom.regularity import ProblemKind as Kind
from imgtrack.dicom.sources import Refusal, Source, sources
from imgtrack.dicom.stacks import Stack, stacks
from imgtrack.domain.imaging import Modality
from imgtrack.domain.protocol import Plane, Weighting
from imgtrack.measure.plane import PlaneGeometry

COR, SAG, AX = Plane.CORONAL_OBLIQUE, Plane.SAGITTAL_OBLIQUE, Plane.AXIAL
T1, T2, PD = Weighting.T1, Weighting.T2, Weighting.PD

SAID: dict[str, list[tuple[Plane, Weighting | None, int, set[Kind]]]] = {
    "acr_GE_Signa_1.5T_Sagittal_Localizer": [(SAG, T1, 1, {Kind.SINGLE_SLICE})],
    "acr_Siemens_Aera_1.5T_T1": [(AX, T1, 11, set())],
    "ge_3plane_localizer": [(COR, T2, 7, set()), (SAG, T2, 7, set()), (AX, T2, 7, set())],
    "ge_obl_fse_brain_20": [
        (
            AX,
            PD,
            20,
            {Kind.UNEVEN_SPACING, Kind.SHEARED, Kind.STATED_SPACING, Kind.STATED_LOCATION},
        )
    ],
    "philips_mixed_orient_one_series": [(SAG, T2, 2, set()), (AX, T2, 2, set())],
    "siemens_enh_acr_t2": [(AX, T2, 11, set())],
    "siemens_enh_prelocalizer_3plane": [
        (COR, None, 1, {Kind.SINGLE_SLICE}),
        (SAG, None, 1, {Kind.SINGLE_SLICE}),
        (AX, None, 1, {Kind.SINGLE_SLICE}),
    ],
}
"""Plane, weighting, slices and problems of every stack, written down from the headers by hand."""


def taken_in(folder: Path) -> list[NamedStack]:
    """Return the named stacks of a folder, which must hold nothing to refuse."""
    headers = [read_header(source) for source in sources([folder])]
    assert all(isinstance(header, Header) for header in headers)
    return [name_stack(stack) for stack in stacks(headers)]


@pytest.mark.parametrize("name", SAID)
def test_each_series_is_split_and_named(name: str, real_mr: Path) -> None:
    said = [
        (
            named.naming.plane,
            named.naming.weighting,
            len(named.stack.frames),
            {problem.kind for problem in named.stack.problems},
        )
        for named in taken_in(real_mr / name)
    ]
    assert sorted(said, key=str) == sorted(SAID[name], key=str)


def test_nothing_but_the_inventory_is_refused_and_its_counts_are_met(real_mr: Path) -> None:
    refused = [
        found
        for source in sources([real_mr])
        if isinstance(found := read_header(source), Refusal)  # type: ignore[arg-type]
    ]
    assert [Path(refusal.source).name for refusal in refused] == ["INVENTORY.tsv"]
    with (real_mr / "INVENTORY.tsv").open() as file:
        inventory = {row["path"]: row for row in csv.DictReader(file, delimiter="\t")}
    assert inventory.keys() == SAID.keys()
    for name, row in inventory.items():
        if (row["n_files"] or "").isdigit():  # the phantom's rows tell size and use only
            named = taken_in(real_mr / name)
            labels = {f.source.label for each in named for f in each.stack.frames}
            assert len(labels) == int(row["n_files"])
            rows, columns = map(int, row["rows_x_cols"].split("x"))
            assert {(f.rows, f.columns) for e in named for f in e.stack.frames} == {(rows, columns)}
            letters = {"TRA": AX, "SAG": SAG, "COR": COR}
            planes = {letters[part.split(":")[0].split("-")[0].strip()] for part in _planes(row)}
            assert {each.naming.plane for each in named} == planes


def _planes(row: dict[str, str]) -> list[str]:
    """Return the planes an inventory row tells, as ``TRA-obl8`` or ``COR:7``."""
    flags = row["flags"] or ""
    if "planes " in flags:
        return flags.split("planes ")[1].split(";")[0].split(",")
    return [row["iop_class"]]


@pytest.mark.parametrize("name", SAID)
def test_true_volumes_lie_where_simpleitk_puts_them(name: str, real_mr: Path) -> None:
    """SimpleITK 2 as reference, to 1e-6 mm and what the header itself departs from a grid.

    SimpleITK makes one regular grid of a series; ours keeps the place each slice states. Some
    scanners round these to single precision, a few millionths of a millimetre.
    """
    for named in taken_in(real_mr / name):
        stack = named.stack
        if stack.is_volume:
            files = list(dict.fromkeys(str(frame.source.path) for frame in stack.frames))
            image = SimpleITK.ReadImage(files if len(files) > 1 else files[0])
            assert image.GetSize()[2] == len(stack.planes)
            departure = _departure(stack.planes)
            assert departure < 2e-5
            assert _worst(image, stack.planes) < 1e-6 + departure
            pixels = SimpleITK.GetArrayFromImage(image)
            np.testing.assert_array_equal(load_volume(stack).values, pixels)


def _departure(planes: tuple[PlaneGeometry, ...]) -> float:
    """Return how far stated places and directions are from a regular grid, mm."""
    origins = np.array([plane.origin for plane in planes])
    even = np.linspace(origins[0], origins[-1], len(origins))
    row, column = np.array(planes[0].row), np.array(planes[0].column)
    skew = np.abs([row @ row - 1, column @ column - 1, row @ column]).sum()
    reach = np.multiply(planes[0].shape, planes[0].spacing).max()
    return float(np.abs(origins - even).max() + skew * reach)


def _worst(image: SimpleITK.Image, planes: tuple[PlaneGeometry, ...]) -> float:
    """Return the greatest distance between our place of a corner and SimpleITK's, mm."""
    rows, columns = planes[0].shape
    corners = [(0, 0), (rows - 1, 0), (0, columns - 1), (rows - 1, columns - 1)]
    away = [
        np.subtract(
            plane.to_patient([corner])[0],
            image.TransformIndexToPhysicalPoint((corner[1], corner[0], place)),
        )
        for place, plane in enumerate(planes)
        for corner in corners
    ]
    return float(np.linalg.norm(away, axis=1).max())


def edges(profile: np.ndarray) -> tuple[float, float]:
    """Return where a profile first and last passes half of its plateau, in samples."""
    half = np.percentile(profile[profile > profile.max() / 4], 75) / 2
    above = np.flatnonzero(profile >= half)
    first, last = int(above[0]), int(above[-1])
    rise = (half - profile[first - 1]) / (profile[first] - profile[first - 1])
    fall = (half - profile[last + 1]) / (profile[last] - profile[last + 1])
    return first - 1 + rise, last + 1 - fall


def across(stack: Stack, place: int, degrees: float) -> float:
    """Return the width of what a slice shows, through its middle in one direction, mm."""
    image = load_volume(stack).values[place].astype(float)
    shown = np.argwhere(image > np.percentile(image, 95) / 2)
    middle = (shown.min(axis=0) + shown.max(axis=0)) / 2
    along = np.array([np.sin(np.radians(degrees)), np.cos(np.radians(degrees))])
    step = 0.25
    reach = np.arange(-125, 125 + step, step)
    profile = map_coordinates(image, (middle + reach[:, None] * along).T, order=1, cval=0)
    ends = np.array(edges(profile)) * step - 125
    points = stack.planes[place].to_patient(middle + ends[:, None] * along)
    return float(np.linalg.norm(points[1] - points[0]))


@pytest.mark.parametrize("name", ["acr_Siemens_Aera_1.5T_T1", "siemens_enh_acr_t2"])
@pytest.mark.parametrize("place", [0, 6])
@pytest.mark.parametrize("degrees", [0, 45, 90, 135])
def test_the_phantom_has_its_printed_inside_diameter(
    name: str, place: int, degrees: float, real_mr: Path
) -> None:
    """190 mm within 2: Large and Medium Phantom Test Guidance of the ACR, geometric accuracy.

    On the first slice and on the seventh, which is uniform; half of the plateau is the edge.
    """
    (named,) = taken_in(real_mr / name)
    assert across(named.stack, place, degrees) == pytest.approx(190, abs=2)


@pytest.mark.parametrize("column", [100, 112, 142, 154])
def test_the_phantom_has_its_printed_inside_length(column: int, real_mr: Path) -> None:
    """148 mm within 2, head to foot on the sagittal localizer (the same guidance).

    Beside the inserts in the middle, along columns of pixels.
    """
    (named,) = taken_in(real_mr / "acr_GE_Signa_1.5T_Sagittal_Localizer")
    image = load_volume(named.stack).values[0].astype(float)
    low, high = edges(image[:, column])
    ends = named.stack.planes[0].to_patient([(low, column), (high, column)])
    length = ends[1] - ends[0]
    assert np.linalg.norm(length) == pytest.approx(148, abs=2)
    assert abs(length[2]) == pytest.approx(np.linalg.norm(length)), "head to foot"


CLASSES = {
    "1.2.840.10008.5.1.4.1.1.4": Modality.MR,
    "1.2.840.10008.5.1.4.1.1.4.1": Modality.MR,
    "1.2.840.10008.5.1.4.1.1.1": Modality.COMPUTED_RADIOGRAPHY,
}
"""MR, Enhanced MR and CR: PS3.6 table A-1."""

LACKING = {
    # Enhanced MR objects that pydicom cut down to their pixels
    "emri_small": "the frames are not described one by one",
    # private sequences and nothing else
    "priv_SQ": "the image has no size",
    "nested_priv_SQ": "the image has no size",
}


@pytest.mark.filterwarnings("ignore::UserWarning:pydicom")
def test_every_bundled_object_is_taken_or_refused_by_its_class() -> None:
    """Files of pydicom 3 and pydicom-data 1.0: 43 images that are taken, 187 other objects."""
    taken = refused = 0
    for path in map(Path, get_testdata_files()):
        if not path.is_file() or path.read_bytes()[128:132] != b"DICM":
            continue
        ds = pydicom.dcmread(path, stop_before_pixels=True)
        uid = ds.get("SOPClassUID") or ds.file_meta.get("MediaStorageSOPClassUID") or ""
        found = read_header(Source(path.name, path))
        lacking = next((why for name, why in LACKING.items() if path.name.startswith(name)), None)
        if uid in CLASSES and lacking is None:
            assert isinstance(found, Header), found
            assert found.modality is CLASSES[uid]
            taken += 1
        else:
            assert isinstance(found, Refusal)
            odd = found.reason.startswith(("the data set cannot", "the file ends"))
            assert found.reason == lacking or odd or found.found.startswith(uid and uid.name)
            refused += 1
    assert taken >= 43
    assert refused >= 187


BUNDLED = {
    "MR_small.dcm": (AX, T2),
    "MR2_UNCR.dcm": (SAG, T1),
    "examples_overlay.dcm": (AX, None),
}


@pytest.mark.parametrize("name", BUNDLED)
def test_mr_images_bundled_with_pydicom_are_named(name: str) -> None:
    """Planes and weightings written down from the headers by hand."""
    path = get_testdata_file(name, download=False)
    assert path is not None
    header = read_header(Source(name, Path(path)))
    assert isinstance(header, Header)
    (stack,) = stacks([header])
    naming = name_stack(stack).naming
    assert (naming.plane, naming.weighting) == BUNDLED[name]
    ds = pydicom.dcmread(path, stop_before_pixels=True)
    assert stack.frames[0].position == tuple(ds.ImagePositionPatient)
