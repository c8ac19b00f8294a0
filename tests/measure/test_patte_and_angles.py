"""Patte's landmarks on one axis, and the critical shoulder angle."""

from __future__ import annotations

import math

import numpy as np
import pytest

from imgtrack.domain.errors import InvalidInput
from imgtrack.domain.scales import derive
from imgtrack.measure.angles import angle_at, critical_shoulder_angle
from imgtrack.measure.patte import patte_positions

# A right shoulder in LPS millimetres on a coronal slice: medial is towards +x.
LANDMARKS = {
    "footprint_edge": (-40.0, 5.0, 100.0),
    "apex": (-20.0, 5.0, 112.0),
    "rim": (0.0, 5.0, 100.0),
}


def positions(stump, mirror=False):
    sign = np.array([-1.0 if mirror else 1.0, 1.0, 1.0])
    points = {name: sign * np.array(point) for name, point in LANDMARKS.items()}
    return patte_positions(**points, stump=sign * np.array(stump))


# Patte D. Clin Orthop 1990;254:81-6, read as in the scale patte_stage.
@pytest.mark.parametrize(
    ("stump_x", "mm", "stage"),
    [
        (-41.0, -1.0, "1"),
        (-30.0, 10.0, "1"),
        (-20.0, 20.0, "2"),
        (-1.0, 39.0, "2"),
        (0.0, 40.0, "3"),
        (6.0, 46.0, "3"),
    ],
)
@pytest.mark.parametrize("mirror", [False, True], ids=["right", "left"])
def test_landmarks_give_positions_and_stage(stump_x, mm, stage, mirror):
    found = positions((stump_x, 5.0, 108.0), mirror)
    assert found.stump_mm == pytest.approx(mm, abs=1e-12)
    assert found.apex_mm == pytest.approx(20, abs=1e-12)
    assert found.rim_mm == pytest.approx(40, abs=1e-12)
    derived = derive.patte_stage(
        stump_mm=found.stump_mm, apex_mm=found.apex_mm, rim_mm=found.rim_mm
    )
    assert derived.level == stage


def test_height_of_the_stump_does_not_change_its_stage():
    low, high = positions((-10.0, 5.0, 90.0)), positions((-10.0, 5.0, 130.0))
    assert low.stump_mm == high.stump_mm


def test_an_axis_without_length_is_refused():
    with pytest.raises(InvalidInput, match="axis"):
        patte_positions(footprint_edge=(1, 2, 3), apex=(0, 0, 0), rim=(1, 2, 3), stump=(0, 0, 0))
    with pytest.raises(InvalidInput, match="stump"):
        positions((1.0, 2.0, math.nan))


@pytest.mark.parametrize("degrees", [1e-6, 33.17, 35.0, 90.0, 179.999999])
def test_angle_of_two_lines_of_known_direction(degrees):
    turn = math.radians(degrees)
    found = angle_at((5, 5), (5 + 20, 5), (5 + 7 * math.cos(turn), 5 + 7 * math.sin(turn)))
    assert found == pytest.approx(degrees, abs=1e-9)


def test_straight_and_folded_lines():
    assert angle_at((0, 0, 0), (1, 1, 1), (3, 3, 3)) == pytest.approx(0, abs=1e-12)
    assert angle_at((0, 0, 0), (1, 2, 2), (-1, -2, -2)) == pytest.approx(180, abs=1e-12)


def test_critical_shoulder_angle_of_a_drawn_glenoid():
    # Moor BK et al. Bone Joint J 2013;95-B:935-41: between the glenoid and the line from its
    # lower pole to the acromion. Glenoid upright, 35 mm; acromion 35 degrees lateral.
    lateral = 60 * np.array([math.sin(math.radians(35)), math.cos(math.radians(35))])
    found = critical_shoulder_angle(
        superior_pole=(0, 35), inferior_pole=(0, 0), lateral_acromion=lateral
    )
    assert found == pytest.approx(35, abs=1e-9)


def test_points_that_coincide_or_differ_in_dimension_have_no_angle():
    with pytest.raises(InvalidInput, match="first line"):
        angle_at((0, 0), (0, 0), (1, 1))
    with pytest.raises(InvalidInput, match="second point"):
        angle_at((0, 0), (1, 0), (1, 1, 1))
