"""The stated truth is really in the samples: lines are walked through the phantom.

Edges found by walking must agree with the truth's points to 0.01 mm, the accuracy the phantom
promises.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from scipy import ndimage

from synthetic_scans.phantom.cuff import cuff
from synthetic_scans.phantom.lesions import gap
from synthetic_scans.phantom.scapula import leaning, y_view
from synthetic_scans.phantom.shoulder import Phantom
from synthetic_scans.phantom.tissue import Tissue
from synthetic_scans.spec import (
    MUSCLES,
    Anchor,
    Condition,
    FullThicknessDefect,
    MuscleState,
    PartialDefect,
    ShoulderSpec,
    SignalChange,
)
from synthetic_scans.truth.measurements import Measurement
from synthetic_scans.truth.shoulder import Truth, truth

PROMISE_MM = 0.01


def measured(known: Truth, name: str) -> Measurement:
    return next(m for m in known.measurements if m.name == name)


def edges(phantom: Phantom, path: np.ndarray, tissue: Tissue) -> list[np.ndarray]:
    """Places on a path (N, 3) where ``tissue`` begins or ends, each halved to 1e-4 mm."""
    here = phantom.sample(path).tissue == tissue
    found = []
    for index in np.flatnonzero(here[1:] != here[:-1]):
        low, high = path[index], path[index + 1]
        while np.linalg.norm(high - low) > 1e-4:
            middle = 0.5 * (low + high)
            if (phantom.sample(middle[None]).tissue[0] == tissue) == here[index]:
                low = middle
            else:
                high = middle
        found.append(0.5 * (low + high))
    return found


def line(start, end, beyond: float, step: float = 0.05) -> np.ndarray:
    """Points from ``beyond`` mm before ``start`` to ``beyond`` mm after ``end``."""
    start, end = np.array(start), np.array(end)
    length = np.linalg.norm(end - start)
    along = np.arange(-beyond, length + beyond, step)
    return start + along[:, None] * (end - start) / length


def lifted(phantom: Phantom, points, centre, by: float) -> np.ndarray:
    """Points moved away from the head centre."""
    points = np.array(points)
    out = points - np.array(centre)
    return points + by * out / np.linalg.norm(out, axis=1, keepdims=True)


DEFECTS = [
    FullThicknessDefect(12, 14),
    FullThicknessDefect(20, 28, centre_mm=2, shape="u"),
    FullThicknessDefect(16, 20, centre_mm=5, shape="crescent", filling="granulation"),
    FullThicknessDefect(18, 30, centre_mm=2, shape="l", remnant_mm=10),
    FullThicknessDefect(18, 24, centre_mm=6, shape="reverse_l"),
    FullThicknessDefect(10, 26, centre_mm=-2, shape="u", remnant_mm=12),
    FullThicknessDefect(34, 30, centre_mm=7, shape="crescent"),
]


@pytest.mark.parametrize("seed", [None, 3])
@pytest.mark.parametrize("defect", DEFECTS, ids=lambda d: f"{d.shape}-{d.width_mm}")
def test_defect_edges_lie_where_stated(defect: FullThicknessDefect, seed: int | None) -> None:
    spec = ShoulderSpec() if seed is None else ShoulderSpec.vary(seed, "left")
    spec = spec.with_condition(Condition(defect=defect))
    phantom, known = Phantom(spec), truth(spec)
    filling = Tissue.FLUID if defect.filling == "fluid" else Tissue.GRANULATION

    width = measured(known, "defect_width")
    front, *_, back = edges(phantom, line(*width.points, beyond=0.6), filling)
    assert np.linalg.norm(back - front) == pytest.approx(defect.width_mm, abs=PROMISE_MM)
    assert np.array([front, back]) == pytest.approx(np.array(width.points), abs=PROMISE_MM)
    assert width.value == pytest.approx(defect.width_mm, abs=1e-9)

    retraction = measured(known, "defect_retraction")
    assert retraction.value == pytest.approx(defect.retraction_mm, abs=1e-6)
    head = known.landmarks["head_centre"]
    path = np.array(measured(known, "defect_retraction_arc").points)
    dense = np.concatenate([np.linspace(a, b, 20) for a, b in pairwise(path)])
    stump = path[-1]
    beyond = stump + (stump - path[-2]) / np.linalg.norm(stump - path[-2]) * 0.4
    walk = lifted(phantom, np.vstack([dense, line(stump, beyond, 0, 0.02)]), head, 0.02)
    crossing = edges(phantom, walk, filling)
    assert crossing[-1] == pytest.approx(stump, abs=0.03)
    assert np.linalg.norm(crossing[-1] - lifted(phantom, [stump], head, 0.02)[0]) < PROMISE_MM
    if defect.remnant_mm:
        lateral = measured(known, "footprint_remnant").points[-1]
        on_curve = lifted(phantom, [lateral], head, 0.02)[0]
        assert np.linalg.norm(crossing[-2] - on_curve) < PROMISE_MM


def test_retraction_along_the_head_is_longer_than_straight_by_the_chord_formula() -> None:
    """chord = 2 r sin(arc / 2r) for stumps that still lie on the head."""
    spec = ShoulderSpec(condition=Condition(defect=FullThicknessDefect(12, 24)))
    radius, known = spec.head_radius_mm + spec.cartilage_mm, truth(spec)
    arc = measured(known, "defect_retraction_arc").value
    assert 2 * radius * np.sin(arc / (2 * radius)) == pytest.approx(24, abs=1e-5)
    steps = np.diff(np.array(measured(known, "defect_retraction_arc").points), axis=0)
    assert np.linalg.norm(steps, axis=1).sum() == pytest.approx(arc, abs=1e-3)


@pytest.mark.parametrize("thickness", [None, 2.2, 3.6])
@pytest.mark.parametrize("seed", [None, 8])
def test_thickness_along_the_normal(seed: int | None, thickness: float | None) -> None:
    spec = ShoulderSpec() if seed is None else ShoulderSpec.vary(seed, "right")
    spec = spec.with_condition(Condition(thickness_mm=thickness))
    known = measured(truth(spec), "tendon_thickness")
    inner, outer = edges(Phantom(spec), line(*known.points, beyond=1.0), Tissue.TENDON)
    expected = spec.tendon_mm if thickness is None else thickness
    assert np.linalg.norm(outer - inner) == pytest.approx(expected, abs=PROMISE_MM)
    assert known.value == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("side", ["articular", "bursal", "intratendinous"])
def test_partial_loss_has_its_stated_depth_and_extent(side) -> None:
    partial = PartialDefect(side, 2.4, 11, 9, lateral_mm=7, centre_mm=2)
    spec = ShoulderSpec(condition=Condition(partial=partial))
    phantom, known = Phantom(spec), truth(spec)
    depth = measured(known, "partial_depth")
    low, high = np.array(depth.points)
    nudge = 0.02 * (high - low) / np.linalg.norm(high - low)
    walk = line(low - nudge, high + nudge, beyond=0.5)
    inner, outer = edges(phantom, walk, Tissue.FLUID)
    if side == "articular":
        inner = low  # joint fluid and lost tendon are one
    assert np.linalg.norm(outer - inner) == pytest.approx(2.4, abs=PROMISE_MM)
    left = measured(known, "remaining_thickness").value
    assert left == pytest.approx(spec.tendon_mm - 2.4, abs=1e-9)
    head = known.landmarks["head_centre"]
    for name in ("partial_width", "partial_length"):
        ends = lifted(phantom, measured(known, name).points, head, 0.05)
        for end, inwards in zip(ends, (ends[1] - ends[0], ends[0] - ends[1]), strict=True):
            direction = 0.03 * inwards / np.linalg.norm(inwards)
            towards = lifted(phantom, [end + direction], head, 0.03)[0]
            away = lifted(phantom, [end - direction], head, 0.03)[0]
            assert phantom.sample(towards[None]).tissue[0] == Tissue.FLUID
            assert phantom.sample(away[None]).tissue[0] == Tissue.TENDON
    assert measured(known, "partial_width").value == pytest.approx(11, abs=1e-9)


def test_thickness_is_measured_beside_a_partial_loss() -> None:
    partial = PartialDefect("articular", 2.0, 14, 12, lateral_mm=8)
    spec = ShoulderSpec(condition=Condition(partial=partial))
    known = measured(truth(spec), "tendon_thickness")
    inner, outer = edges(Phantom(spec), line(*known.points, beyond=1.0), Tissue.TENDON)
    assert np.linalg.norm(outer - inner) == pytest.approx(spec.tendon_mm, abs=PROMISE_MM)


def test_bright_patch_peaks_at_its_level_and_halves_at_its_outline() -> None:
    change = SignalChange(0.8, width_mm=12, length_mm=10, lateral_mm=6)
    spec = ShoulderSpec(condition=Condition(signal=change))
    phantom, sheet = Phantom(spec), cuff(spec)
    start = sheet.radius * sheet.edge_turn(0.0)
    points = [sheet.point(start + reach, 2.0) for reach in (6.0, 11.0, 16.0)]
    signal = phantom.sample(phantom.joint.to_patient(np.array(points))).tendon_signal
    assert signal == pytest.approx([0.4, 0.8, 0.4], abs=1e-4)


@pytest.mark.parametrize("migration", [0.0, 3.5, 7.0])
@pytest.mark.parametrize("seed", [None, 2, 4])
def test_acromiohumeral_distance_is_the_shortest_between_the_bones(
    seed: int | None, migration: float
) -> None:
    spec = ShoulderSpec() if seed is None else ShoulderSpec.vary(seed, "left")
    torn = FullThicknessDefect(22, 30, centre_mm=3, shape="u")
    spec = spec.with_condition(Condition(defect=torn, head_migration_mm=migration))
    phantom = Phantom(spec)
    known = measured(truth(spec), "acromiohumeral_distance")
    foot, top = np.array(known.points)
    walk = edges(phantom, line(top, foot, beyond=0.8), Tissue.CORTICAL_BONE)
    assert np.linalg.norm(walk[-1] - walk[0]) == pytest.approx(known.value, abs=PROMISE_MM)
    # No bone round the foot is nearer: a cap of directions just short of it holds none.
    rng = np.random.default_rng(0)
    directions = rng.normal(size=(40000, 3))
    directions /= np.linalg.norm(directions, axis=1, keepdims=True)
    directions = directions[directions @ ((foot - top) / known.value) > 0.8]
    head = np.array(truth(spec).landmarks["head_centre"])
    short = head + (spec.head_radius_mm + known.value - 0.02) * directions
    bone = (Tissue.CORTICAL_BONE, Tissue.MARROW)
    assert not np.isin(phantom.sample(short).tissue, bone).any()


def test_migration_narrows_the_space() -> None:
    torn = FullThicknessDefect(22, 30, centre_mm=3)
    rest, up = (
        truth(ShoulderSpec(condition=Condition(defect=torn, head_migration_mm=mm)))
        for mm in (0.0, 4.0)
    )
    assert rest.value("acromiohumeral_distance") == pytest.approx(9.5, abs=1e-9)
    assert 3.5 < 9.5 - up.value("acromiohumeral_distance") <= 4.0


def on_y_view(
    spec: ShoulderSpec, step: float, low=(-26.0, -8.0), high=(34.0, 52.0)
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Grid of (posterior, superior) places around the fossa and their joint points."""
    view = y_view(spec)
    p, s = np.meshgrid(*map(np.arange, low, high, (step, step)), indexing="ij")
    q = np.stack([np.full(p.size, view.lateral), p.ravel(), s.ravel()], axis=1)
    return p, s, q


