"""Areas on oblique planes, occupation ratio and tangent line."""

from __future__ import annotations

import math

import numpy as np
import pytest

from imgtrack.domain.errors import InvalidInput
from imgtrack.domain.scales import derive
from imgtrack.measure.areas import area_of
from imgtrack.measure.muscle import FossaRoof, height_above_line, occupation_ratio

SQUARE = np.array([(0, 0, 0), (0, 10, 0), (0, 10, 10), (0, 0, 10)], dtype=float)


def test_area_of_a_square_a_triangle_and_a_bay():
    # Hand-worked.
    assert area_of(SQUARE).mm2 == pytest.approx(100, abs=1e-12)
    assert area_of([(0, 0, 0), (6, 0, 0), (0, 8, 0)]).mm2 == pytest.approx(24, abs=1e-12)
    bay = [(0, 0, 0), (10, 0, 0), (10, 10, 0), (5, 2, 0), (0, 10, 0)]
    assert area_of(bay).mm2 == pytest.approx(60, abs=1e-12)


def test_area_of_many_points_on_a_circle_approaches_the_circle():
    angles = np.linspace(0, 2 * math.pi, 720, endpoint=False)
    circle = 12 * np.column_stack([np.cos(angles), np.zeros_like(angles), np.sin(angles)])
    # A regular polygon of n sides: n r^2 sin(2 pi / n) / 2.
    assert area_of(circle).mm2 == pytest.approx(360 * 144 * math.sin(math.pi / 360), rel=1e-12)


def test_direction_of_drawing_turns_the_normal_and_nothing_else():
    there, back = area_of(SQUARE), area_of(SQUARE[::-1])
    assert there.mm2 == back.mm2
    assert there.normal == (1.0, 0.0, 0.0)
    assert back.normal == (-1.0, 0.0, 0.0)


def test_a_point_off_the_plane_is_refused_with_its_distance():
    bent = SQUARE.copy()
    bent[2, 0] = 2.0
    with pytest.raises(InvalidInput, match=r"within 0\.01 mm") as caught:
        area_of(bent)
    assert caught.value.faults[0].found == "0.495 mm"
    assert area_of(bent, flatness_mm=0.6).mm2 == pytest.approx(100.98, abs=0.05)


def test_a_loop_and_a_line_are_refused():
    loop = SQUARE[[0, 2, 1, 3]] + np.array([[0, 0, 0], [0, 0, 4], [0, 0, 0], [0, 0, 0]])
    with pytest.raises(InvalidInput, match="crosses itself"):
        area_of(loop)
    with pytest.raises(InvalidInput, match="encloses nothing"):
        area_of([(0, 0, 0), (5, 5, 5), (9, 9, 9)])
    with pytest.raises(InvalidInput, match="3 or more"):
        area_of(SQUARE[:2])


def scaled(share: float) -> np.ndarray:
    return SQUARE * math.sqrt(share)


# Thomazeau H et al. Acta Orthop Scand 1996;67:264-8: stages at 0.60 and 0.40.
@pytest.mark.parametrize(("share", "stage"), [(0.75, "I"), (0.5, "II"), (0.3, "III")])
def test_occupation_ratio_gives_the_stage(share, stage):
    found = occupation_ratio(scaled(share), SQUARE, fossa_roof=FossaRoof.FASCIA)
    assert found.ratio == pytest.approx(share, abs=1e-12)
    assert found.muscle_mm2 == pytest.approx(100 * share, abs=1e-12)
    assert found.fossa_mm2 == pytest.approx(100, abs=1e-12)
    assert found.fossa_roof is FossaRoof.FASCIA
    assert derive.thomazeau(occupation_ratio=found.ratio).level == stage


@pytest.mark.parametrize(
    "muscle",
    [SQUARE + np.array([4.0, 0, 0]), SQUARE[:, [1, 0, 2]]],
    ids=["next slice", "other plane"],
)
def test_outlines_of_two_images_make_no_ratio(muscle):
    with pytest.raises(InvalidInput, match="one image"):
        occupation_ratio(muscle, SQUARE, fossa_roof=FossaRoof.SPINE_CORACOID_LINE)


def line_at(height: float) -> dict[str, tuple[float, float, float]]:
    return {"spine": (0.0, 30.0, height), "coracoid": (0.0, -20.0, height)}


# Zanetti M et al. Invest Radiol 1998;33:163-70.
@pytest.mark.parametrize(
    ("line", "height", "sign"),
    [(8.0, 2.0, "negative"), (10.0, 0.0, "positive"), (13.0, -3.0, "positive")],
)
def test_height_above_the_tangent_line_gives_the_sign(line, height, sign):
    found = height_above_line(SQUARE, **line_at(line))
    assert found == pytest.approx(height, abs=1e-12)
    assert derive.tangent_sign(height_above_line_mm=found).level == sign


def test_height_is_the_same_whichever_way_line_and_outline_were_drawn():
    line = line_at(8.0)
    swapped = {"spine": line["coracoid"], "coracoid": line["spine"]}
    assert height_above_line(SQUARE[::-1], **swapped) == pytest.approx(2, abs=1e-12)


def test_height_is_at_right_angles_to_a_sloping_line():
    # Line through the origin at 45 degrees; the corner (y 0, z 10) lies 10 / sqrt 2 above it.
    found = height_above_line(SQUARE, spine=(0, 0, 0), coracoid=(0, 10, 10))
    assert found == pytest.approx(10 / math.sqrt(2), abs=1e-12)


def test_a_line_off_the_image_or_upright_is_refused():
    with pytest.raises(InvalidInput, match="image of the muscle"):
        height_above_line(SQUARE, spine=(3, 0, 0), coracoid=(3, 10, 0))
    with pytest.raises(InvalidInput, match="upright"):
        height_above_line(SQUARE, spine=(0, 5, 0), coracoid=(0, 5, 10))
    with pytest.raises(InvalidInput, match="no direction"):
        height_above_line(SQUARE, spine=(0, 5, 0), coracoid=(0, 5, 0))
