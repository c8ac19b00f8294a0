"""Radiograph: cone-beam geometry and Beer-Lambert attenuation against closed forms."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from synthetic_scans.phantom.tissue import Tissue
from synthetic_scans.planes import frames
from synthetic_scans.scanner.radiograph import (
    ATTENUATION_PER_MM,
    IMPLANT_PER_MM,
    STORED_PER_UNIT,
    Exposure,
    ProjectionGeometry,
    expose,
    line_integrals,
    true_ap,
)
from synthetic_scans.scanner.targets import ball, half_space, uniform
from synthetic_scans.spec import ShoulderSpec

FRAMES = frames(ShoulderSpec.vary(5, "left"))
FRAME = FRAMES["coronal_oblique"]


def view(**how: object) -> ProjectionGeometry:
    return true_ap(FRAME, **({"matrix": (80, 90), "pixel_mm": 0.6} | how))


def test_attenuation_lies_between_published_values_for_lower_and_higher_energy() -> None:
    """Calculated linear attenuation without coherent scattering at 50 and 80 keV, per cm: water
    0.21 and 0.18, titanium 5.1 and 1.65 (J Nucl Med, online table 57366); ours are for 60 keV.
    """
    assert 0.018 < ATTENUATION_PER_MM[Tissue.FLUID] < 0.0215
    assert 0.165 < IMPLANT_PER_MM["titanium"] < 0.51
    assert ATTENUATION_PER_MM[Tissue.FAT] < ATTENUATION_PER_MM[Tissue.MUSCLE]
    assert ATTENUATION_PER_MM[Tissue.MARROW] < ATTENUATION_PER_MM[Tissue.CORTICAL_BONE]
    assert set(ATTENUATION_PER_MM) | {Tissue.IMPLANT} == set(Tissue)


def test_every_ray_crosses_a_slab_by_its_obliquity() -> None:
    geometry = view(matrix=(60, 80), pixel_mm=4.0)
    found = line_integrals(uniform(Tissue.MUSCLE), geometry, Exposure(depth_mm=90.0))
    rows, columns = np.indices((60, 80))
    down, along = (rows - 29.5) * 4.0, (columns - 39.5) * 4.0
    path = 90.0 * np.sqrt(1150.0**2 + down**2 + along**2) / 1150.0
    assert found == pytest.approx(ATTENUATION_PER_MM[Tissue.MUSCLE] * path, rel=1e-4)


def test_chord_through_a_metal_ball_is_its_diameter() -> None:
    centre = FRAME.centre + 3.0 * FRAME.row
    geometry = view()
    found = line_integrals(
        ball(centre, 6.0, Tissue.IMPLANT), geometry, Exposure(step_mm=0.1, depth_mm=20.0)
    )
    assert found.max() == pytest.approx(12.0 * IMPLANT_PER_MM["titanium"], rel=0.02)
    plastic = Exposure(step_mm=0.1, depth_mm=20.0, implant="peek")
    ratio = line_integrals(ball(centre, 6.0, Tissue.IMPLANT), geometry, plastic).max() / found.max()
    assert ratio == pytest.approx(IMPLANT_PER_MM["peek"] / IMPLANT_PER_MM["titanium"])


@pytest.mark.parametrize("towards_detector", [-40.0, 0.0, 40.0])
def test_a_ball_is_projected_where_and_as_large_as_it_must_be(towards_detector: float) -> None:
    centre = FRAME.centre + 9.0 * FRAME.row - 7.0 * FRAME.column + towards_detector * FRAME.normal
    geometry = view()
    image = line_integrals(
        ball(centre, 5.0, Tissue.IMPLANT), geometry, Exposure(step_mm=0.6, depth_mm=100)
    )
    rows, columns = np.indices(image.shape)
    found = np.array([(rows * image).sum(), (columns * image).sum()]) / image.sum()
    assert found == pytest.approx(geometry.project(centre), abs=0.05)
    # Similar triangles: distance from focal spot to detector over that to the ball.
    magnification = 1150.0 / (1050.0 + towards_detector)
    assert geometry.magnification(centre) == pytest.approx(magnification)
    # Chords summed over the detector: attenuation times volume times magnification squared.
    mass = image.sum() * 0.6**2
    volume = 4 / 3 * math.pi * 5.0**3
    expected = IMPLANT_PER_MM["titanium"] * volume * magnification**2
    assert mass == pytest.approx(expected, rel=0.01)


def test_a_detector_beside_the_beam_sees_what_lies_before_it() -> None:
    """The foot of the beam may lie outside the detector (a swung tube)."""
    straight = view()
    swung = replace(straight, corner=straight.corner + 60.0 * straight.row)
    centre = swung.source + (swung.corner + 24 * (FRAME.row + FRAME.column) - swung.source) * 0.9
    image = line_integrals(ball(centre, 5.0, Tissue.IMPLANT), swung, Exposure(step_mm=1.0))
    rows, columns = np.indices(image.shape)
    found = np.array([(rows * image).sum(), (columns * image).sum()]) / image.sum()
    assert found == pytest.approx((40.0, 40.0), abs=0.1)
    assert swung.project(centre) == pytest.approx((40.0, 40.0))


def test_beam_centre_falls_on_the_middle_of_the_detector() -> None:
    geometry = view()
    assert geometry.project(FRAME.centre) == pytest.approx((39.5, 44.5))
    assert geometry.source_to_detector_mm == pytest.approx(1150.0)
    assert geometry.source_to_patient_mm == pytest.approx(1050.0)
    assert geometry.axis == pytest.approx(FRAME.normal)


def test_patient_right_is_on_the_left_and_head_is_up() -> None:
    geometry = view()
    moves = np.array([(0, 0, 0), (-20, 0, 0), (0, 0, 20)])
    middle, right, up = geometry.project(FRAME.centre + moves)
    assert right[1] < middle[1]
    assert up[0] < middle[0]


def test_bone_is_brighter_than_soft_tissue_and_noise_is_poisson() -> None:
    geometry = view(matrix=(100, 100))
    target = half_space(FRAME.centre, FRAME.row, Tissue.MUSCLE, Tissue.CORTICAL_BONE)
    exposure = Exposure(photons=5e4, depth_mm=40.0, step_mm=4.0)
    shot = expose(target, geometry, exposure, np.random.default_rng(2))
    muscle, bone = (shot.pixels[:, part].astype(float) for part in (np.s_[:40], np.s_[60:]))
    assert bone.mean() > muscle.mean() + 100
    # Counts n: the logarithm has a deviation of 1 / sqrt(n), plus rounding (1/12).
    expected = 40.0 * ATTENUATION_PER_MM[Tissue.MUSCLE]
    deviation = STORED_PER_UNIT / math.sqrt(5e4 * math.exp(-expected))
    assert muscle.mean() == pytest.approx(STORED_PER_UNIT * expected, rel=0.003)
    assert muscle.std() == pytest.approx(math.hypot(deviation, 12**-0.5), rel=0.05)


def test_pixels_do_not_depend_on_the_number_of_threads() -> None:
    target, geometry = ball(FRAME.centre, 20.0, Tissue.MARROW, Tissue.MUSCLE), view()
    one, three = (
        expose(target, geometry, Exposure(photons=None), np.random.default_rng(0), workers=n)
        for n in (1, 3)
    )
    assert np.array_equal(one.pixels, three.pixels)


def test_impossible_views_are_refused() -> None:
    with pytest.raises(ValueError, match="coronal_oblique frame"):
        true_ap(FRAMES["axial"])
    with pytest.raises(ValueError, match="patient_to_detector_mm"):
        true_ap(FRAME, patient_to_detector_mm=2000.0)
    with pytest.raises(ValueError, match="titanium"):
        Exposure(implant="gold")  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="step_mm"):
        Exposure(step_mm=0.0)