def nearest(p: np.ndarray, s: np.ndarray, place: np.ndarray) -> tuple[np.intp, ...]:
    """Index of the grid place 4 mm above ``place``: in the muscle for the fossa's floor."""
    return np.unravel_index(np.argmin(np.hypot(p - place[0], s - place[1] - 4)), p.shape)


@pytest.mark.parametrize("seed", [None, 1, 6])
@pytest.mark.parametrize(("bulk", "retraction"), [(1.0, 0.0), (0.55, 14.0)])
def test_occupation_ratio_by_counting(seed: int | None, bulk: float, retraction: float) -> None:
    """Muscle, fat and bone of the Y-view counted on a grid of 0.1 mm."""
    spec = ShoulderSpec() if seed is None else ShoulderSpec.vary(seed, "right")
    state = MuscleState(bulk=bulk, retraction_mm=retraction)
    spec = spec.with_condition(Condition(supraspinatus=state))
    phantom, known, view = Phantom(spec), truth(spec), y_view(spec)
    p, s, q = on_y_view(spec, 0.1)
    tissue = phantom.sample(phantom.joint.to_patient(q)).tissue.reshape(p.shape)
    labels, _ = ndimage.label(np.isin(tissue, (Tissue.MUSCLE, Tissue.TENDON)))
    area = np.count_nonzero(labels == labels[nearest(p, s, view.floor)]) * 0.01
    assert area == pytest.approx(known.value("supraspinatus_area"), rel=0.003)
    assert known.value("occupation_ratio") == pytest.approx(
        known.value("supraspinatus_area") / known.value("fossa_area")
    )
    if retraction == 0:
        assert known.value("occupation_ratio") == pytest.approx(spec.occupation * bulk, abs=1e-9)
    else:
        assert known.value("occupation_ratio") < spec.occupation * bulk


