"""Between the patient and a pane, against geometry by hand and the DICOM standard."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from imgtrack.desk.cases.images import ShownImage, ShownPixels, ShownSeries
from imgtrack.domain.protocol import Plane, Weighting
from imgtrack.measure.plane import PlaneGeometry
from imgtrack_napari.conversion import (
    crossing_line,
    layer_kwargs,
    letters,
    placed_at,
    to_pane,
    to_patient,
)
from imgtrack_napari.grey import GreyMemory, Window, window_of

CORONAL = PlaneGeometry((-80, -20, 80), (1, 0, 0), (0, 0, -1), (0.5, 0.5), (320, 320), 4.0)
SAGITTAL = PlaneGeometry((20, -80, 80), (0, 1, 0), (0, 0, -1), (0.5, 0.5), (320, 320), 4.0)
AXIAL = PlaneGeometry((-80, -80, 10), (1, 0, 0), (0, 1, 0), (0.8, 0.5), (200, 320), 4.0)


def image(plane, alias="0.1.1"):
    return ShownImage(alias, *plane.shape, plane.spacing, plane)


def series(planes=(CORONAL,), weighting=Weighting.PD_FAT_SUPPRESSED):
    images = tuple(image(plane, f"0.1.{n}") for n, plane in enumerate(planes, 1))
    return ShownSeries("0.1", 0, Plane.CORONAL_OBLIQUE, weighting, "magnitude", images, 4.4)


@st.composite
def oblique(draw):
    """A plane turned any way, with unequal spacing and a place of its own."""
    numbers = draw(st.lists(st.floats(-1, 1), min_size=6, max_size=6))
    basis, _ = np.linalg.qr(np.reshape([*numbers, 0.3, 0.5, 0.7], (3, 3)) + 1.5 * np.eye(3))
    origin = draw(st.lists(st.floats(-300, 300), min_size=3, max_size=3))
    rows, columns = draw(st.tuples(st.floats(0.1, 2), st.floats(0.1, 2)))
    return PlaneGeometry(tuple(origin), tuple(basis[0]), tuple(basis[1]), (rows, columns), (64, 80))


@settings(deadline=None)
@given(oblique(), st.floats(-10, 70), st.floats(-10, 90))
def test_there_and_back_is_exact_on_any_plane(plane, y, x):
    at = (y, x)
    assert to_pane(image(plane), to_patient(image(plane), at)) == pytest.approx(at, abs=1e-9)


@settings(deadline=None)
@given(oblique(), st.tuples(*[st.floats(0, 50)] * 4))
def test_lengths_in_a_pane_are_lengths_in_the_patient(plane, four):
    """A pane is in mm: distances are kept, whatever the spacing."""
    one, other = four[:2], four[2:]
    ends = np.array([to_patient(image(plane), each) for each in (one, other)])
    apart = np.linalg.norm(ends[0] - ends[1])
    assert apart == pytest.approx(np.linalg.norm(np.subtract(one, other)), abs=1e-9)


def test_a_place_by_hand():
    """Row 10, column 30 of the axial image: 10 x 0.8 mm down, 30 x 0.5 mm along."""
    assert to_patient(image(AXIAL), (8.0, 15.0)) == pytest.approx((-65.0, -72.0, 10.0))


def test_letters_follow_the_standard():
    """Patient axes are L, P and towards the head (DICOM PS3.3 C.7.6.2.1.1)."""
    assert letters(CORONAL) == {"right": "L", "left": "R", "bottom": "I", "top": "S"}
    assert letters(SAGITTAL) == {"right": "P", "left": "A", "bottom": "I", "top": "S"}
    assert letters(AXIAL) == {"right": "L", "left": "R", "bottom": "P", "top": "A"}
    assert letters(None) == {}


def test_an_oblique_direction_has_two_letters_the_nearer_axis_first():
    turned = (np.cos(np.radians(30)), np.sin(np.radians(30)), 0.0)  # 30 degrees from L towards P
    plane = PlaneGeometry((0, 0, 0), turned, (0, 0, -1), (1, 1), (10, 10))
    assert letters(plane)["right"] == "LP"
    assert letters(plane)["left"] == "RA"


def test_planes_cross_where_both_are():
    """The sagittal image at x = 20 crosses the coronal one 100 mm along its rows, all the way."""
    begin, end = crossing_line(image(CORONAL), image(SAGITTAL))
    assert begin[1] == end[1] == pytest.approx(100.0)
    assert sorted((begin[0], end[0])) == pytest.approx([-0.25, 159.75])
    assert crossing_line(image(CORONAL), image(CORONAL)) is None


def test_nothing_is_placed_beside_the_image():
    assert placed_at(image(CORONAL), (-1.0, 5.0)) is None
    assert placed_at(image(CORONAL), (5.0, 159.9)) is None
    placed = placed_at(image(CORONAL), (0.0, 159.5))
    assert placed.point == pytest.approx((79.5, -20.0, 80.0))
    assert placed.image == "0.1.1"


def test_a_radiograph_is_in_mm_of_its_own_plane():
    flat = ShownImage("0.1.1", 100, 80, (0.2, 0.4), None)
    assert to_patient(flat, (3.0, 7.0)) == (7.0, 3.0)
    assert to_pane(flat, (7.0, 3.0)) == (3.0, 7.0)


def test_a_layer_has_scale_only_and_a_name_that_tells_nothing():
    values = np.zeros((1, 320, 320), np.uint16)
    found = layer_kwargs(series(), ShownPixels(values, inverted=True), Window(3, 9))
    assert found["scale"] == (1.0, 0.5, 0.5)
    assert found["contrast_limits"] == (3, 9)
    assert found["colormap"] == "gray_r"
    assert found["name"] == "images"
    assert not {"translate", "rotate", "affine", "metadata"} & found.keys()


def test_the_grey_window_leaves_out_the_ground_and_the_brightest_specks():
    tissue = np.tile(np.linspace(100, 200, 1000), 10)
    values = np.concatenate([np.zeros(50_000), tissue, np.full(5, 4000)])
    found = window_of(values)
    assert 100 <= found.low < 105
    assert 195 < found.high <= 205


@pytest.mark.parametrize("values", [np.zeros(10), np.full(10, np.nan), np.full(10, 7.0)])
def test_a_flat_image_has_a_window_too(values):
    found = window_of(values)
    assert found.high > found.low


def test_a_window_is_remembered_by_weighting_as_a_share():
    memory = GreyMemory()
    first, bright = Window(0, 100), Window(0, 1000)
    memory.keep(series(), Window(20, 60), first)
    recalled = memory.recall(series(), bright)
    assert (recalled.low, recalled.high) == pytest.approx((200.0, 600.0))
    assert memory.recall(series(weighting=Weighting.T1), bright) == bright
    memory.forget(series())
    assert memory.recall(series(), bright) == bright
