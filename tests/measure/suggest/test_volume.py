"""Signal at points of a series, against SimpleITK."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
import SimpleITK

from imgtrack.domain.errors import InvalidInput
from imgtrack.measure.plane import PlaneGeometry
from imgtrack.measure.stack import Stack
from imgtrack.measure.suggest.volume import Volume, sample

TURN = np.radians(25)
ROW = np.array([np.cos(TURN), np.sin(TURN), 0.0])
COLUMN = np.array([0.0, 0.0, -1.0])
NORMAL = np.cross(ROW, COLUMN)
ORIGIN = np.array([-60.0, 20.0, 70.0])
SPACING = (0.7, 0.4)
PITCH = 3.3


def volume(shape=(5, 12, 16)) -> Volume:
    pixels = np.random.default_rng(4).integers(0, 900, shape).astype(np.uint16)
    planes = tuple(
        PlaneGeometry(
            origin=tuple((ORIGIN + number * PITCH * NORMAL).tolist()),
            row=tuple(ROW.tolist()),
            column=tuple(COLUMN.tolist()),
            spacing=SPACING,
            shape=shape[1:],
        )
        for number in range(shape[0])
    )
    return Volume(pixels, Stack(planes))


def as_image(made: Volume) -> SimpleITK.Image:
    image = SimpleITK.GetImageFromArray(made.pixels.astype(np.float64))
    image.SetOrigin(ORIGIN.tolist())
    image.SetSpacing((SPACING[1], SPACING[0], PITCH))
    image.SetDirection(np.column_stack([ROW, COLUMN, NORMAL]).ravel().tolist())
    return image


def places(made: Volume, count=40) -> np.ndarray:
    rng = np.random.default_rng(5)
    slices, rows, columns = (np.array(made.pixels.shape) - 1)[:, None] * rng.random((3, count))
    steps = np.column_stack([slices * PITCH, rows * SPACING[0], columns * SPACING[1]])
    return ORIGIN + steps @ np.array([NORMAL, COLUMN, ROW])


def test_between_slices_the_signal_is_linear_as_in_simpleitk():
    made = volume()
    points = places(made)
    image = as_image(made)
    expected = [image.EvaluateAtPhysicalPoint(p.tolist(), SimpleITK.sitkLinear) for p in points]
    np.testing.assert_allclose(made.at(points), expected, atol=1e-6)


def test_within_a_slice_the_signal_is_linear_as_in_simpleitk():
    made = volume()
    plane = made.stack.planes[2]
    onto = places(made) - np.outer(plane.distance(places(made)), NORMAL)
    image = as_image(made)
    # A hair towards the inside of the slice keeps SimpleITK's own bounds check content.
    expected = [image.EvaluateAtPhysicalPoint(p.tolist(), SimpleITK.sitkLinear) for p in onto]
    np.testing.assert_allclose(sample(made.image(2), plane, onto), expected, atol=1e-6)
    # Points off the slice are moved onto it along its normal.
    np.testing.assert_allclose(sample(made.image(2), plane, onto + 9 * NORMAL), expected, atol=1e-6)


@pytest.mark.parametrize("order", [1, 3])
def test_pixel_centres_keep_their_values(order):
    made = volume()
    rows, columns = np.indices((12, 16))
    pixels = np.column_stack([rows.ravel(), columns.ravel()])
    plane = made.stack.planes[1]
    found = sample(made.image(1), plane, plane.to_patient(pixels), order=order)
    inside = ~np.isnan(found)  # rounding may put an outer centre outside
    assert inside.mean() > 0.75
    np.testing.assert_allclose(found[inside], made.image(1).ravel()[inside], atol=1e-6)


def test_outside_there_is_no_signal():
    made = volume()
    first = made.stack.planes[0]
    beside = first.to_patient([(-0.2, 5), (5, 15.2)])
    assert np.isnan(sample(made.image(0), first, beside)).all()
    assert np.isnan(made.at(beside)).all()
    assert np.isnan(made.at(first.to_patient([(5, 5)]) - 0.1 * NORMAL)).all()


def test_pixels_that_do_not_fit_are_refused():
    made = volume()
    with pytest.raises(InvalidInput, match=r"expected \(5, 12, 16\); found \(4, 12, 16\)"):
        Volume(made.pixels[:4], made.stack)


@pytest.mark.parametrize("change", ["shifted", "zoomed"])
def test_slices_that_do_not_lie_squarely_on_each_other_are_refused(change):
    made = volume()
    *others, last = made.stack.planes
    if change == "shifted":
        last = dataclasses.replace(last, origin=tuple((np.array(last.origin) + ROW).tolist()))
    else:
        last = dataclasses.replace(last, spacing=(0.7, 0.5))
    with pytest.raises(InvalidInput, match="squarely"):
        Volume(made.pixels, Stack((*others, last)))