@pytest.mark.parametrize("seed", [None, 1, 6])
def test_fossa_lies_between_the_facing_cortices(seed: int | None) -> None:
    """Just inside the sides of the fossa there is no bone, just outside there is cortex."""
    spec = ShoulderSpec() if seed is None else ShoulderSpec.vary(seed, "left")
    phantom, view = Phantom(spec), y_view(spec)
    for corner, top in ((view.fossa[1], view.spine_top), (view.fossa[-1], view.coracoid_top)):
        direction = (top - view.fork) / np.linalg.norm(top - view.fork)
        inwards = corner - top - (corner - top) @ direction * direction
        inwards /= np.linalg.norm(inwards)
        for share in (0.3, 0.5, 0.8):
            middle = view.floor + share * (corner - view.floor)
            side = middle - 3.0 * inwards
            places = np.array([side + 0.01 * inwards, side - 0.01 * inwards])
            q = np.column_stack([np.full(2, view.lateral), places])
            inside, outside = phantom.sample(phantom.joint.to_patient(q)).tissue
            assert inside in (Tissue.FAT, Tissue.MUSCLE)
            assert outside == Tissue.CORTICAL_BONE


@pytest.mark.parametrize("seed", [None, 1, 2])
def test_y_view_is_the_most_lateral_plane_with_the_spine_on_the_body(seed: int | None) -> None:
    """Definition of the Y-view: Lee, Clin Orthop Surg 2018;10(1)."""
    spec = ShoulderSpec() if seed is None else ShoulderSpec.vary(seed, "left")
    phantom, view = Phantom(spec), y_view(spec)
    p, _, q = on_y_view(spec, 0.25)
    joined = []
    for medial in (0.0, -0.5):
        q[:, 0] = view.lateral - medial
        tissue = phantom.sample(phantom.joint.to_patient(q)).tissue.reshape(p.shape)
        bone = np.isin(tissue, (Tissue.CORTICAL_BONE, Tissue.MARROW))
        labels, _ = ndimage.label(bone, np.ones((3, 3)))
        arm, stem = (
            labels[tuple(np.round((place - [-26.0, -8.0]) / 0.25).astype(int))]
            for place in (
                view.fork + 0.7 * (view.spine_top - view.fork),
                np.array([leaning(view, view.fork[1] - 8.0), view.fork[1] - 8.0]),
            )
        )
        assert arm > 0
        assert stem > 0
        joined.append(arm == stem)
    assert joined == [True, False]


