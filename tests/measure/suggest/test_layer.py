"""The cuff rolled out on one slice: what is a gap, where it ends, where the bone begins."""

from __future__ import annotations

import numpy as np
import pytest

from imgtrack.measure.plane import PlaneGeometry
from imgtrack.measure.suggest.head import Head
from imgtrack.measure.suggest.layer import (
    HEIGHTS_MM,
    Layer,
    crossing,
    floor_height,
    gaps,
    roll_out,
    roll_out_along,
    runs,
)

RADIUS = 24.0
FLUID, DARK = 500.0, 20.0
HALF = (FLUID + DARK) / 2


def layer(paint) -> Layer:
    """Return a layer painted by ``paint(height, along)``, both in mm, ``along`` on the bone."""
    radii = RADIUS + HEIGHTS_MM
    angles = np.linspace(-1.5, 1.5, 361)
    height, angle = np.meshgrid(HEIGHTS_MM, angles, indexing="ij")
    signal = np.where(paint(height, angle * (RADIUS + 2)), FLUID, DARK)
    return Layer(7, np.zeros(3), np.eye(3)[:2], radii, angles, signal)


def ends(made: Layer) -> list[tuple[float, float]]:
    """Gaps in mm along the head."""
    return [
        (made.angles[first] * (RADIUS + 2), made.angles[last] * (RADIUS + 2))
        for first, last in gaps(made, HALF)
    ]


def test_fluid_through_the_whole_cuff_is_a_gap():
    (found,) = ends(layer(lambda h, s: (h > 0.5) & (h < 5) & (s > -6) & (s < 9)))
    assert found == pytest.approx((-6, 9), abs=0.5)


@pytest.mark.parametrize(
    "paint",
    [
        lambda h, s: (h > 0.5) & (h < 2.5),  # beneath an intact tendon
        lambda h, s: h > 4.0,  # on an intact tendon
        lambda h, s: (h > 2.5) & (h < 6) & (abs(s) < 8),  # bursal side, tendon left on the bone
        lambda h, s: (h > 1.5) & (h < 4) & (abs(s) < 8),  # within the tendon
        lambda h, s: np.zeros_like(h, dtype=bool),
    ],
)
def test_fluid_that_leaves_tendon_is_no_gap(paint):
    assert ends(layer(paint)) == []


def test_a_strand_thinner_than_a_millimetre_does_not_part_a_gap():
    def with_strand(width):
        return layer(lambda h, s: (h > 0.5) & (h < 5) & (abs(s) < 8) & (abs(s - 1) > width / 2))

    assert len(ends(with_strand(0.3))) == 1
    assert len(ends(with_strand(3.0))) == 2


def test_beyond_the_image_there_is_no_gap():
    made = layer(lambda h, s: (h > 0.5) & (h < 5) & (abs(s) < 8))
    made.signal[:, made.angles > 0] = np.nan
    ((start, end),) = ends(made)
    assert start == pytest.approx(-8, abs=0.5)
    assert end == pytest.approx(0, abs=0.5)


def test_runs_of_true_values():
    assert runs(np.array([True, True, False, True, False, True])) == ((0, 1), (3, 3), (5, 5))
    assert runs(np.zeros(4, dtype=bool)) == ()


def soft(made: Layer, start: float, end: float, blur: float = 0.8) -> Layer:
    """Return the layer with a gap whose ends are blurred; mm along the head."""
    along = made.angles * (RADIUS + 2)
    share = 1 / (1 + np.exp(-(along - start) / blur)) - 1 / (1 + np.exp(-(along - end) / blur))
    made.signal[:] = DARK + (FLUID - DARK) * share
    return made


@pytest.mark.parametrize(("start", "end"), [(-6.3, 9.1), (-4.05, 12.4)])
def test_a_blurred_end_is_where_the_signal_has_fallen_half_way(start, end):
    made = soft(layer(lambda h, s: h > 99), start, end)
    ((first, last),) = gaps(made, HALF)
    found = [
        crossing(made, first, outwards=-1, height_mm=3),
        crossing(made, last, outwards=1, height_mm=3),
    ]
    np.testing.assert_allclose(np.array(found) * (RADIUS + 2), (start, end), atol=0.15)


