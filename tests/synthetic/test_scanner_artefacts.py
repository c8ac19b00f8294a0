"""Artefacts against closed forms: ghosts, coil, metal field, void, displacement, suppression."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad

from synthetic_scans.phantom.tissue import Tissue
from synthetic_scans.planes import PlaneFrame
from synthetic_scans.scanner import (
    Acquisition,
    Artefacts,
    CoilShading,
    FieldDrift,
    Ghosting,
    Metal,
    Stack,
    Weighting,
    acquire,
    rod,
)
from synthetic_scans.scanner.field import (
    FAT_SHIFT_PPM,
    PROTON_MHZ_PER_TESLA,
    dipole_offset,
    displace,
)
from synthetic_scans.scanner.grid import PixelGrid
from synthetic_scans.scanner.targets import Target, ball, uniform

CORONAL = PlaneFrame(
    "coronal_oblique", np.array([1.0, 0, 0]), np.array([0, 0, -1.0]), np.array([-150.0, 10, 5])
)
"""Columns along the main field, so that it lies in the picture."""

WIDE = 1e9
"""A bandwidth at which nothing moves."""


def scan(target: Target, artefacts: Artefacts, **how: object) -> Stack:
    usual = {
        "weighting": Weighting.PD,
        "snr": None,
        "n_slices": 1,
        "matrix": (128, 128),
        "fov_mm": (128.0, 128.0),
        "samples": 4,
        "gain": 3000.0,
    }
    acquisition = Acquisition("coronal_oblique", artefacts=artefacts, **(usual | how))
    return acquire(target, acquisition, CORONAL, np.random.default_rng(0))


def frequency(ppm: float, field_t: float = 3.0) -> float:
    return ppm * PROTON_MHZ_PER_TESLA * field_t


@pytest.mark.parametrize("phase_encoding", ["COL", "ROW"])
def test_ghosts_have_half_the_modulation_and_lie_along_phase_encoding(phase_encoding: str) -> None:
    """Modulation theorem: 1 + m cos gives two copies of m / 2."""
    target = ball(CORONAL.centre, 10.0, Tissue.MUSCLE)
    clean = scan(target, Artefacts()).pixels[0].astype(float)
    ghosts = Artefacts(ghosting=Ghosting(modulation=0.3, cycles=40))
    found = scan(target, ghosts, phase_encoding=phase_encoding).pixels[0].astype(float)
    axis = 0 if phase_encoding == "COL" else 1
    spectrum = np.fft.fft(clean, axis=axis)
    lines = np.arange(128) / 128
    modulated = np.real(
        np.fft.ifft(spectrum * (1 + 0.3 * np.cos(2 * np.pi * 40 * lines)).reshape(
            (-1, 1) if axis == 0 else (1, -1)), axis=axis)
    )  # fmt: skip
    assert found == pytest.approx(modulated, abs=1.0)
    assert found[24 if axis == 0 else 64, 64 if axis == 0 else 24] > 0.1 * clean.max()


def test_coil_shading_is_the_field_of_a_loop() -> None:
    """Reference: the law of Biot and Savart, integrated numerically round the loop."""

    def on_axis(distance: float, radius: float) -> float:
        def element(angle: float) -> float:
            arm = np.array([-radius * np.cos(angle), -radius * np.sin(angle), distance])
            wire = radius * np.array([-np.sin(angle), np.cos(angle), 0.0])
            return float(np.cross(wire, arm)[2] / np.linalg.norm(arm) ** 3)

        return quad(element, 0, 2 * math.pi)[0]

    centre = (-150.0 - 80.0, 10.0, 5.0)
    shaded = scan(uniform(Tissue.MUSCLE), Artefacts(shading=CoilShading(centre, 70.0))).pixels[0]
    flat = scan(uniform(Tissue.MUSCLE), Artefacts()).pixels[0]
    ratio = shaded / flat
    for column in (0, 40, 90, 127):
        away = 80.0 + column - 63.5
        sideways = math.hypot(away, 0.5)
        expected = on_axis(sideways, 70.0) / on_axis(80.0, 70.0)
        assert ratio[63, column] == pytest.approx(expected, rel=0.003)
    middle = ratio[63:65, 63:65].mean()
    assert middle == pytest.approx(1, rel=0.003)


def dipole_at(points: list[tuple[float, float, float]], metals: list[Metal]) -> list[float]:
    nowhere = np.zeros((1, 3))
    grids = [PixelGrid(np.array(point, dtype=float), nowhere, nowhere) for point in points]
    return [float(dipole_offset(grid, metals, 3.0)[0, 0]) for grid in grids]


def test_dipole_field_on_the_axis_equator_and_inside() -> None:
    """Schenck 1996: +2/3 dchi (a/r)^3 on the axis, -1/3 dchi (a/r)^3 on the equator."""
    metal = Metal((1.0, 2.0, 3.0), 2.5, 191.0)
    points = [(1.0, 2.0, 8.0), (6.0, 2.0, 3.0), (1.0, 2.0, 4.0), (1.0, 2.0, 3.0)]
    axis, equator, inside, centre = dipole_at(points, [metal])
    assert axis == pytest.approx(frequency(2 / 3 * 191 / 8), rel=1e-5)
    assert equator == pytest.approx(frequency(-1 / 3 * 191 / 8), rel=1e-5)
    assert inside == pytest.approx(frequency(2 / 3 * 191), rel=1e-5)
    assert np.isfinite(centre)
    assert dipole_at(points[:1], [metal, metal]) == pytest.approx([2 * axis])


def test_grid_measures_distance_and_rise_like_points_do() -> None:
    rng = np.random.default_rng(4)
    turned, _ = np.linalg.qr(rng.normal(size=(3, 3)))
    grid = PixelGrid(
        rng.normal(size=3) * 50,
        np.arange(5)[:, None] * 1.5 * turned[0],
        np.arange(7)[:, None] * 0.5 * turned[1],
    )
    points = grid.corner + grid.down[:, None] + grid.along
    target, slope = rng.normal(size=3) * 20, rng.normal(size=3)
    squared = np.square(points - target).sum(axis=-1)
    assert grid.squared_distance(target) == pytest.approx(squared, rel=1e-5)
    assert grid.rise(target, slope) == pytest.approx((points - target) @ slope, rel=1e-4)


def test_rod_has_the_volume_of_its_cylinder() -> None:
    spheres = rod((0, 0, 0), (0, 0, 20.0), 2.5)
    assert len(spheres) == 8
    volume = sum(4 / 3 * math.pi * s.radius_mm**3 for s in spheres)
    assert volume == pytest.approx(math.pi * 2.5**2 * 20)
    assert np.mean([s.centre_mm for s in spheres], axis=0) == pytest.approx((0, 0, 10))
    assert len(rod((0, 0, 0), (1.0, 0, 0), 2.5)) == 1


@pytest.mark.parametrize("field_t", [1.5, 3.0])
def test_void_along_the_field_has_its_closed_form_radius(field_t: float) -> None:
    metal = Metal((-150.0, 10.0, 5.0), 2.5)
    stack = scan(
        uniform(Tissue.MUSCLE),
        Artefacts(metal=(metal,)),
        field_t=field_t,
        bandwidth_hz=WIDE,
        rf_bandwidth_hz=1500.0,
        matrix=(512, 512),
        fov_mm=(64.0, 64.0),
    )
    along_field = stack.pixels[0, :, 255]
    dark = np.count_nonzero(along_field < along_field.max() / 2) * 64 / 512
    # Solve (2/3) dchi f0 (a/r)^3 = half the RF bandwidth for r.
    peak = 2 / 3 * 191.05 * PROTON_MHZ_PER_TESLA * field_t
    expected = 2.5 * (peak / 750.0) ** (1 / 3)
    assert dark == pytest.approx(2 * expected, abs=0.2)
    assert metal.void_mm(field_t, 1500.0) == pytest.approx(expected)
    assert expected > 2 * metal.radius_mm


def test_weak_metal_is_as_large_as_it_is() -> None:
    assert Metal((0, 0, 0), 2.0, susceptibility_ppm=0.5).void_mm(1.5, 1500.0) == 2.0


def test_displacement_is_the_offset_over_the_bandwidth() -> None:
    """The dipole field is harmonic: its mean over a ball is its value at the centre."""
    metal = Metal((-150.0, 10.0, 5.0), 2.5)
    centre = CORONAL.centre + np.array([0.0, 0.0, 14.0])
    (offset,) = dipole_at([tuple(centre)], [metal])
    bandwidth = 60.0
    how = {"thickness_mm": 1.0, "bandwidth_hz": bandwidth, "rf_bandwidth_hz": WIDE}
    target = ball(centre, 1.9, Tissue.FLUID)
    for phase_encoding, axis in (("COL", 1), ("ROW", 0)):
        how["phase_encoding"] = phase_encoding
        still = scan(target, Artefacts(), **how).pixels[0].astype(float)
        moved = scan(target, Artefacts(metal=(metal,)), **how).pixels[0].astype(float)
        place = np.indices(still.shape)
        middle = [(place * image).sum(axis=(1, 2)) / image.sum() for image in (still, moved)]
        shift = middle[1] - middle[0]
        assert shift[axis] == pytest.approx(offset / bandwidth, rel=0.06)
        assert abs(offset / bandwidth) > 1
        assert shift[1 - axis] == pytest.approx(0, abs=0.05)
        assert moved.sum() == pytest.approx(still.sum(), rel=0.01)


@pytest.mark.parametrize("axis", [0, 1])
@pytest.mark.parametrize("pixels", [-2, -0.25, 0, 0.5, 3])
def test_an_even_offset_moves_the_picture_without_blurring_it(axis: int, pixels: float) -> None:
    """Shift theorem for whole pixels; linear interpolation between them."""
    image = np.zeros((30, 20), dtype=np.float32)
    image[8:20, 6:13] = np.random.default_rng(0).random((12, 7), dtype=np.float32)
    offset = np.full(image.shape, pixels * 200.0, dtype=np.float32)
    moved = displace(image, offset, axis, 200.0, WIDE)
    low, part = divmod(pixels, 1)
    expected = (1 - part) * np.roll(image, int(low), axis)
    expected += part * np.roll(image, int(low) + 1, axis)
    assert moved == pytest.approx(expected, abs=1e-6)


def test_signal_leaves_the_picture_at_its_ends() -> None:
    image = np.ones((1, 16), dtype=np.float32)
    for pixels in (5, -5, 1000):
        offset = np.full(image.shape, pixels * 200.0, dtype=np.float32)
        left = displace(image, offset, 1, 200.0, WIDE).sum()
        assert left == pytest.approx(max(0, 16 - abs(pixels)))


def test_signal_piles_up_and_is_conserved_around_metal() -> None:
    metal = Metal((-150.0, 10.0, 5.0), 2.5)
    flat = scan(uniform(Tissue.MUSCLE), Artefacts()).pixels[0].astype(float)
    spoilt = scan(uniform(Tissue.MUSCLE), Artefacts(metal=(metal,))).pixels[0].astype(float)
    assert spoilt.max() > 1.5 * flat.max()
    assert spoilt.min() < 0.2 * flat.max()
    along = np.arange(-32.0, 32.0)[:, None]
    grid = PixelGrid(np.zeros(3), along * np.array([0, 0, 1.0]), along * np.array([1.0, 0, 0]))
    offset = dipole_offset(grid, [Metal((0, 0, 0), 2.5)], 3.0)
    image = np.ones((64, 64), dtype=np.float32)
    image[:, :8] = image[:, -8:] = 0
    moved = displace(image, offset, 1, 1000.0, WIDE)
    assert moved.sum() == pytest.approx(image.sum(), rel=1e-4)


def test_distant_metal_changes_nothing() -> None:
    far = Artefacts(metal=(Metal((900.0, 900.0, 900.0), 1.0),))
    target = ball(CORONAL.centre, 20.0, Tissue.MUSCLE)
    assert np.array_equal(scan(target, far).pixels, scan(target, Artefacts()).pixels)


def test_drifting_field_lets_fat_through_and_kills_water_one_shift_away() -> None:
    shift = frequency(FAT_SHIFT_PPM)
    drift = Artefacts(drift=FieldDrift(tuple(CORONAL.centre), (shift / 50, 0.0, 0.0)))
    how = {"weighting": Weighting.PD_FAT_SUPPRESSED, "gain": 4000.0}
    unsuppressed = {"weighting": Weighting.PD, "echo_ms": 40.0, "repetition_ms": 3200.0}
    row = np.s_[0, 64]
    fat = scan(uniform(Tissue.FAT), drift, **how).pixels[row].astype(float)
    full = scan(uniform(Tissue.FAT), Artefacts(), gain=4000.0, **unsuppressed).pixels[row]
    muscle = scan(uniform(Tissue.MUSCLE), drift, **how).pixels[row].astype(float)
    whole = scan(uniform(Tissue.MUSCLE), Artefacts(), gain=4000.0, **unsuppressed).pixels[row]
    assert fat[64] / full[64] == pytest.approx(0.05, abs=0.02)
    assert fat[127] / full[127] > 0.9
    assert muscle[64 - 50] / whole[14] < 0.07
    assert muscle[127] / whole[127] > 0.98


def test_metal_defeats_fat_suppression_around_it() -> None:
    metal = Artefacts(metal=(Metal((-150.0, 10.0, 5.0), 2.5),))
    how = {"weighting": Weighting.PD_FAT_SUPPRESSED, "bandwidth_hz": WIDE, "rf_bandwidth_hz": WIDE}
    fat = scan(uniform(Tissue.FAT), metal, **how).pixels[0].astype(float)
    assert fat[64 - 8, 64] > 10 * fat[0, 0]


def test_stir_does_not_depend_on_the_field() -> None:
    drift = Artefacts(drift=FieldDrift(tuple(CORONAL.centre), (5.0, 0.0, 0.0)))
    how = {"weighting": Weighting.STIR, "inversion_ms": 150.0}
    with_drift = scan(uniform(Tissue.FAT), drift, **how).pixels
    assert np.array_equal(with_drift, scan(uniform(Tissue.FAT), Artefacts(), **how).pixels)


@pytest.mark.parametrize(
    ("make", "fault"),
    [
        (lambda: Metal((0, 0, 0), 0.0), "radius of metal"),
        (lambda: CoilShading((0, 0, 0), -1.0), "coil radius"),
        (lambda: Ghosting(1.5, 3), "modulation"),
        (lambda: Ghosting(0.5, 0), "cycle"),
    ],
)
def test_impossible_artefacts_are_refused(make: object, fault: str) -> None:
    with pytest.raises(ValueError, match=fault):
        make()  # type: ignore[operator]