@pytest.mark.parametrize("fat", [0.03, 0.25, 0.5, 0.7])
def test_fat_fraction_of_each_muscle(fat: float) -> None:
    state = MuscleState(fat_fraction=fat)
    spec = ShoulderSpec(condition=Condition(**dict.fromkeys(MUSCLES, state)))
    phantom, known, view = Phantom(spec), truth(spec), y_view(spec)
    p, s, q = on_y_view(spec, 0.2)
    sample = phantom.sample(phantom.joint.to_patient(q))
    muscle = (sample.tissue == Tissue.MUSCLE).reshape(p.shape)
    labels, _ = ndimage.label(muscle)
    inside = (labels == labels[nearest(p, s, view.floor)]).ravel()
    assert sample.fat_fraction[inside].mean() == pytest.approx(
        known.value("supraspinatus_fat_fraction"), abs=0.004
    )
    for name in MUSCLES:
        assert known.value(f"{name}_fat_fraction") == pytest.approx(fat, abs=0.02)


def test_tangent_height_is_the_top_of_the_muscle_over_the_line() -> None:
    for bulk, sign in ((1.0, 1), (0.35, -1)):
        spec = ShoulderSpec(condition=Condition(supraspinatus=MuscleState(bulk=bulk)))
        known, phantom = measured(truth(spec), "tangent_height"), Phantom(spec)
        coracoid, spine, top = np.array(known.points)
        assert np.sign(known.value) == sign
        axis = (spine - coracoid) / np.linalg.norm(spine - coracoid)
        off_line = (top - coracoid) - (top - coracoid) @ axis * axis
        assert np.linalg.norm(off_line) == pytest.approx(abs(known.value))
        up = sign * off_line / np.linalg.norm(off_line)
        above, below = phantom.sample(np.array([top + 0.03 * up, top - 0.03 * up])).tissue
        assert (above, below) == (Tissue.FAT, Tissue.MUSCLE)


