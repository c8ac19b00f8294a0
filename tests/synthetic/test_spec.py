"""Specification: bounds, faults listed together, patients drawn from published anatomy."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from synthetic_scans.spec import (
    ANATOMY,
    LIMITS,
    Anchor,
    Condition,
    FullThicknessDefect,
    MuscleState,
    PartialDefect,
    ShoulderSpec,
    SignalChange,
)


def test_all_faults_come_in_one_message() -> None:
    with pytest.raises(ValueError, match=r"width_mm expected 1 to 46, found 99.*shape expected"):
        FullThicknessDefect(99, 20, shape="square")  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: FullThicknessDefect(10, 12, remnant_mm=12), "remnant_mm expected below"),
        (lambda: FullThicknessDefect(float("nan"), 12), "width_mm expected"),
        (lambda: FullThicknessDefect(10, 12, filling="air"), "filling expected one of"),
        (lambda: PartialDefect("top", 2, 5, 5), "side expected one of"),
        (lambda: PartialDefect("bursal", 0, 5, 5), "depth_mm expected"),
        (lambda: SignalChange(1.5), "level expected 0 to 1, found 1.5"),
        (lambda: MuscleState(fat_fraction=-0.1), "fat_fraction expected"),
        (lambda: Anchor(0, 0, diameter_mm=5, tunnel_mm=4), "tunnel_mm expected 5 to 20"),
        (lambda: Anchor(0, 0, material="steel"), "material expected one of"),
        (lambda: Condition(thickness_mm=0.1), "thickness_mm expected"),
        (lambda: Condition(bursal_fluid_mm=-1), "bursal_fluid_mm expected"),
        (
            lambda: Condition(
                defect=FullThicknessDefect(9, 9), partial=PartialDefect("bursal", 2, 5, 5)
            ),
            "partial expected None",
        ),
        (
            lambda: ShoulderSpec(
                condition=Condition(supraspinatus=MuscleState(1.2)), occupation=0.9
            ),
            "occupation times supraspinatus bulk expected 0 to 1, found 1.08",
        ),
        (lambda: ShoulderSpec(side="both"), "side expected one of"),
        (lambda: ShoulderSpec(head_radius_mm=40), "head_radius_mm expected 20 to 29"),
    ],
)
def test_impossible_values_are_refused(make, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        make()


def test_same_seed_is_the_same_patient_and_the_other_side_its_mirror() -> None:
    left, right = ShoulderSpec.vary(4, "left"), ShoulderSpec.vary(4, "right")
    assert left == ShoulderSpec.vary(4, "left")
    assert left != ShoulderSpec.vary(5, "left")
    mirrored = (-right.head_centre_mm[0], *right.head_centre_mm[1:])
    assert dataclasses.replace(right, side="left", head_centre_mm=mirrored) == left
    assert left.head_centre_mm[0] > 0 > right.head_centre_mm[0]


def test_drawn_patients_have_the_published_means() -> None:
    """Head radius 24 mm: Iannotti, J Bone Joint Surg Am 1992;74:491 (from memory). Thickness
    4.9 to 5.6 mm and footprint 13.5 to 14.9 mm: Karthikeyan, J Shoulder Elbow Surg 2014;23:1107.
    Supraspinatus insertion 23 mm: Curtis, Arthroscopy 2006;22:609.e1."""
    drawn = [ShoulderSpec.vary(seed, "left") for seed in range(400)]

    def mean(name: str) -> float:
        return float(np.mean([getattr(spec, name) for spec in drawn]))

    assert mean("head_radius_mm") == pytest.approx(24.0, abs=0.3)
    assert 4.9 < mean("tendon_mm") < 5.6
    assert 13.5 < mean("footprint_length_mm") < 14.9
    assert mean("footprint_width_mm") == pytest.approx(23.0, abs=0.4)
    assert min(spec.acromiohumeral_mm for spec in drawn) >= 6.0


def test_drawn_ranges_lie_within_the_accepted_ones() -> None:
    for name, (mean, _, low, high) in ANATOMY.items():
        assert LIMITS[name][0] <= low < mean < high <= LIMITS[name][1]


def test_muscles_are_found_by_name() -> None:
    state = Condition(subscapularis=MuscleState(bulk=0.5))
    assert state.muscle("subscapularis").bulk == 0.5
    assert state.muscle("teres_minor").bulk == 1.0
