"""Edges along a drawn line: blurred steps at known places, finer than a pixel."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import special

from imgtrack.domain.errors import InvalidInput
from imgtrack.measure.plane import PlaneGeometry
from imgtrack.measure.suggest.edge import Edge, edge_along, edges_near_ends

PLANE = PlaneGeometry(
    origin=(10.0, -40.0, 60.0),
    row=(0.6, 0.8, 0.0),
    column=(0.0, 0.0, -1.0),
    spacing=(0.6, 0.45),
    shape=(80, 100),
)
BLUR = 0.5
DIRECTION = np.array([0.6, 0.8, 0.0]) * np.cos(0.4) + np.array([0.0, 0.0, -1.0]) * np.sin(0.4)
MIDDLE = PLANE.to_patient([(40, 50)])[0]


def along() -> np.ndarray:
    """Distance of every pixel, mm, along a slanted direction from the middle of the image."""
    rows, columns = np.indices(PLANE.shape)
    points = PLANE.to_patient(np.column_stack([rows.ravel(), columns.ravel()]))
    return ((points - MIDDLE) @ DIRECTION).reshape(PLANE.shape)


def step(at: float, low: float = 40.0, high: float = 300.0) -> np.ndarray:
    """A step blurred by a Gaussian of 0.5 mm (error function), sampled at pixel centres."""
    share = (1 + special.erf((along() - at) / (BLUR * np.sqrt(2)))) / 2
    return low + (high - low) * share


def line(start: float, end: float) -> np.ndarray:
    return np.array([MIDDLE + start * DIRECTION, MIDDLE + end * DIRECTION])


@pytest.mark.parametrize("at", [-1.37, -0.2, 0.0, 0.113, 0.5, 1.9])
def test_an_edge_is_found_to_a_twentieth_of_a_millimetre(at):
    found = edge_along(step(at), PLANE, line(-5, 5))
    assert found.along_mm == pytest.approx(5 + at, abs=0.05)
    np.testing.assert_allclose(found.point, MIDDLE + at * DIRECTION, atol=0.05)
    assert found.before == pytest.approx(40, abs=15)
    assert found.after == pytest.approx(300, abs=15)


def test_noise_moves_an_edge_by_less_than_a_pixel():
    # Contrast 260 over a noise of 13, a ratio of 20.
    rng = np.random.default_rng(2)
    errors = [
        edge_along(step(0.3) + rng.normal(0, 13, PLANE.shape), PLANE, line(-5, 5)).along_mm - 5.3
        for _ in range(20)
    ]
    assert np.abs(errors).max() < 0.25
    assert abs(np.mean(errors)) < 0.05


def test_a_line_drawn_the_other_way_finds_the_same_place():
    there, back = (
        edge_along(step(0.4), PLANE, line(-5, 5)),
        edge_along(step(0.4), PLANE, line(5, -5)),
    )
    np.testing.assert_allclose(there.point, back.point, atol=0.02)
    assert back.along_mm == pytest.approx(4.6, abs=0.05)
    assert back.before > back.after


def test_the_wanted_change_is_chosen_and_not_the_steepest():
    # Dark to bright at -2, a steeper bright to dark at +2.
    image = step(-2, 40, 200) - step(2, 0, 400)
    assert edge_along(image, PLANE, line(-6, 6)).along_mm == pytest.approx(8, abs=0.05)
    brighter = edge_along(image, PLANE, line(-6, 6), edge=Edge.BRIGHTER)
    assert brighter.along_mm == pytest.approx(4, abs=0.05)
    darker = edge_along(image, PLANE, line(-6, 6), edge=Edge.DARKER)
    assert darker.along_mm == pytest.approx(8, abs=0.05)


def test_a_clear_edge_stands_out_from_the_noise():
    rng = np.random.default_rng(3)
    clear = edge_along(step(0) + rng.normal(0, 5, PLANE.shape), PLANE, line(-5, 5))
    flat = edge_along(rng.normal(100, 5, PLANE.shape), PLANE, line(-5, 5))
    assert clear.clarity > 20
    assert flat.clarity < 5


def test_without_the_wanted_change_there_is_no_edge():
    assert edge_along(np.full(PLANE.shape, 7.0), PLANE, line(-5, 5)) is None
    ramp = along()
    assert edge_along(ramp, PLANE, line(-5, 5), edge=Edge.DARKER) is None


def test_an_edge_at_the_very_end_has_levels_still():
    found = edge_along(step(4.99), PLANE, line(-5, 5), band_mm=0)
    assert found.along_mm > 9.5
    assert found.after > found.before


@pytest.mark.parametrize(("start", "end", "what"), [(0, 1.9, "too short"), (-5, 60, "leaves")])
def test_lines_that_cannot_hold_an_edge_are_refused(start, end, what):
    with pytest.raises(InvalidInput, match=what):
        edge_along(step(0), PLANE, line(start, end))


def test_rough_ends_snap_to_the_edges_of_a_fluid_gap():
    # Fluid from -7.3 to 6.1 mm; drawn 2 mm beyond its start and 1.5 mm short of its end.
    image = step(-7.3, 20, 500) - step(6.1, 0, 480)
    start, end = edges_near_ends(image, PLANE, line(-9.3, 4.6))
    np.testing.assert_allclose(start.point, MIDDLE - 7.3 * DIRECTION, atol=0.05)
    np.testing.assert_allclose(end.point, MIDDLE + 6.1 * DIRECTION, atol=0.05)
    assert start.along_mm == pytest.approx(4 + 2.0, abs=0.05)
    assert end.along_mm == pytest.approx(4 + 1.5, abs=0.05)


def test_an_end_without_its_edge_gets_no_proposal():
    start, end = edges_near_ends(step(-6), PLANE, line(-6, 8), reach_mm=2.0)
    assert start is not None
    assert end is None