def test_an_end_without_a_fall_stays_where_it_is():
    bright = layer(lambda h, s: h > -99)
    assert crossing(bright, 200, outwards=1, height_mm=3) == bright.angles[200]
    # Nor does an end at the rim of what was rolled out, or one that rises.
    assert crossing(bright, 360, outwards=1, height_mm=3) == bright.angles[360]
    rising = soft(layer(lambda h, s: h > 99), 0, 60)
    assert crossing(rising, 180, outwards=1, height_mm=3) == rising.angles[180]


@pytest.mark.parametrize("floor", [-0.6, 0.4, 1.3])
def test_the_floor_is_where_bone_gives_way_to_fluid(floor):
    made = layer(lambda h, s: h > 99)
    rise = 1 / (1 + np.exp(-(HEIGHTS_MM - floor) / 0.3))
    made.signal[:] = (DARK + (FLUID - DARK) * rise)[:, np.newaxis]
    assert floor_height(made, 100, 120) == pytest.approx(floor, abs=0.1)


def test_without_bone_the_floor_is_the_lowest_height():
    made = layer(lambda h, s: h > -99)
    assert floor_height(made, 100, 120) == HEIGHTS_MM[0]


HEAD = Head((5.0, -3.0, 20.0), RADIUS, 0.5, 900)
PLANE = PlaneGeometry((-45.0, 0.0, 70.0), (1, 0, 0), (0, 0, -1), (0.5, 0.5), (200, 200))


class OneSlice:
    """A series of one image that shows the distance from the head's centre."""

    def __init__(self, plane: PlaneGeometry) -> None:
        self.stack = self
        self.planes = (plane,)

    def at(self, points):
        return np.linalg.norm(np.asarray(points) - HEAD.centre, axis=1)

    def image(self, number):
        rows, columns = np.indices(self.planes[0].shape)
        pixels = np.column_stack([rows.ravel(), columns.ravel()])
        return self.at(self.planes[0].to_patient(pixels)).reshape(self.planes[0].shape)


def test_every_height_of_a_slice_keeps_its_distance_from_the_bone():
    made = roll_out(OneSlice(PLANE), 0, HEAD, first_axis=np.array([0.0, 0.4, 1.0]))
    expected = np.broadcast_to((RADIUS + HEIGHTS_MM)[:, np.newaxis], made.signal.shape)
    np.testing.assert_allclose(made.signal, expected, atol=0.01)
    # The slice passes 3 mm from the centre; angles count from upwards.
    np.testing.assert_allclose(made.centre, (5, 0, 20), atol=1e-12)
    top = made.point(0.0, 2.0)
    np.testing.assert_allclose(top[:2], (5, 0), atol=1e-9)
    assert np.linalg.norm(top - HEAD.centre) == pytest.approx(RADIUS + 2, abs=1e-9)
    assert made.angle_of(top) == pytest.approx(0, abs=1e-12)
    assert made.angle_of(made.point(0.7, 1.0)) == pytest.approx(0.7, abs=1e-12)


def test_a_plane_through_the_centre_need_not_be_a_slice():
    axes = np.array([[0.0, 0.6, 0.8], [1.0, 0.0, 0.0]])
    made = roll_out_along(OneSlice(PLANE), 3, HEAD, axes=axes)
    assert made.number == 3
    expected = np.broadcast_to((RADIUS + HEIGHTS_MM)[:, np.newaxis], made.signal.shape)
    np.testing.assert_allclose(made.signal, expected, atol=1e-9)
    np.testing.assert_allclose(made.point(0.0, 0.0), HEAD.centre + RADIUS * axes[0], atol=1e-9)


@pytest.mark.parametrize(("depth", "used"), [(22.0, True), (23.0, False), (40.0, False)])
def test_a_slice_that_grazes_or_misses_the_head_is_left_out(depth, used):
    beside = PlaneGeometry(
        (-45.0, -3.0 + depth, 70.0), (1, 0, 0), (0, 0, -1), (0.5, 0.5), (200, 200)
    )
    made = roll_out(OneSlice(beside), 0, HEAD, first_axis=np.array([0.0, 0.0, 1.0]))
    assert (made is not None) is used
