"""Pixels and patient millimetres on shifted, turned, anisotropic planes; planes that cross."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
import SimpleITK

from imgtrack.domain.errors import InvalidInput
from imgtrack.measure.plane import PlaneGeometry, intersection


def turned(*, about: tuple[float, float, float], degrees: float) -> np.ndarray:
    """Return a rotation matrix made by SimpleITK."""
    turn = SimpleITK.VersorTransform(about, math.radians(degrees))
    return np.array(turn.GetMatrix()).reshape(3, 3)


def plane(directions=None, *, origin=(0.0, 0.0, 0.0), spacing=(1.0, 1.0), shape=(64, 48)):
    directions = np.eye(3) if directions is None else directions
    return PlaneGeometry(
        origin=tuple(origin),
        row=tuple(directions[:, 0].tolist()),
        column=tuple(directions[:, 1].tolist()),
        spacing=spacing,
        shape=shape,
        thickness=3.0,
    )


def as_image(geometry: PlaneGeometry, directions: np.ndarray) -> SimpleITK.Image:
    image = SimpleITK.Image(geometry.shape[1], geometry.shape[0], 1, SimpleITK.sitkUInt8)
    image.SetOrigin(geometry.origin)
    image.SetSpacing((geometry.spacing[1], geometry.spacing[0], 3.0))
    image.SetDirection(directions.ravel().tolist())
    return image


TURNS = [
    ((0, 0, 1), 0.0),
    ((1, 0, 0), 90.0),
    ((0, 1, 0), -90.0),
    ((0, 0, 1), 30.0),
    ((1, -2, 0.5), 41.0),
    ((-1, 1, 3), 163.0),
]
SPACINGS = [(1.0, 1.0), (0.3125, 0.3125), (0.6, 0.25)]
PIXELS = [(0, 0), (0, 47), (63, 0), (63, 47), (10.25, 31.5), (-0.5, -0.5), (63.5, 47.5)]


@pytest.mark.parametrize(("axis", "degrees"), TURNS)
@pytest.mark.parametrize("spacing", SPACINGS)
def test_pixels_lie_where_simpleitk_puts_them(axis, degrees, spacing):
    # Peer: SimpleITK, TransformContinuousIndexToPhysicalPoint on an image of the same geometry.
    directions = turned(about=axis, degrees=degrees)
    geometry = plane(directions, origin=(-83.1, 12.7, 401.9), spacing=spacing)
    image = as_image(geometry, directions)
    expected = [image.TransformContinuousIndexToPhysicalPoint((c, r, 0)) for r, c in PIXELS]
    points = geometry.to_patient(PIXELS)
    np.testing.assert_allclose(points, expected, rtol=0, atol=1e-9)
    np.testing.assert_allclose(geometry.to_pixels(points), PIXELS, rtol=0, atol=1e-9)
    np.testing.assert_allclose(geometry.distance(points), 0, atol=1e-9)


def test_a_point_off_the_plane_falls_along_the_normal_as_in_simpleitk():
    directions = turned(about=(1, 2, 3), degrees=50.0)
    geometry = plane(directions, origin=(5.0, -7.0, 9.0), spacing=(0.6, 0.25))
    image = as_image(geometry, directions)
    point = (11.0, 3.0, -4.0)
    column, row, depth = image.TransformPhysicalPointToContinuousIndex(point)
    np.testing.assert_allclose(geometry.to_pixels([point]), [(row, column)], atol=1e-9)
    np.testing.assert_allclose(geometry.distance([point]), [depth * 3.0], atol=1e-9)


def test_the_example_of_the_standard():
    # DICOM PS3.3 C.7.6.2.1.1: P = S + X * column spacing * i + Y * row spacing * j, X along the
    # row and i the column index; Pixel Spacing gives the spacing between rows first (C.10.7.1.3).
    geometry = PlaneGeometry.from_attributes(
        position=[-20.0, 30.0, 10.0],
        orientation=[0, 1, 0, 0, 0, -1],
        pixel_spacing=[0.5, 0.25],
        rows=4,
        columns=8,
    )
    np.testing.assert_array_equal(geometry.to_patient([(2, 4)]), [(-20.0, 31.0, 9.0)])
    np.testing.assert_array_equal(geometry.normal, [-1, 0, 0])
    assert geometry.thickness is None


def test_rounded_direction_cosines_still_give_pixels_back():
    # PS3.5: a decimal string has at most 16 characters; here 4 decimals as some archives write.
    directions = np.round(turned(about=(1, -2, 0.5), degrees=41.0), 4)
    geometry = plane(directions, origin=(100.0, 0.0, 0.0), spacing=(0.6, 0.25))
    back = geometry.to_pixels(geometry.to_patient(PIXELS))
    np.testing.assert_allclose(back, PIXELS, atol=1e-9)


def test_corners_are_half_a_pixel_outside_the_outer_centres():
    corners = plane(spacing=(2.0, 1.0), shape=(3, 5)).corners
    np.testing.assert_array_equal(corners, [(-0.5, -1, 0), (4.5, -1, 0), (4.5, 5, 0), (-0.5, 5, 0)])


@pytest.mark.parametrize(
    ("point", "covered"),
    [((-0.5, -1, 30), True), ((4.5, 5, -9), True), ((4.6, 0, 0), False), ((0, -1.1, 0), False)],
)
def test_covers_asks_where_a_point_falls_on_the_image(point, covered):
    assert plane(spacing=(2.0, 1.0), shape=(3, 5)).covers(point) is covered


def test_faults_of_a_plane_are_gathered():
    with pytest.raises(InvalidInput) as caught:
        PlaneGeometry(
            origin=(0, 0, 0),
            row=(1, 0.1, 0),
            column=(0.2, 1, 0),
            spacing=(0.5, 0.0),
            shape=(0, 3),
            thickness=-1,
        )
    assert [fault.what for fault in caught.value.faults] == [
        "directions must have length 1",
        "directions must be at right angles",
        "pixel spacing must be above 0",
        "an image needs rows and columns",
        "slice thickness must be above 0",
    ]
    with pytest.raises(InvalidInput, match="not finite"):
        plane(origin=(math.nan, 0, 0))


def test_attributes_of_the_wrong_length_are_named():
    with pytest.raises(InvalidInput) as caught:
        PlaneGeometry.from_attributes(
            position=[1, 2], orientation=[1, 0, 0], pixel_spacing=[1], rows=2, columns=2
        )
    assert len(caught.value.faults) == 3


@pytest.mark.parametrize(
    ("points", "what"),
    [
        ([(1.0, 2.0)], "shape"),
        ([], "no points"),
        ([(1, 2, math.nan)], "finite"),
        (["x"], "no points"),
    ],
)
def test_what_is_no_point_is_refused(points, what):
    with pytest.raises(InvalidInput, match=what):
        plane().to_pixels(points)


def upright(normal: str, *, origin, shape=(64, 48), spacing=(1.0, 1.0)) -> PlaneGeometry:
    """Return an image whose normal is an axis of the patient."""
    axes = {"x": ((0, 1, 0), (0, 0, -1)), "y": ((1, 0, 0), (0, 0, -1)), "z": ((1, 0, 0), (0, 1, 0))}
    row, column = axes[normal]
    return PlaneGeometry(origin, row, column, spacing, shape)


def test_planes_cross_where_simple_geometry_says():
    # y = 10 seen from z = 5: a line along x at y 10, z 5, over the extent common to both.
    axial = upright("z", origin=(0.0, 0.0, 5.0), shape=(64, 48))
    coronal = upright("y", origin=(4.0, 10.0, 40.0), shape=(64, 20))
    line = intersection(axial, coronal)
    assert line is not None
    np.testing.assert_allclose(sorted(line.tolist()), [(3.5, 10, 5), (23.5, 10, 5)], atol=1e-9)
    # The same piece is drawn on both images.
    other = intersection(coronal, axial)
    np.testing.assert_allclose(sorted(other.tolist()), sorted(line.tolist()), atol=1e-9)


def test_parallel_planes_and_planes_that_miss_have_no_line():
    axial = upright("z", origin=(0.0, 0.0, 5.0))
    assert intersection(axial, upright("z", origin=(0.0, 0.0, 9.0))) is None
    # Beside the image along x; above it along z; and before its first row, along y.
    assert intersection(axial, upright("y", origin=(60.0, 10.0, 40.0))) is None
    assert intersection(axial, upright("y", origin=(0.0, 10.0, 4.0))) is None
    assert intersection(axial, upright("y", origin=(0.0, -3.0, 40.0))) is None


@pytest.mark.parametrize(
    ("one", "other"), list(itertools.combinations([TURNS[1], TURNS[2], TURNS[4]], 2))
)
def test_the_line_of_oblique_planes_lies_in_both_and_ends_at_an_edge(one, other):
    centre = np.array([20.0, -30.0, 50.0])

    def centred(turn):
        directions = turned(about=turn[0], degrees=turn[1])
        geometry = plane(directions, spacing=(0.6, 0.8))
        middle = geometry.to_patient([(31.5, 23.5)])[0]
        return plane(directions, origin=tuple((centre - middle).tolist()), spacing=(0.6, 0.8))

    a, b = centred(one), centred(other)
    line = intersection(a, b)
    assert line is not None
    for geometry in (a, b):
        np.testing.assert_allclose(geometry.distance(line), 0, atol=1e-9)
    # Each end touches an outer edge of one image and is inside the other.
    for end in line:
        places = [geometry.to_pixels([end])[0] for geometry in (a, b)]
        beyond = [np.maximum(-0.5 - p, p - np.array(a.shape) + 0.5).max() for p in places]
        assert max(beyond) == pytest.approx(0, abs=1e-9)
    # The common centre lies on the line.
    along = (line[1] - line[0]) / np.linalg.norm(line[1] - line[0])
    assert np.linalg.norm(np.cross(centre - line[0], along)) == pytest.approx(0, abs=1e-9)
