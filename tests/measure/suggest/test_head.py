"""The humeral head found from outlines: a ball of known place, and images without one."""

from __future__ import annotations

import numpy as np
import pytest

from imgtrack.domain.errors import Refused
from imgtrack.measure.suggest.head import head_near


def test_a_ball_is_found_to_half_a_millimetre(ball):
    head = head_near(ball.click, ball.series(ball.bone))
    assert np.linalg.norm(np.subtract(head.centre, ball.centre)) < 0.2
    assert head.radius_mm == pytest.approx(ball.radius, abs=0.5)
    assert head.residual_mm < 1.0
    assert head.points > 1000


def test_the_surface_of_the_cuff_further_out_is_not_taken_for_the_head(ball):
    def covered(points):
        far = np.linalg.norm(points - ball.centre, axis=1)
        cuff = (far > ball.radius + 1) & (far < ball.radius + 6) & (points[:, 2] > ball.centre[2])
        return np.where(cuff, 30.0, ball.bone(points))

    head = head_near(ball.click, ball.series(covered))
    assert head.radius_mm == pytest.approx(ball.radius, abs=1.0)
    assert np.linalg.norm(np.subtract(head.centre, ball.centre)) < 1.0


def test_series_of_one_plane_cannot_place_a_head(ball):
    with pytest.raises(Refused, match="do not cross"):
        head_near(
            ball.click,
            [ball.volume(ball.lateral, ball.bone), ball.volume(ball.lateral, ball.bone, pitch=3.0)],
        )


@pytest.mark.parametrize("seed", range(4))
def test_noise_holds_no_head(ball, seed):
    rng = np.random.default_rng(seed)

    def noise(points):
        return rng.normal(100, 20, len(points))

    with pytest.raises(Refused, match="measure by hand"):
        head_near(ball.click, ball.series(noise))


@pytest.mark.parametrize("radius", [12.0, 40.0])
def test_a_ball_of_no_plausible_size_is_refused(ball, radius):
    with pytest.raises(Refused, match="no humeral head"):
        head_near(
            ball.centre + np.array([0, 0, radius]),
            ball.series(lambda points: ball.bone(points, radius)),
        )


def test_a_click_too_far_from_the_head_is_refused(ball):
    with pytest.raises(Refused, match="from a centre of"):
        head_near(ball.centre + np.array([0, 0, 10.0]), ball.series(ball.bone))


def test_a_click_beside_every_image_is_refused(ball):
    with pytest.raises(Refused, match="no humeral head"):
        head_near(ball.click + np.array([0.0, 0.0, 150.0]), ball.series(ball.bone))
    with pytest.raises(Refused, match="outside a series"):
        head_near(ball.click + 200 * np.cross(ball.lateral, ball.down), ball.series(ball.bone))


def test_a_small_piece_of_an_outline_is_not_enough(ball):
    def corner(points):
        beside = np.linalg.norm(points - ball.click, axis=1) > 6
        return np.where(beside, 50.0, ball.bone(points))

    with pytest.raises(Refused, match="no humeral head"):
        head_near(ball.click, ball.series(corner))


def test_an_image_without_any_outline_is_refused(ball):
    with pytest.raises(Refused, match="too little of an outline is seen"):
        head_near(ball.click, ball.series(lambda points: np.full(len(points), 80.0)))
