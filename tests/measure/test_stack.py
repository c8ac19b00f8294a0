"""Which slice of a series holds a point."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from imgtrack.domain.errors import InvalidInput
from imgtrack.measure.plane import PlaneGeometry
from imgtrack.measure.stack import Stack

TILT = np.radians(35)
FIRST = PlaneGeometry(
    origin=(-70.0, -50.0, 80.0),
    row=(np.cos(TILT), np.sin(TILT), 0.0),
    column=(0.0, 0.0, -1.0),
    spacing=(0.5, 0.5),
    shape=(320, 280),
    thickness=3.0,
)


def stack(steps=(0.0, 3.3, 6.6, 9.9)) -> Stack:
    origins = [np.array(FIRST.origin) + step * FIRST.normal for step in steps]
    return Stack(tuple(dataclasses.replace(FIRST, origin=tuple(o.tolist())) for o in origins))


def at(depth: float, pixel=(100, 100)) -> np.ndarray:
    return FIRST.to_patient([pixel])[0] + depth * FIRST.normal


def test_positions_and_pitch_come_from_where_the_slices_lie():
    made = stack((0.0, 3.3, 6.6, 13.2))  # one slice missing
    np.testing.assert_allclose(made.positions, [0, 3.3, 6.6, 13.2], atol=1e-9)
    assert made.pitch_mm == pytest.approx(3.3, abs=1e-9)


@pytest.mark.parametrize(
    ("depth", "number"),
    [(0.0, 0), (-1.64, 0), (-1.66, None), (1.6, 0), (1.7, 1), (9.9, 3), (11.5, 3), (11.6, None)],
)
def test_the_nearest_slice_holds_a_point_up_to_half_a_slice_outside(depth, number):
    assert stack().slice_of(at(depth)) == number


def test_a_point_beside_the_image_is_held_by_no_slice():
    assert stack().slice_of(at(3.3, pixel=(-1, 10))) is None
    assert stack().slice_of(at(3.3, pixel=(10, 280))) is None


def test_a_missing_slice_leaves_its_neighbours_to_share_the_space():
    made = stack((0.0, 3.3, 9.9))
    assert made.slice_of(at(6.5)) == 1
    assert made.slice_of(at(6.7)) == 2


def test_what_is_no_stack_is_refused():
    with pytest.raises(InvalidInput, match="two planes"):
        Stack((FIRST,))
    with pytest.raises(InvalidInput, match="follow each other"):
        stack((0.0, 3.3, 3.3))
    tilted = dataclasses.replace(FIRST, row=(1.0, 0.0, 0.0), origin=tuple(at(3.3).tolist()))
    flipped = dataclasses.replace(FIRST, column=(0.0, 0.0, 1.0), origin=tuple(at(6.6).tolist()))
    with pytest.raises(InvalidInput) as caught:
        Stack((FIRST, tilted, flipped))
    assert [fault.where for fault in caught.value.faults] == ["plane 1", "plane 2"]
