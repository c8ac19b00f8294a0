"""Circles through drawn points, arcs and chords."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import optimize

from imgtrack.domain.errors import InvalidInput
from imgtrack.measure.arcs import Circle, arc_length, arc_of_chord, chord_of_arc, fit_circle

HEAD = Circle(centre=(0.0, 0.0, 0.0), radius_mm=24.0, normal=(0.0, 0.0, 1.0))


def on_head(*degrees: float) -> np.ndarray:
    angles = np.radians(degrees)
    return 24 * np.column_stack([np.cos(angles), np.sin(angles), np.zeros_like(angles)])


@pytest.mark.parametrize(("arc", "chord"), [(30, 28.1), (40, 35.5)])
def test_chords_of_the_trade(arc, chord):
    # For a 24 mm head: arc 30 mm = chord 28.1 mm, arc 40 = 35.5 (chord = 2 r sin(arc / 2 r)).
    assert round(chord_of_arc(arc, 24), 1) == chord
    assert arc_of_chord(chord_of_arc(arc, 24), 24) == pytest.approx(arc, abs=1e-12)


def test_half_a_circle_and_none():
    assert chord_of_arc(math.pi * 24, 24) == pytest.approx(48, abs=1e-12)
    assert arc_of_chord(48, 24) == pytest.approx(math.pi * 24, abs=1e-12)
    assert chord_of_arc(0, 24) == arc_of_chord(0, 24) == 0


@pytest.mark.parametrize("function", [chord_of_arc, arc_of_chord])
@pytest.mark.parametrize(("length", "radius"), [(1, 0), (-1, 24), (76, 24), (math.nan, 24)])
def test_impossible_arcs_and_chords_are_refused(function, length, radius):
    with pytest.raises(InvalidInput):
        function(length, radius)


def test_arc_length_is_radius_times_angle_the_shorter_way():
    assert arc_length(HEAD, *on_head(10, 100)) == pytest.approx(12 * math.pi, abs=1e-12)
    assert arc_length(HEAD, *on_head(350, 20)) == pytest.approx(4 * math.pi, abs=1e-12)
    assert arc_length(HEAD, *on_head(0, 180)) == pytest.approx(24 * math.pi, abs=1e-12)


def test_ends_off_the_circle_are_moved_onto_it():
    start, end = on_head(10, 100)
    lifted = arc_length(HEAD, 1.2 * start, 0.9 * end + np.array([0, 0, 3.0]))
    assert lifted == pytest.approx(12 * math.pi, abs=1e-12)
    with pytest.raises(InvalidInput, match="axis"):
        arc_length(HEAD, (0, 0, 5), start)


def test_three_points_give_their_circumcircle():
    # Hand-worked: a 6-8-10 triangle has its circumcentre at the middle of the 10 mm side.
    circle = fit_circle([(0, 0, 7), (6, 0, 7), (0, 8, 7)])
    np.testing.assert_allclose(circle.centre, (3, 4, 7), atol=1e-9)
    assert circle.radius_mm == pytest.approx(5, abs=1e-9)
    assert circle.residual_mm == pytest.approx(0, abs=1e-9)


def test_gander_golub_strebel_example():
    # Gander, Golub, Strebel. BIT 1994;34:558-78: points and geometric circle of their example
    # (from memory: centre 4.7398, 2.9835, radius 4.7142).
    points = [(1, 7), (2, 6), (5, 8), (7, 7), (9, 5), (3, 7)]
    circle = fit_circle([(x, y, 0) for x, y in points])
    np.testing.assert_allclose(circle.centre[:2], (4.7398, 2.9835), atol=5e-5)
    assert circle.radius_mm == pytest.approx(4.7142, abs=5e-5)


def test_noisy_arcs_agree_with_a_general_least_squares_solver():
    # Peer: scipy.optimize.least_squares on centre and radius.
    rng = np.random.default_rng(7)
    for _ in range(5):
        angles = rng.uniform(0.3, 2.2, 12)
        flat = 24 * np.column_stack([np.cos(angles), np.sin(angles)]) + rng.normal(0, 0.5, (12, 2))
        peer = optimize.least_squares(
            lambda c, flat=flat: np.hypot(flat[:, 0] - c[0], flat[:, 1] - c[1]) - c[2],
            (0, 0, 20),
            xtol=1e-14,
            ftol=1e-14,
            gtol=1e-14,
        )
        circle = fit_circle(np.column_stack([flat, np.full(12, -3.0)]))
        np.testing.assert_allclose((*circle.centre[:2], circle.radius_mm), peer.x, atol=1e-5)
        residual = math.sqrt(2 * peer.cost / 12)
        assert circle.residual_mm == pytest.approx(residual, abs=1e-9)


def test_a_turned_circle_is_found_in_its_plane():
    normal = np.array([1.0, 2.0, -2.0]) / 3
    u = np.array([2.0, 1.0, 2.0]) / 3
    v = np.cross(normal, u)
    angles = np.radians([5, 40, 77, 120, 170])
    points = np.array([10.0, -20.0, 30.0]) + 22 * (
        np.outer(np.cos(angles), u) + np.outer(np.sin(angles), v)
    )
    circle = fit_circle(points)
    np.testing.assert_allclose(circle.centre, (10, -20, 30), atol=1e-9)
    assert circle.radius_mm == pytest.approx(22, abs=1e-9)
    assert abs(np.dot(circle.normal, normal)) == pytest.approx(1, abs=1e-12)
    assert arc_length(circle, points[0], points[-1]) == pytest.approx(
        22 * math.radians(165), abs=1e-9
    )


@pytest.mark.parametrize(
    "points", [[(0, 0, 0), (1, 1, 1), (3, 3, 3)], [(2, 2, 2)] * 3, [(0, 0, 0), (1, 0, 0)]]
)
def test_points_on_a_line_or_too_few_make_no_circle(points):
    with pytest.raises(InvalidInput):
        fit_circle(points)


def test_points_too_straight_for_a_circle_are_refused():
    heights = (0.09, 0.29, -0.03, 0.13, -0.11, 0.02)
    ragged = [(6 * step, height, 0) for step, height in enumerate(heights)]
    with pytest.raises(InvalidInput, match="draw more of the outline"):
        fit_circle(ragged)


def test_a_point_at_the_centre_does_not_stop_the_fit():
    points = [(0, 1, 0), (0, -1, 0), (1, 0, 0), (-1, 0, 0), (0, 0, 0)]
    circle = fit_circle(points)
    assert 0 < circle.radius_mm < 1
