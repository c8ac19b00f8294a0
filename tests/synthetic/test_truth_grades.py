"""Implied grades at the edges of the published criteria."""

from __future__ import annotations

import numpy as np
import pytest

from synthetic_scans.planes import frames
from synthetic_scans.spec import (
    Anchor,
    Condition,
    FullThicknessDefect,
    MuscleState,
    PartialDefect,
    ShoulderSpec,
    SignalChange,
)
from synthetic_scans.truth.grades import (
    Evidence,
    davidson_burkhart,
    deorio_cofield,
    goutallier,
    patte,
    sugaya_2007,
)
from synthetic_scans.truth.implants import fluid_grade
from synthetic_scans.truth.sections import SliceStack
from synthetic_scans.truth.shoulder import truth


def evidence(condition: Condition, **more) -> Evidence:
    spec = ShoulderSpec(condition=condition)
    values = {m.name: m.value for m in truth(spec).measurements}
    given = {"places": {}, "gap_slices": {}, "anchors": ()} | more
    return Evidence(spec=spec, values=values, **given)


def two_planes(spec: ShoulderSpec, spacing: float) -> list[SliceStack]:
    return [
        SliceStack(
            name,
            frame.row,
            frame.column,
            frame.centre + np.outer((np.arange(40) - 19.5) * spacing, frame.normal),
        )
        for name, frame in frames(spec).items()
        if name != "axial"
    ]


@pytest.mark.parametrize(
    ("coronal", "sagittal", "expected"),
    [(1, 1, "IV"), (2, 2, "IV"), (2, 3, "V"), (3, 2, "V"), (5, 6, "V"), (0, 2, None), (3, 0, None)],
)
def test_sugaya_counts_slices_on_both_series(coronal: int, sagittal: int, expected) -> None:
    """Sugaya, J Bone Joint Surg Am 2007;89:953: one or two slices on both series, more than
    two; a gap in one series only is not covered by the criteria."""
    counts = {"coronal_oblique": coronal, "sagittal_oblique": sagittal}
    torn = Condition(defect=FullThicknessDefect(10, 12))
    assert sugaya_2007(evidence(torn, gap_slices=counts))[0] == expected


def test_sugaya_of_a_tear_needs_both_series() -> None:
    torn = Condition(defect=FullThicknessDefect(10, 12))
    grade, rule = sugaya_2007(evidence(torn, gap_slices={"coronal_oblique": 3}))
    assert grade is None
    assert "sagittal" in rule


@pytest.mark.parametrize(
    ("condition", "expected"),
    [
        (Condition(), "I"),
        (Condition(signal=SignalChange(0.1)), "I"),
        (Condition(signal=SignalChange(0.5)), "II"),
        (Condition(scar_mm=8), "II"),
        (Condition(partial=PartialDefect("articular", 2.5, 9, 9)), "II"),
        (Condition(partial=PartialDefect("articular", 2.8, 9, 9)), "III"),
        (Condition(thickness_mm=2.66), "I"),
        (Condition(thickness_mm=2.64), "III"),
        (Condition(thickness_mm=2.64, signal=SignalChange(0.5)), "III"),
    ],
)
def test_sugaya_of_continuous_tendon(condition: Condition, expected: str) -> None:
    """Same source; half of this shoulder's healthy 5.3 mm is 2.65 mm."""
    assert sugaya_2007(evidence(condition))[0] == expected


def test_same_defect_changes_type_with_slice_spacing() -> None:
    """Two slices span less tissue when they are thinner: type IV at 5 mm is type V at 2 mm."""
    spec = ShoulderSpec(condition=Condition(defect=FullThicknessDefect(7, 8)))
    coarse, fine = (truth(spec, two_planes(spec, mm)).grade("sugaya_2007") for mm in (5.0, 2.0))
    assert (coarse, fine) == ("IV", "V")


def test_dichotomies_follow_the_type() -> None:
    thin = truth(ShoulderSpec(condition=Condition(thickness_mm=2)))
    assert (thin.grade("retear_iv_v"), thin.grade("failure_iii_v")) == (False, True)
    torn = truth(ShoulderSpec(condition=Condition(defect=FullThicknessDefect(9, 9))))
    assert (torn.grade("retear_iv_v"), torn.grade("failure_iii_v")) == (None, None)


@pytest.mark.parametrize(
    ("length", "width", "expected"),
    [(25, 15, 2), (15, 30, 1), (20, 20, 3), (19, 19, 1), (19.9, 30, 1), (30, 19.9, 2)],
)
def test_davidson_burkhart(length: float, width: float, expected: int) -> None:
    """Davidson, Arthroscopy 2010;26:417: limits of 2 cm; every size has exactly one type."""
    assert davidson_burkhart(length, width) == expected


@pytest.mark.parametrize(
    ("diameter", "expected"),
    [(9.9, "small"), (10, "medium"), (29.9, "medium"), (30, "large"), (50, "massive")],
)
def test_deorio_cofield(diameter: float, expected: str) -> None:
    """DeOrio, J Bone Joint Surg Am 1984;66:563: 1, 3 and 5 cm; edges by convention."""
    assert deorio_cofield(diameter) == expected