def test_anchor_lies_between_its_stated_ends() -> None:
    anchor = Anchor(3, 6, pull_out_mm=2, tunnel_mm=6.5, fluid_mm=9, fluid_length_mm=8)
    spec = ShoulderSpec(condition=Condition(anchors=(anchor,)))
    phantom, (known,) = Phantom(spec), truth(spec).anchors
    head, tip = np.array(known.head), np.array(known.tip)
    first, last = edges(phantom, line(head, tip, beyond=2), Tissue.IMPLANT)
    assert first == pytest.approx(head, abs=PROMISE_MM)
    assert last == pytest.approx(tip, abs=PROMISE_MM)
    assert known.displacement_mm == pytest.approx(2)
    axis = (tip - head) / anchor.length_mm
    across = np.cross(axis, [0.0, 0.0, 1.0])
    across /= np.linalg.norm(across)
    for depth, diameter in ((11.0, 9.0), (4.5, 6.5)):
        middle = head + depth * axis
        walls = edges(phantom, line(middle - 8 * across, middle + 8 * across, 0), Tissue.FLUID)
        assert np.linalg.norm(walls[-1] - walls[0]) == pytest.approx(diameter, abs=PROMISE_MM)
        body = edges(phantom, line(middle - 8 * across, middle + 8 * across, 0), Tissue.IMPLANT)
        assert np.linalg.norm(body[-1] - body[0]) == pytest.approx(4.75, abs=PROMISE_MM)


def test_only_titanium_blooms() -> None:
    for material, expected in (("titanium", True), ("peek", False)):
        anchor = Anchor(0, 5, material=material, bloom_mm=4)
        spec = ShoulderSpec(condition=Condition(anchors=(anchor,)))
        phantom, (known,) = Phantom(spec), truth(spec).anchors
        head, tip = np.array(known.head), np.array(known.tip)
        across = np.cross(tip - head, [0.0, 0.0, 1.0])
        beside = 0.5 * (head + tip) + (0.5 * 4.75 + 3.9) * across / np.linalg.norm(across)
        assert (phantom.sample(beside[None]).tissue[0] == Tissue.BLOOM) is np.bool_(expected)


def test_bursal_and_joint_fluid_have_their_depth() -> None:
    condition = Condition(bursal_fluid_mm=1.8, joint_fluid_mm=1.2)
    spec = ShoulderSpec(condition=condition)
    phantom = Phantom(spec)
    inner, outer = np.array(measured(truth(spec), "tendon_thickness").points)
    path = line(inner, outer, beyond=3.0)
    walls = edges(phantom, path, Tissue.FLUID)
    assert np.linalg.norm(walls[-1] - walls[-2]) == pytest.approx(1.8, abs=PROMISE_MM)
    assert np.linalg.norm(walls[-2] - inner) == pytest.approx(spec.tendon_mm, abs=PROMISE_MM)
    dry = Phantom(ShoulderSpec(condition=Condition(joint_fluid_mm=0.0)))
    assert not edges(dry, path, Tissue.FLUID)


def test_retracted_muscle_moves_its_junction() -> None:
    spec = ShoulderSpec(condition=Condition(supraspinatus=MuscleState(retraction_mm=9)))
    before, after = np.array(measured(truth(spec), "supraspinatus_junction_retraction").points)
    phantom, head = Phantom(spec), truth(spec).landmarks["head_centre"]
    for place, expected in ((before, Tissue.TENDON), (after, Tissue.MUSCLE)):
        medial = place + 0.4 * (after - before) / np.linalg.norm(after - before)
        point = lifted(phantom, [medial], head, 0.05)
        assert phantom.sample(point).tissue[0] == expected


@pytest.mark.parametrize(
    ("condition", "message"),
    [
        (Condition(defect=FullThicknessDefect(20, 20, centre_mm=-8)), "centre_mm expected further"),
        (Condition(defect=FullThicknessDefect(46, 20, centre_mm=20)), "width_mm expected below"),
        (Condition(head_migration_mm=6), "acromiohumeral_mm less head_migration_mm"),
        (Condition(partial=PartialDefect("bursal", 5.4, 9, 9)), "depth_mm expected below"),
    ],
)
def test_lesions_that_do_not_fit_are_refused(condition: Condition, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        Phantom(ShoulderSpec(head_radius_mm=20.5, condition=condition))


def test_remnant_must_leave_a_gap() -> None:
    defect = FullThicknessDefect(8, 14, remnant_mm=13.9)
    with pytest.raises(ValueError, match="remnant_mm expected at least 1 mm less"):
        gap(cuff(ShoulderSpec()), defect)
