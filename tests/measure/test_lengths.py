"""Straight lengths, lengths along a path, shortest distances, thickness along the normal."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import optimize

from imgtrack.domain.errors import InvalidInput
from imgtrack.measure.lengths import (
    closest_between,
    distance_between_lines,
    length_along,
    length_of,
    thickness_at,
)


def test_straight_and_path_lengths_of_right_angles():
    # Hand-worked: 3-4-5 and 5-12-13 triangles.
    length = length_of([(0, 0, 0), (3, 4, 0), (3, 4, 12)])
    assert (length.straight_mm, length.path_mm, length.n_points) == (13.0, 17.0, 3)


def test_two_points_are_as_long_straight_as_along():
    length = length_of([(1, 2, 3), (4, 6, 3)])
    assert length.straight_mm == length.path_mm == 5.0


def test_a_path_on_the_head_contour_is_longer_than_its_chord_by_the_textbook_amount():
    # Trade value: on a 24 mm head an arc of 30 mm has a chord of 28.1 mm (2 r sin(arc / 2 r)).
    angles = np.linspace(0, 30 / 24, 2001)
    points = np.column_stack([24 * np.cos(angles), 24 * np.sin(angles), np.zeros_like(angles)])
    length = length_of(points)
    assert length.path_mm == pytest.approx(30, abs=1e-5)
    assert round(length.straight_mm, 1) == 28.1


def test_a_radiograph_has_two_coordinates():
    assert length_of([(0, 0), (3, 4)]).straight_mm == 5.0


@pytest.mark.parametrize(
    "points", [[(0, 0, 0)], [(0, 0, 0), (1, 1)], [(0, 0, 0), (1, 1, math.inf)], None]
)
def test_what_is_no_line_is_refused(points):
    with pytest.raises(InvalidInput):
        length_of(points)


def test_length_along_a_contour_starts_and_ends_at_its_nearest_places():
    contour = [(0, 0, 0), (10, 0, 0), (10, 5, 0)]
    assert length_along(contour, (2, -3, 0), (13, 4, 0)) == 12.0
    assert length_along(contour, (13, 4, 0), (2, -3, 0)) == 12.0
    assert length_along(contour, (-9, 0, 0), (99, 99, 0)) == 15.0


def test_length_along_passes_over_a_point_drawn_twice():
    assert length_along([(0, 0), (5, 0), (5, 0), (9, 0)], (1, 1), (8, 1)) == 7.0


def test_closest_between_parallel_and_crossing_contours():
    gap = closest_between([(0, 0, 0), (10, 0, 0)], [(2, 7, 0), (8, 7, 0)])
    assert gap.distance_mm == 7.0
    crossing = closest_between([(0, 0, 0), (10, 0, 0)], [(4, -5, 0), (4, 5, 0)])
    assert crossing.distance_mm == 0.0
    assert crossing.on_first == crossing.on_second == (4.0, 0.0, 0.0)


def test_closest_between_skew_edges_of_a_cube_is_their_common_perpendicular():
    # Two skew edges of a cube of side 2 are exactly one side apart, at their crossing in plan.
    gap = closest_between([(-1, 0, 0), (1, 0, 0)], [(0, -1, 2), (0, 1, 2)])
    assert gap.distance_mm == 2.0
    assert gap.on_first == (0.0, 0.0, 0.0)
    assert gap.on_second == (0.0, 0.0, 2.0)


def test_acromiohumeral_distance_of_a_round_head_under_a_flat_acromion():
    # A head of radius 24 mm whose top lies 9 mm under a flat acromion: the distance is 9 mm.
    angles = np.radians(np.arange(0, 181, 2.5))
    head = np.column_stack([24 * np.cos(angles), 24 * np.sin(angles)])
    gap = closest_between([(-15, 33), (20, 33)], head)
    assert gap.distance_mm == pytest.approx(9, abs=1e-12)
    np.testing.assert_allclose(gap.on_second, (0, 24), atol=1e-9)


def test_closest_between_random_contours_agrees_with_a_general_minimiser():
    # Peer: scipy.optimize.minimize over the two places, on every pair of edges.
    rng = np.random.default_rng(20240607)
    for _ in range(6):
        a, b = rng.uniform(-10, 10, (3, 3)), rng.uniform(-10, 10, (3, 3))
        best = math.inf
        for p, u in zip(a[:-1], np.diff(a, axis=0), strict=True):
            for q, v in zip(b[:-1], np.diff(b, axis=0), strict=True):
                found = optimize.minimize(
                    lambda s, p=p, u=u, q=q, v=v: ((p + s[0] * u - q - s[1] * v) ** 2).sum(),
                    (0.5, 0.5),
                    bounds=[(0, 1), (0, 1)],
                    method="L-BFGS-B",
                    options={"ftol": 1e-15, "gtol": 1e-12},
                )
                best = min(best, math.sqrt(found.fun))
        gap = closest_between(a, b)
        assert gap.distance_mm == pytest.approx(best, abs=1e-5)
        assert math.dist(gap.on_first, gap.on_second) == pytest.approx(gap.distance_mm, abs=1e-12)


def test_contours_of_unequal_dimension_are_refused():
    with pytest.raises(InvalidInput, match="second contour"):
        closest_between([(0, 0), (1, 0)], [(0, 0, 0), (1, 0, 0)])


def test_distance_between_endless_lines():
    # Hand-worked: the x axis and a line along y at height 4; two parallels 3-4-5 apart.
    assert distance_between_lines((9, 0, 0), (1, 0, 0), (0, 7, 4), (0, -2, 0)) == 4.0
    assert distance_between_lines((0, 0, 0), (0, 0, 2), (3, 4, 99), (0, 0, -1)) == 5.0
    with pytest.raises(InvalidInput, match="no direction"):
        distance_between_lines((0, 0, 0), (0, 0, 0), (1, 0, 0), (0, 1, 0))


def test_thickness_between_concentric_arcs_is_the_difference_of_their_radii():
    angles = np.radians(np.arange(20, 161, 1.0))
    circle = np.column_stack([np.cos(angles), np.zeros_like(angles), np.sin(angles)])
    found = thickness_at(24 * circle, 29 * circle, at=(3, 0, 25), plane_normal=(0, 1, 0))
    # The arcs are drawn in steps of 1 degree: their sagitta is r (1 - cos 0.5 deg) = 0.001 mm.
    assert found == pytest.approx(5, abs=0.002)


def test_thickness_follows_the_normal_and_not_the_shortest_way():
    # Layer rising at 45 degrees: at x = 10 it is 10 thick along the normal of its flat base.
    base, roof = [(0, 0, 0), (20, 0, 0)], [(0, 0, 0), (20, 0, 20)]
    assert thickness_at(base, roof, at=(10, 0, -3), plane_normal=(0, 1, 0)) == pytest.approx(10)
    # Whichever side the other surface lies on, and whichever way the normal of the image points.
    assert thickness_at(base, -np.array(roof), at=(0, 0, 0), plane_normal=(0, -2, 0)) == 0
    below = [(0, 0, -4), (20, 0, -4)]
    assert thickness_at(base, below, at=(10, 0, 0), plane_normal=(0, -1, 0)) == 4


def test_thickness_of_a_surface_the_normal_misses_is_undefined():
    base, roof = [(0, 0, 0), (20, 0, 0)], [(0, 0, 5), (6, 0, 5)]
    assert thickness_at(base, roof, at=(10, 0, 0), plane_normal=(0, 1, 0)) is None
    upright = [(10, 0, 2), (10, 0, 9)]
    assert thickness_at(base, upright, at=(10, 0, 0), plane_normal=(0, 1, 0)) is None


def test_thickness_takes_the_nearest_of_several_crossings():
    folded = [(0, 0, 5), (20, 0, 5), (20, 0, 3), (0, 0, 3)]
    base = [(0, 0, 0), (20, 0, 0)]
    assert thickness_at(base, folded, at=(10, 0, 0), plane_normal=(0, 1, 0)) == 3


def test_a_contour_at_right_angles_to_the_image_has_no_thickness():
    with pytest.raises(InvalidInput, match="image plane"):
        thickness_at(
            [(0, 0, 0), (0, 9, 0)], [(5, 0, 0), (5, 9, 0)], at=(0, 1, 0), plane_normal=(0, 1, 0)
        )