@pytest.mark.parametrize(
    ("stump", "expected"), [(5, 1), (19.9, 1), (20, 2), (44.9, 2), (45, 3), (60, 3)]
)
def test_patte_by_landmarks(stump: float, expected: int) -> None:
    """Patte, Clin Orthop 1990;254:81: near the insertion, over the head, at the glenoid."""
    places = {
        "footprint_lateral_edge": (0.0, 0.0, 0.0),
        "head_apex": (20.0, 0.0, 9.0),
        "glenoid_superior_rim": (45.0, 0.0, 0.0),
        "medial_stump": (stump, 0.0, 5.0),
    }
    assert patte(evidence(Condition(), places=places)) == expected


@pytest.mark.parametrize(
    ("depth", "side", "expected"),
    [(2.9, "articular", "A1"), (3.0, "bursal", "B2"), (5.2, "intratendinous", "C2")],
)
def test_ellman(depth: float, side, expected: str) -> None:
    """Ellman, Clin Orthop 1990;254:64: below 3 mm, 3 to 6 mm, above 6 mm."""
    spec = ShoulderSpec(condition=Condition(partial=PartialDefect(side, depth, 9, 9)))
    assert truth(spec).grade("ellman") == expected


def test_deep_partial_loss_of_a_thick_tendon_is_ellman_three() -> None:
    spec = ShoulderSpec(
        tendon_mm=7.2, condition=Condition(partial=PartialDefect("articular", 6.1, 9, 9))
    )
    assert truth(spec).grade("ellman") == "A3"


def test_cho_pattern_and_tendons() -> None:
    """Cho, Am J Sports Med 2010;38:664: type 1 bare tuberosity, type 2 remnant on it."""
    bare = truth(ShoulderSpec(condition=Condition(defect=FullThicknessDefect(10, 14))))
    left = FullThicknessDefect(30, 24, centre_mm=6, remnant_mm=9)
    medial = truth(ShoulderSpec(condition=Condition(defect=left)))
    assert (bare.grade("cho_pattern"), medial.grade("cho_pattern")) == (1, 2)
    assert bare.grade("tendons") == "supraspinatus"
    assert medial.grade("tendons") == "supraspinatus+infraspinatus"


def test_muscle_grades() -> None:
    """Thomazeau 1996 (0.60 and 0.40), tangent sign of Zanetti 1998, index of Goutallier 2003."""
    spec = ShoulderSpec(
        condition=Condition(
            supraspinatus=MuscleState(bulk=0.45, fat_fraction=0.6),
            infraspinatus=MuscleState(fat_fraction=0.3),
            subscapularis=MuscleState(fat_fraction=0.1),
        )
    )
    known = truth(spec)
    assert known.value("occupation_ratio") == pytest.approx(0.36)
    assert known.grade("thomazeau") == 3
    assert known.grade("tangent_sign_positive") is True
    grades = [known.grade(f"goutallier_{n}") for n in ("supraspinatus", "infraspinatus")]
    assert grades == [4, 2]
    assert known.grade("global_fatty_degeneration_index") == pytest.approx((4 + 2 + 1) / 3)
    assert truth(ShoulderSpec()).grade("thomazeau") == 1
    assert truth(ShoulderSpec()).grade("tangent_sign_positive") is False


@pytest.mark.parametrize(
    ("fat", "expected"), [(0.02, 0), (0.10, 1), (0.30, 2), (0.50, 3), (0.60, 4)]
)
def test_fat_grades_rise_with_fat(fat: float, expected: int) -> None:
    """The phantom's own limits; fat less than, equal to and more than muscle as Goutallier 1994."""
    assert goutallier(fat) == expected


@pytest.mark.parametrize(("migration", "expected"), [(0, 1), (3.0, 1), (4.2, None), (5, 2)])
def test_hamada_leaves_five_to_six_ungraded(migration: float, expected) -> None:
    """Hamada, Clin Orthop 1990;254:92: 6 mm and more, 5 mm and less."""
    torn = FullThicknessDefect(20, 28, centre_mm=2)
    spec = ShoulderSpec(condition=Condition(defect=torn, head_migration_mm=migration))
    assert truth(spec).grade("hamada") == expected


@pytest.mark.parametrize(
    ("fluid", "length", "expected"),
    [(0, 0, 0), (4.5, 8, 0), (6, 8, 1), (8, 8, 2), (8, 15, 3), (9.5, 5, 4), (12, 15, 4)],
)
def test_peri_anchor_fluid(fluid: float, length: float, expected: int) -> None:
    """Grades 0 to 4; 3 around the entire anchor, 4 from twice its diameter (4.75 mm)."""
    anchor = Anchor(0, 5, fluid_mm=fluid, fluid_length_mm=length)
    assert fluid_grade(anchor) == expected
    spec = ShoulderSpec(condition=Condition(anchors=(anchor,)))
    assert truth(spec).grade("peri_anchor_fluid_1") == expected
