"""Bone without signal beneath the end of a gap: a ball in noise, and a scan with metal.

Truth of the ball: the place and size of the hole made in it. Truth of the scan: synthetic_scans.
"""

from __future__ import annotations

import numpy as np
import pytest

from imgtrack.measure.suggest.gap import gap_at
from imgtrack.measure.suggest.head import Head
from imgtrack.measure.suggest.void import is_hidden
from synthetic_scans.spec import Anchor, Condition, FullThicknessDefect


def head_of(ball) -> Head:
    return Head(tuple(ball.centre), ball.radius, 0.3, 1000)


def end_of(ball, degrees: float = 0.0) -> np.ndarray:
    """Return a place 2 mm above the ball, turned laterally from its top."""
    turn = np.radians(degrees)
    return ball.centre + (ball.radius + 2) * (
        np.cos(turn) * -ball.down + np.sin(turn) * ball.lateral
    )


def with_hole(ball, radius_mm: float):
    """Return the signal of the ball with an empty sphere beneath its top, 4.5 mm deep."""
    hole = ball.centre - (ball.radius - 4.5) * ball.down

    def signal(points):
        is_hole = np.linalg.norm(points - hole, axis=1) < radius_mm
        return np.where(is_hole, 2.0, np.abs(ball.bone(points)) + 60.0)

    return signal


@pytest.mark.parametrize(("radius_mm", "is_void"), [(8.0, True), (2.4, False), (0.0, False)])
def test_only_a_void_wider_than_an_anchor_hides_an_end(ball, radius_mm, is_void):
    coronal = ball.series(with_hole(ball, radius_mm))[0]
    assert is_hidden(end_of(ball), coronal, head_of(ball)) is is_void


def test_a_void_hides_nothing_far_beside_it(ball):
    coronal = ball.series(with_hole(ball, 8.0))[0]
    assert not is_hidden(end_of(ball, 50.0), coronal, head_of(ball))


def test_nothing_is_hidden_beyond_a_series(ball):
    coronal = ball.volume(ball.lateral, ball.bone, slices=3)
    beyond = ball.centre + (ball.radius + 2) * np.cross(ball.lateral, ball.down)
    assert not is_hidden(beyond, coronal, head_of(ball))


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


def test_lines_that_end_at_the_void_of_metal_are_withheld(scan_of):
    found = proposal(scan_of(anchored("titanium", 5.0)), 0.8)
    assert found.coronal_slices
    assert found.sagittal_slices
    assert found.is_hidden
    assert found.width is found.retraction is None


def test_anchors_without_bloom_withhold_nothing(scan_of):
    scan = scan_of(anchored("peek", 0.0))
    found = proposal(scan, 0.8)
    assert not found.is_hidden
    assert found.width.straight_mm == pytest.approx(scan.truth.value("defect_width"), abs=1.0)
    assert found.retraction.straight_mm == pytest.approx(scan.truth.value("defect_gap"), abs=2.0)


def test_metal_under_the_click_is_said_rather_than_an_uninterrupted_cuff(scan_of):
    found = proposal(scan_of(anchored("titanium", 5.0)), 0.25)
    assert found.coronal_slices == found.sagittal_slices == ()
    assert found.is_hidden
