"""Bone that metal leaves without signal: a ball in noise, and scans with titanium anchors.

Truth of the ball: the place and size of the hole made in it. Truth of the scans: synthetic_scans,
which shares no code with the tool.
"""

from __future__ import annotations

import numpy as np
import pytest

from imgtrack.measure.suggest.gap import Hidden, gap_at
from imgtrack.measure.suggest.head import Head
from imgtrack.measure.suggest.void import voids_in
from synthetic_scans.phantom.implants import implants
from synthetic_scans.scanner import Artefacts, Weighting, rod
from synthetic_scans.spec import Anchor, Condition, FullThicknessDefect, ShoulderSpec

DEEP_MM = 4.5
"""How deep beneath the surface the hole lies."""


def head_of(ball) -> Head:
    return Head(tuple(ball.centre), ball.radius, 0.3, 1000)


def place_on(ball, degrees: float = 0.0) -> np.ndarray:
    """Return a place 2 mm above the ball, turned laterally from its top; shape (1, 3)."""
    turn = np.radians(degrees)
    away = np.cos(turn) * -ball.down + np.sin(turn) * ball.lateral
    return (ball.centre + (ball.radius + 2) * away)[np.newaxis]


def holed(ball, radius_mm: float, inside: float = 2.0):
    """Return the signal of the ball with a sphere of another signal beneath its top."""
    hole = ball.centre - (ball.radius - DEEP_MM) * ball.down

    def signal(points):
        is_hole = np.linalg.norm(points - hole, axis=1) < radius_mm
        return np.where(is_hole, inside, np.abs(ball.bone(points)) + 60.0)

    return signal


@pytest.mark.parametrize(("radius_mm", "is_void"), [(8.0, True), (2.4, False), (0.0, False)])
def test_only_a_void_wider_than_an_anchor_hides_the_cuff(ball, radius_mm, is_void):
    coronal = ball.series(holed(ball, radius_mm))[0]
    found = voids_in(coronal, head_of(ball))
    assert found.are_any is is_void
    assert found.hide(place_on(ball)).tolist() == [is_void]


def test_a_void_hides_as_far_as_it_reaches(ball):
    found = voids_in(ball.series(holed(ball, 8.0))[0], head_of(ball))
    edge_deg = float(np.degrees(8.0 / (ball.radius - DEEP_MM)))
    assert found.hide(place_on(ball, edge_deg - 8)).all()
    assert not found.hide(place_on(ball, edge_deg + 12)).any()


def test_bright_bone_alone_is_no_metal(ball):
    found = voids_in(ball.series(holed(ball, 8.0, inside=900.0))[0], head_of(ball))
    assert not found.are_any


def test_bone_brightened_beside_a_void_hides_the_cuff_too(ball):
    """Fat suppression fails around the void; fluid may be suppressed there in its stead."""
    hole = ball.centre - (ball.radius - DEEP_MM) * ball.down
    void = holed(ball, 6.0)

    def signal(points):
        is_near = np.linalg.norm(points - hole, axis=1) < 14.0
        return np.where(is_near & (void(points) > 2.0), 900.0, void(points))

    found = voids_in(ball.series(signal)[0], head_of(ball))
    degrees = float(np.degrees(10.0 / (ball.radius - DEEP_MM)))
    assert found.hide(place_on(ball, degrees)).all()


def test_nothing_is_hidden_beyond_a_series(ball):
    coronal = ball.volume(ball.lateral, ball.bone, slices=3)
    beyond = ball.centre + (ball.radius + 2) * np.cross(ball.lateral, ball.down)
    assert not voids_in(coronal, head_of(ball)).hide(beyond[np.newaxis]).any()


def test_a_series_that_misses_the_head_hides_nothing(ball):
    far = Head(tuple(ball.centre + 500.0), ball.radius, 0.3, 1000)
    assert not voids_in(ball.series(ball.bone)[0], far).are_any


def anchored(material: str, bloom_mm: float) -> Condition:
    anchors = tuple(
        Anchor(ap_mm, 5.0, material=material, bloom_mm=bloom_mm) for ap_mm in (-4.0, 6.0)
    )
    return Condition(defect=FullThicknessDefect(16.0, 30.0, centre_mm=1.0), anchors=anchors)


def proposal(scan, share: float):
    """Return the proposal for a click so far from footprint to stump, 3 mm above the head."""
    edge = np.array(scan.truth.landmarks["footprint_lateral_edge"])
    stump = np.array(scan.truth.landmarks["medial_stump"])
    away = edge + share * (stump - edge) - scan.head_centre
    click = scan.head_centre + 27.0 * away / np.linalg.norm(away)
    return gap_at(click, coronal=scan.coronal, sagittal=scan.sagittal, side=scan.side)


def test_a_gap_is_found_beside_the_void_but_no_line_that_ends_in_it(scan_of):
    scan = scan_of(anchored("titanium", 5.0))
    found = proposal(scan, 0.8)
    assert set(found.coronal_slices) <= set(scan.shown("coronal_oblique"))
    assert len(found.coronal_slices) >= 4
    assert len(found.sagittal_slices) >= 4
    assert Hidden.RETRACTION in found.hidden
    assert found.retraction is None


def test_anchors_without_bloom_withhold_nothing(scan_of):
    scan = scan_of(anchored("peek", 0.0))
    found = proposal(scan, 0.8)
    assert found.hidden == ()
    assert found.width.straight_mm == pytest.approx(scan.truth.value("defect_width"), abs=1.0)
    assert found.retraction.straight_mm == pytest.approx(scan.truth.value("defect_gap"), abs=2.0)


def test_metal_under_the_click_is_said_rather_than_an_uninterrupted_cuff(scan_of):
    found = proposal(scan_of(anchored("titanium", 5.0)), 0.25)
    assert found.coronal_slices == found.sagittal_slices == ()
    assert found.hidden == (Hidden.CUFF,)


@pytest.fixture(scope="module")
def beside_metal(scan_varied):
    """Return a torn shoulder with two titanium anchors far behind the middle of its gap.

    Scanned as is usual beside metal (common practice, no source): fat suppressed by inversion, at
    1.5 T, with a high bandwidth.
    """
    anchors = tuple(Anchor(ap_mm, 5.0, material="titanium") for ap_mm in (17.0, 23.0))
    defect = FullThicknessDefect(14.0, 26.0, centre_mm=1.0, shape="u")
    spec = ShoulderSpec(side="right", condition=Condition(defect=defect, anchors=anchors))
    metal = tuple(
        sphere
        for each in implants(spec)
        for sphere in rod(tuple(each.head), tuple(each.tip), each.diameter / 2)
    )
    return scan_varied(
        spec,
        seed=11,
        weighting=Weighting.STIR,
        field_t=1.5,
        bandwidth_hz=400.0,
        artefacts=Artefacts(metal=metal),
    )


def test_metal_is_seen_where_bone_is_dark_by_inversion(beside_metal):
    head = Head(tuple(beside_metal.head_centre), 24.65, 0.5, 1000)
    assert voids_in(beside_metal.coronal, head).are_any
    assert voids_in(beside_metal.sagittal, head).are_any


def test_lines_with_both_ends_clear_of_metal_are_proposed(beside_metal):
    truth = beside_metal.truth
    found = proposal(beside_metal, 0.5)
    assert found.width.straight_mm == pytest.approx(truth.value("defect_width"), abs=1.0)
    assert found.retraction.straight_mm == pytest.approx(truth.value("defect_gap"), abs=1.0)
    assert found.hidden == ()
