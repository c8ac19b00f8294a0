"""What no motion of the patient and no side of the body may change."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from imgtrack.measure.angles import angle_at
from imgtrack.measure.arcs import arc_length, arc_of_chord, chord_of_arc, fit_circle
from imgtrack.measure.areas import area_of
from imgtrack.measure.lengths import closest_between, length_of, thickness_at
from imgtrack.measure.motion import RigidTransform
from imgtrack.measure.patte import patte_positions
from imgtrack.measure.plane import PlaneGeometry

MIRROR = np.array([-1.0, 1.0, 1.0])
NEAR = 1e-7

millimetres = st.floats(-200, 200, allow_nan=False).map(lambda value: round(value, 3))
points = st.tuples(millimetres, millimetres, millimetres)
directions = st.tuples(*[st.floats(-1, 1)] * 3).filter(lambda v: math.hypot(*v) > 0.1)
motions = st.builds(
    lambda centre, axis, degrees, shift: RigidTransform.about(
        centre, axis=axis, degrees=degrees, shift=shift
    ),
    points,
    directions,
    st.floats(-180, 180),
    points,
)
few = settings(max_examples=60, deadline=None)


@few
@given(st.lists(points, min_size=2, max_size=8), motions)
def test_lengths_do_not_change_with_the_patient_or_the_side(path, motion):
    here, there, mirrored = (length_of(p) for p in (path, motion.apply(path), path * MIRROR))
    assert there.straight_mm == pytest.approx(here.straight_mm, abs=NEAR)
    assert there.path_mm == pytest.approx(here.path_mm, abs=NEAR)
    assert mirrored == here
    assert here.path_mm >= here.straight_mm - NEAR


@few
@given(points, points, points, motions)
def test_angles_do_not_change_with_the_patient_or_the_side(corner, first, second, motion):
    drawn = np.array([corner, first, second])
    assume(min(math.dist(corner, first), math.dist(corner, second)) > 1)
    angle = angle_at(*drawn)
    assert angle_at(*motion.apply(drawn)) == pytest.approx(angle, abs=1e-6)
    assert angle_at(*(drawn * MIRROR)) == pytest.approx(angle, abs=NEAR)
    assert angle_at(corner, second, first) == pytest.approx(angle, abs=NEAR)


@st.composite
def stars(draw):
    """Outlines round a centre, in the plane z = 0, that cannot cross themselves."""
    radii = draw(st.lists(st.floats(2, 40), min_size=3, max_size=12))
    angles = np.linspace(0, 2 * math.pi, len(radii), endpoint=False)
    return np.column_stack([radii * np.cos(angles), radii * np.sin(angles), np.zeros(len(radii))])


@few
@given(stars(), motions, st.integers(0, 11))
def test_areas_do_not_change_with_the_patient_the_side_or_the_first_point(outline, motion, start):
    # Peer: the shoelace formula in the plane the outline was made in.
    x, y = outline[:, 0], outline[:, 1]
    shoelace = abs((x * np.roll(y, -1) - y * np.roll(x, -1)).sum()) / 2
    moved = np.roll(motion.apply(outline), start, axis=0)
    for drawn in (outline, moved, moved[::-1], moved * MIRROR):
        assert area_of(drawn).mm2 == pytest.approx(shoelace, rel=1e-9)


@few
@given(points, points, points, points, motions)
def test_patte_positions_do_not_change_with_the_patient_or_the_side(edge, apex, rim, stump, motion):
    assume(math.dist(edge, rim) > 1)
    names = ("footprint_edge", "apex", "rim", "stump")
    drawn = np.array([edge, apex, rim, stump])

    def found(four):
        positions = patte_positions(**dict(zip(names, four, strict=True)))
        return positions.stump_mm, positions.apex_mm, positions.rim_mm

    assert found(motion.apply(drawn)) == pytest.approx(found(drawn), abs=1e-6)
    assert found(drawn * MIRROR) == pytest.approx(found(drawn), abs=NEAR)


contours = st.lists(points, min_size=2, max_size=5)


@few
@given(contours, contours, motions)
def test_the_shortest_distance_is_symmetric_and_below_every_other(first, second, motion):
    gap = closest_between(first, second)
    assert closest_between(second, first).distance_mm == pytest.approx(gap.distance_mm, abs=NEAR)
    there = closest_between(motion.apply(first), motion.apply(second))
    assert there.distance_mm == pytest.approx(gap.distance_mm, abs=1e-6)
    corners = np.linalg.norm(np.array(first)[:, None] - np.array(second)[None], axis=-1)
    assert gap.distance_mm <= corners.min() + NEAR


@few
@given(motions, st.floats(15, 30), st.floats(0.2, 2.5), st.integers(4, 12))
def test_a_circle_and_its_arcs_do_not_change_with_the_patient(motion, radius, spread, count):
    angles = np.linspace(0, spread, count)
    arc = radius * np.column_stack([np.cos(angles), np.sin(angles), np.zeros(count)])
    circle = fit_circle(motion.apply(arc))
    assert circle.radius_mm == pytest.approx(radius, rel=1e-6)
    ends = motion.apply(arc[[0, -1]])
    assert arc_length(circle, *ends) == pytest.approx(radius * spread, rel=1e-6)


@few
@given(st.floats(1, 60), st.floats(0, 1))
def test_arc_and_chord_undo_each_other(radius, share):
    arc = share * math.pi * radius
    chord = chord_of_arc(arc, radius)
    assert chord <= arc + NEAR
    # Near half a circle the arc hangs on the square root of the chord's last digits.
    assert arc_of_chord(chord, radius) == pytest.approx(arc, abs=1e-6 * radius)


@few
@given(motions, st.floats(1, 15), st.floats(-50, 50))
def test_thickness_does_not_change_with_the_patient(motion, thickness, along):
    inner = np.array([(-60.0, 0, 0), (60, 0, 0)])
    outer = inner + np.array([0, 0, thickness])
    normal = motion.turn((0, 1, 0))
    at = motion.apply([(along, 0, 2.0)])[0]
    found = thickness_at(motion.apply(inner), motion.apply(outer), at=at, plane_normal=normal)
    assert found == pytest.approx(thickness, abs=NEAR)


@few
@given(
    motions,
    st.tuples(st.floats(0.1, 2), st.floats(0.1, 2)),
    st.lists(st.tuples(st.floats(-5, 500), st.floats(-5, 500)), min_size=1, max_size=6),
)
def test_pixels_survive_the_way_to_the_patient_and_back(motion, spacing, pixels):
    row, column = motion.turn((1, 0, 0)), motion.turn((0, 1, 0))
    plane = PlaneGeometry(
        tuple(motion.translation), tuple(row.tolist()), tuple(column.tolist()), spacing, (512, 512)
    )
    there = plane.to_patient(pixels)
    np.testing.assert_allclose(plane.to_pixels(there), pixels, atol=NEAR)
    lifted = there + 7.5 * plane.normal
    np.testing.assert_allclose(plane.distance(lifted), 7.5, atol=NEAR)
    np.testing.assert_allclose(plane.to_pixels(lifted), pixels, atol=NEAR)
