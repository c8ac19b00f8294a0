"""Fat fraction within an outline: by hand, and on a phantom of known fat.

The phantom (synthetic_scans) shares no code with the tool and knows the share of fat it laid down.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import rice

from imgtrack.domain.errors import InvalidInput
from imgtrack.measure.fat import fat_fraction, lie_alike, mapped_fat_fraction
from imgtrack.measure.plane import PlaneGeometry
from synthetic_scans.phantom.shoulder import Phantom
from synthetic_scans.phantom.tissue import Tissue
from synthetic_scans.planes import frames
from synthetic_scans.scanner import Acquisition, Weighting, acquire_dixon
from synthetic_scans.scanner.signal import tissue_signals
from synthetic_scans.spec import Condition, MuscleState, ShoulderSpec
from synthetic_scans.truth.shoulder import truth

TILT = np.deg2rad(30)
PLANE = PlaneGeometry(
    origin=(12.0, -40.0, 60.0),
    row=(0.0, 1.0, 0.0),
    column=(float(np.sin(TILT)), 0.0, -float(np.cos(TILT))),
    spacing=(0.8, 0.5),
    shape=(40, 60),
)
"""An oblique image whose pixels are no squares."""
SEED = 11
SNR = 20.0
WITHIN_BORDER = 0.85
"""The phantom's muscle drawn this much smaller about its middle, clear of the fat around it."""


def outlined(*pixels):
    """An outline through places of the image, as row and column."""
    return PLANE.to_patient(pixels)


RECTANGLE = outlined((9.5, 19.5), (9.5, 29.5), (13.5, 29.5), (13.5, 19.5))
"""Along the borders of 4 rows of 10 pixels: 40 pixels of 0.8 mm by 0.5 mm."""


def images(fat, water):
    return {"fat": np.full(PLANE.shape, fat), "water": np.full(PLANE.shape, water)}


def test_by_hand_on_forty_pixels():
    """Half of the pixels 20 of 200, half 50 of 100: mean of 10 % and 50 %, not 35 of 150.

    Their sample standard deviation is 20 times the root of 40/39.
    """
    pair = images(20.0, 180.0)
    pair["fat"][:, 25:], pair["water"][:, 25:] = 50.0, 50.0
    pair["fat"][:9], pair["fat"][14:] = 1e6, 1e6  # what lies outside does not count
    found = fat_fraction(RECTANGLE, PLANE, **pair)
    assert found.percent == pytest.approx(30.0)
    assert found.sd_percent == pytest.approx(20.0 * np.sqrt(40 / 39))
    assert found.pixels == 40
    assert found.mm2 == pytest.approx(40 * 0.8 * 0.5)
    assert (found.fat_mean, found.water_mean) == (35.0, 115.0)


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**32 - 1), st.floats(0.01, 100.0))
def test_it_does_not_depend_on_the_gain_and_water_has_the_rest(seed, gain):
    rng = np.random.default_rng(seed)
    fat, water = rng.uniform(0.1, 100.0, (2, *PLANE.shape))
    found = fat_fraction(RECTANGLE, PLANE, fat=fat, water=water)
    louder = fat_fraction(RECTANGLE, PLANE, fat=gain * fat, water=gain * water)
    other = fat_fraction(RECTANGLE, PLANE, fat=water, water=fat)
    assert louder.percent == pytest.approx(found.percent)
    assert found.percent + other.percent == pytest.approx(100.0)
    assert 0 < found.percent < 100


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"fat": np.zeros(PLANE.shape), "water": np.zeros(PLANE.shape)}, "without any signal"),
        ({"fat": np.full(PLANE.shape, -1.0)}, "fat image is no magnitude"),
        ({"water": np.full(PLANE.shape, np.nan)}, "water image is no magnitude"),
        ({"fat": np.zeros((60, 40))}, "fat image does not fit the plane"),
    ],
)
def test_what_has_no_fraction_is_refused(change, words):
    with pytest.raises(InvalidInput, match=words):
        fat_fraction(RECTANGLE, PLANE, **images(20.0, 180.0) | change)


@pytest.mark.parametrize(
    ("outline", "words"),
    [
        (outlined((3.6, 3.6), (3.6, 4.4), (4.4, 4.4)), "fewer than two pixels"),
        (outlined((10, 10), (20, 20), (10, 20), (25, 8)), "crosses itself"),
        (outlined((10, 10), (20, 20), (30, 30)), "encloses nothing"),
    ],
)
def test_an_outline_that_is_none_is_refused(outline, words):
    with pytest.raises(InvalidInput, match=words):
        fat_fraction(outline, PLANE, **images(20.0, 180.0))


