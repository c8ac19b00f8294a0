"""Signed distances against geometry's closed forms and brute force."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from synthetic_scans.phantom.scapula import rounded_area, rounded_contour
from synthetic_scans.phantom.shapes import (
    Blend,
    Capsule,
    Cylinder,
    Ellipsoid,
    HalfSpace,
    Intersection,
    Offset,
    Outside,
    Plate,
    Sphere,
    Union,
    polygon_distance,
    unit,
)
from synthetic_scans.phantom.shoulder import Phantom
from synthetic_scans.spec import (
    Anchor,
    Condition,
    FullThicknessDefect,
    MuscleState,
    ShoulderSpec,
)

L_SHAPE = np.array([[0, 0], [6, 0], [6, 2], [2, 2], [2, 5], [0, 5]], dtype=float)

AXES = (unit((1, 1, 0)), unit((-1, 1, 0)), (0.0, 0.0, 1.0))

PRIMITIVES = {
    "sphere": Sphere((1, 2, 3), 4),
    "half-space": HalfSpace((1, 0, 0), unit((1, 2, 2))),
    "capsule": Capsule((0, 0, 0), (10, 3, 0), 2, 2),
    "tapered capsule": Capsule((0, 0, 0), (10, 3, 0), 5, 1),
    "cylinder": Cylinder((0, 0, 0), (0, 6, 8), 3),
    "ellipsoid": Ellipsoid((0, 0, 0), AXES, (9, 3, 5)),
    "elliptic cylinder": Ellipsoid((0, 0, 0), AXES[:2], (9, 3)),
    "plate": Plate((0, 0, 0), AXES[0], AXES[2], L_SHAPE, 1, 0.5),
    "blend": Blend(Sphere((0, 0, 0), 4), Sphere((6, 0, 0), 3), 5),
    "lens": Intersection((Sphere((0, 0, 0), 4), Outside(Offset(Sphere((3, 0, 0), 2), 0.5)))),
    "pair": Union((Sphere((0, 0, 0), 4), Sphere((9, 0, 0), 2))),
}


def grid(low: float, high: float, count: int) -> np.ndarray:
    axis = np.linspace(low, high, count)
    return np.stack(np.meshgrid(axis, axis, axis, indexing="ij")).reshape(3, -1)


@pytest.mark.parametrize("name", ["sphere", "half-space", "capsule", "cylinder", "plate", "pair"])
def test_distance_of_exact_shapes_is_the_distance_to_the_nearest_inside_point(name: str) -> None:
    """Definition of the distance to a set, by brute force over a fine grid of it."""
    shape = PRIMITIVES[name]
    cells = grid(-12, 18, 101)  # 0.3 mm apart
    inside = cells[:, shape.distance(cells) <= 0]
    rng = np.random.default_rng(1)
    probe = rng.uniform(-4, 9, (3, 60))
    probe = probe[:, shape.distance(probe) > 0.5]
    brute = [np.linalg.norm(inside.T - p, axis=1).min() for p in probe.T]
    over = np.array(brute) - shape.distance(probe)
    assert over.min() > -1e-9
    assert over.max() < 0.3 * np.sqrt(3)


@pytest.mark.parametrize("name", PRIMITIVES)
@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 2**32 - 1))
def test_no_shape_outruns_the_distance_walked(name: str, seed: int) -> None:
    rng = np.random.default_rng(seed)
    here = rng.uniform(-15, 15, (3, 200))
    there = here + rng.normal(0, rng.choice([0.1, 1.0, 5.0]), here.shape)
    change = np.abs(PRIMITIVES[name].distance(here) - PRIMITIVES[name].distance(there))
    assert np.all(change <= np.linalg.norm(here - there, axis=0) + 1e-9)


@pytest.mark.parametrize("seed", [None, 5, 9])
def test_no_layer_of_a_shoulder_outruns_the_distance_walked(seed: int | None) -> None:
    """Blocks are decided from their middles on the strength of this."""
    state = Condition(
        defect=FullThicknessDefect(18, 40, shape="u"),
        bursal_fluid_mm=1.5,
        joint_fluid_mm=1.0,
        supraspinatus=MuscleState(0.5, 0.3, 5),
        infraspinatus=MuscleState(0.2),
        anchors=(Anchor(0, 5, material="titanium", bloom_mm=3, fluid_mm=9, fluid_length_mm=9),),
    )
    spec = ShoulderSpec(condition=state) if seed is None else ShoulderSpec.vary(seed, "left")
    rng = np.random.default_rng(7)
    here = rng.uniform([[-130], [-90], [-110]], [[70], [90], [80]], (3, 20000))
    step = rng.normal(size=here.shape)
    step *= 10 ** rng.uniform(-2, 1, here.shape[1]) / np.linalg.norm(step, axis=0)
    for layer in Phantom(spec)._layers:
        change = np.abs(layer.bound(here) - layer.bound(here + step))
        assert np.all(change <= np.linalg.norm(step, axis=0) + 1e-6), layer


def test_polygon_distance_by_hand() -> None:
    """Distances to an L worked out from its drawing, both ways round."""
    x = np.array([1.0, 3.0, 7.0, -3.0, 4.0, 5.0])
    y = np.array([1.0, 3.0, 1.0, -4.0, 1.5, -2.0])
    expected = np.array([-1.0, 1.0, 1.0, 5.0, -0.5, 2.0])
    assert polygon_distance(x, y, L_SHAPE) == pytest.approx(expected)
    assert polygon_distance(x, y, L_SHAPE[::-1]) == pytest.approx(expected)


def test_polygon_distance_keeps_single_precision() -> None:
    x = np.zeros(3, dtype=np.float32)
    assert polygon_distance(x, x, L_SHAPE).dtype == np.float32


def test_rounded_area_is_steiners() -> None:
    """Steiner's formula on the unit square: 1 + 4 r + pi r^2; and the contour encloses it."""
    square = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], dtype=float)
    assert rounded_area(square, 0.5) == pytest.approx(1 + 2 + np.pi / 4)
    outline = rounded_contour(square, 0.5, 7200)
    x, y = outline.T
    shoelace = 0.5 * np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)
    assert shoelace == pytest.approx(1 + 2 + np.pi / 4, rel=1e-4)
