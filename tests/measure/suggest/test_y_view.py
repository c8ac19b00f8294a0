"""The Y view on phantoms of known truth, which share no code with the tool.

It is the most lateral oblique sagittal slice on which the spine joins the body of the scapula
(Lee, Clin Orthop Surg 2018;10(1)). Few cases; ``tests/bench/accuracy_y_view.py`` has many.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from imgtrack.domain.errors import Refused
from imgtrack.domain.subjects import Side
from imgtrack.measure.plane import PlaneGeometry
from imgtrack.measure.stack import Stack
from imgtrack.measure.suggest.volume import Volume
from imgtrack.measure.suggest.y_view import y_view
from synthetic_scans.phantom.shoulder import Phantom
from synthetic_scans.planes import frames, joint_frame
from synthetic_scans.scanner import Acquisition, Weighting, acquire
from synthetic_scans.spec import MUSCLES, Condition, MuscleState, ShoulderSpec
from synthetic_scans.truth.shoulder import truth

SLICES, PITCH_MM = 10, 3.5
FATTY = Condition(**dict.fromkeys(MUSCLES, MuscleState(bulk=0.9, fat_fraction=0.4)))
WASTED = Condition(supraspinatus=MuscleState(bulk=0.4, fat_fraction=0.2))
CASES = {
    "right": ShoulderSpec(condition=WASTED),
    "left, another patient": ShoulderSpec.vary(3, "left").with_condition(WASTED),
    "fatty": ShoulderSpec.vary(7, "right").with_condition(FATTY),
}


@cache
def scanned(name: str, weighting: Weighting = Weighting.T1) -> tuple[Volume, np.ndarray]:
    """Scan ten slices, the fourth from medial in the Y view; return also where that is."""
    spec = CASES[name]
    fork = np.array(truth(spec, []).landmarks["y_view_fork"])
    sagittal, lateral = frames(spec)["sagittal_oblique"], joint_frame(spec).axes[0]
    middle = fork + 1.5 * PITCH_MM * lateral
    along = sagittal.normal @ (middle - sagittal.centre)
    wanted = Acquisition(
        plane="sagittal_oblique",
        weighting=weighting,
        n_slices=SLICES,
        thickness_mm=3.2,
        gap_mm=0.3,
        matrix=(256, 256),
        samples=4,
        snr=20.0,
    )
    frame = replace(sagittal, centre=sagittal.centre + along * sagittal.normal)
    stack = acquire(Phantom(spec), wanted, frame, np.random.default_rng(2))
    planes = (
        PlaneGeometry.from_attributes(
            position=position,
            orientation=[*stack.row, *stack.column],
            pixel_spacing=stack.pixel_spacing,
            rows=stack.pixels.shape[1],
            columns=stack.pixels.shape[2],
            thickness=stack.thickness,
        )
        for position in stack.positions
    )
    return Volume(stack.pixels, Stack(tuple(planes))), fork


def part(volume: Volume, kept: slice) -> Volume:
    return Volume(volume.pixels[kept], Stack(volume.stack.planes[kept]))


def lateral_of(volume: Volume, side: Side, place: int) -> slice:
    """Return the slices lateral of one, counted from medial."""
    rising = (volume.stack.planes[0].normal[0] > 0) == (side is Side.LEFT)
    return slice(place, None) if rising else slice(0, SLICES - place)


@pytest.mark.parametrize("name", CASES)
def test_the_slice_of_the_y_view_is_found(name):
    volume, fork = scanned(name)
    found = y_view(volume, Side(CASES[name].side))
    plane = volume.stack.planes[found.slice]
    # One slice either way: the notch opens between two of them.
    assert abs(plane.distance([fork])[0]) <= PITCH_MM + 0.1
    assert abs(plane.distance([found.fork])[0]) < 0.01
    on_plane = plane.to_patient(plane.to_pixels([fork]))[0]
    assert np.linalg.norm(on_plane - found.fork) < 8.0
    assert 0.28 < found.strength < 1.0
    assert found.parted < 0.7 <= found.joined
    assert found.spacing_mm == pytest.approx(PITCH_MM)


def test_the_order_of_rows_and_columns_does_not_matter():
    volume, _ = scanned("right")
    planes = tuple(
        PlaneGeometry(
            origin=tuple(plane.corners[0] + plane.spacing[1] * 255 * np.array(plane.row)),
            row=tuple(-np.array(plane.row)),
            column=plane.column,
            spacing=plane.spacing,
            shape=plane.shape,
        )
        for plane in volume.stack.planes
    )
    turned = Volume(volume.pixels[::-1, :, ::-1], Stack(planes[::-1]))
    found, straight = y_view(turned, Side.RIGHT), y_view(volume, Side.RIGHT)
    assert found.slice == SLICES - 1 - straight.slice
    assert np.linalg.norm(np.subtract(found.fork, straight.fork)) < 3.0


@pytest.mark.parametrize("name", CASES)
def test_a_field_of_view_that_ends_lateral_of_it_is_refused(name):
    volume, _ = scanned(name)
    side = Side(CASES[name].side)
    with pytest.raises(Refused, match="no Y view"):
        y_view(part(volume, lateral_of(volume, side, 5)), side)


def test_slices_that_are_all_medial_of_it_are_refused():
    volume, _ = scanned("right")
    with pytest.raises(Refused, match="none lies lateral of it"):
        y_view(part(volume, slice(0, 4)), Side.RIGHT)


def test_the_other_side_is_not_taken_for_this_one():
    """Seen from the wrong side the spine parts to medial, which no scapula does."""
    volume, _ = scanned("right")
    with pytest.raises(Refused, match="none lies lateral of it"):
        y_view(volume, Side.LEFT)


def test_noise_is_refused():
    volume, _ = scanned("right")
    noise = np.random.default_rng(4).normal(300, 60, volume.pixels.shape)
    with pytest.raises(Refused, match="meeting clearly"):
        y_view(Volume(noise, volume.stack), Side.RIGHT)


def test_an_image_without_any_line_is_refused():
    volume, _ = scanned("right")
    with pytest.raises(Refused, match="meeting clearly"):
        y_view(Volume(np.full_like(volume.pixels, 200), volume.stack), Side.RIGHT)


def test_few_slices_are_refused():
    volume, _ = scanned("right")
    with pytest.raises(Refused, match="only 3 slices"):
        y_view(part(volume, slice(0, 3)), Side.RIGHT)


def test_coarse_pixels_are_refused():
    volume, _ = scanned("right")
    planes = tuple(
        replace(each, spacing=(1.5, 1.5), shape=(128, 128)) for each in volume.stack.planes
    )
    with pytest.raises(Refused, match="too coarse"):
        y_view(Volume(volume.pixels[:, ::2, ::2], Stack(planes)), Side.RIGHT)


def test_a_series_that_is_not_sagittal_is_refused():
    volume, _ = scanned("right")
    planes = tuple(
        PlaneGeometry(
            origin=(0.0, PITCH_MM * number, 0.0),
            row=(1.0, 0.0, 0.0),
            column=(0.0, 0.0, -1.0),
            spacing=(0.6, 0.6),
            shape=(256, 256),
        )
        for number in range(SLICES)
    )
    with pytest.raises(Refused, match="not sagittal"):
        y_view(Volume(volume.pixels, Stack(planes)), Side.RIGHT)