def test_a_map_is_read_by_hand():
    """Half of 40 pixels -2 percent, as noise makes them, half 12: mean 5, 7 about it."""
    values = np.full(PLANE.shape, -2.0)
    values[:, 25:] = 12.0
    found = mapped_fat_fraction(RECTANGLE, PLANE, percent=values)
    assert found.percent == pytest.approx(5.0)
    assert found.sd_percent == pytest.approx(7.0 * np.sqrt(40 / 39))
    assert (found.pixels, found.mm2) == (40, pytest.approx(16.0))


@pytest.mark.parametrize(
    ("value", "words"),
    [(-2.0, "mean of the map is no percentage"), (101.0, "no percentage"), (np.inf, "not finite")],
)
def test_a_map_that_is_no_percentage_is_refused(value, words):
    with pytest.raises(InvalidInput, match=words):
        mapped_fat_fraction(RECTANGLE, PLANE, percent=np.full(PLANE.shape, value))


def test_images_lie_alike_to_a_hundredth_of_a_millimetre():
    x, y, z = PLANE.origin
    assert lie_alike(PLANE, replace(PLANE, origin=(x + 0.009, y, z)))
    assert not lie_alike(PLANE, replace(PLANE, origin=(x + 0.02, y, z)))
    assert not lie_alike(PLANE, replace(PLANE, spacing=(0.8, 0.501)))
    assert not lie_alike(PLANE, replace(PLANE, shape=(40, 61)))


# ---------------------------------------------------------------- the phantom


def on_phantom(share, *, snr):
    """Scan the Y view of a muscle of some share of fat; return what is measured and true."""
    muscle = MuscleState(fat_fraction=share)
    spec = ShoulderSpec(side="right", condition=Condition(supraspinatus=muscle))
    known = {each.name: each for each in truth(spec, []).measurements}
    outline = np.array(known["supraspinatus_area"].points)
    middle = outline.mean(axis=0)
    frame = frames(spec)["sagittal_oblique"]
    frame = replace(
        frame, centre=frame.centre + frame.normal * (frame.normal @ (middle - frame.centre))
    )
    scan = Acquisition("sagittal_oblique", Weighting.DIXON, n_slices=1, matrix=(256, 256), snr=snr)
    dixon = acquire_dixon(Phantom(spec), scan, frame, np.random.default_rng(SEED))
    plane = PlaneGeometry.from_attributes(
        position=dixon.fat.positions[0],
        orientation=[*dixon.fat.row, *dixon.fat.column],
        pixel_spacing=dixon.fat.pixel_spacing,
        rows=256,
        columns=256,
    )
    found = fat_fraction(
        middle + WITHIN_BORDER * (outline - middle),
        plane,
        fat=dixon.fat.pixels[0],
        water=dixon.water.pixels[0],
    )
    return found, 100 * known["supraspinatus_fat_fraction"].value, scan, dixon


def by_volume(found, scan):
    """The share of fat by volume: each mean over the signal of the pure tissue."""
    signals = tissue_signals(scan)
    fat = found.fat_mean / signals.fat_in_muscle[1]
    water = found.water_mean / signals.water[Tissue.MUSCLE]
    return 100 * fat / (fat + water)


@pytest.mark.parametrize("share", [0.03, 0.25, 0.5])
def test_the_share_of_fat_the_phantom_laid_down(share):
    """Without noise, by volume, to 0.7 percent points: the border cuts streaks and pixels."""
    found, known, scan, _ = on_phantom(share, snr=None)
    assert by_volume(found, scan) == pytest.approx(known, abs=0.7)


def test_without_fat_the_noise_is_read():
    """The fat image is noise alone: reference scipy.stats.rice, to 5 percent of it."""
    none, known, _, dixon = on_phantom(0.0, snr=SNR)
    assert known == 0
    noise = rice.mean(0, scale=dixon.fat.sigma)
    assert none.fat_mean == pytest.approx(noise, rel=0.05)
    assert none.percent == pytest.approx(100 * noise / (noise + none.water_mean), abs=0.3)
    assert none.percent == pytest.approx(4, abs=0.5)  # as the README states


@pytest.mark.parametrize(
    ("share", "error", "reads"), [(0.1, 1.5, 17), (0.25, 0.8, 34), (0.5, 0.8, 60)]
)
def test_at_a_signal_of_twenty_times_the_noise(share, error, reads):
    """By volume, to so many percent points: noise lifts what is low.

    The share of signal that is read is larger, as fat is brighter in this sequence; the README
    states it.
    """
    some, known, scan, _ = on_phantom(share, snr=SNR)
    assert by_volume(some, scan) == pytest.approx(known, abs=error)
    assert some.percent == pytest.approx(reads, abs=0.5)
