"""Signal equations against a step-by-step Bloch simulation, and the contrasts of the trade."""

from __future__ import annotations

import math

import numpy as np
import pytest

from synthetic_scans.phantom.tissue import Tissue
from synthetic_scans.planes import PLANES
from synthetic_scans.scanner import Acquisition, Artefacts, Weighting
from synthetic_scans.scanner.relaxation import FIELDS_T, Pool, fat_pool, water_pool
from synthetic_scans.scanner.signal import (
    inversion_recovery,
    inversion_time,
    null_inversion_time,
    reference_signal,
    signal_fat_fraction,
    spin_echo,
    suppressed_share,
    tissue_signals,
)

MUSCLE = Pool(0.8, 1420.0, 32.0)
FAT = Pool(0.9, 371.0, 133.0)
FLUID = Pool(1.0, 3620.0, 767.0)


def relax(mz: float, time_ms: float, t1_ms: float) -> float:
    """Longitudinal magnetisation after free recovery (Bloch equation)."""
    return 1 + (mz - 1) * math.exp(-time_ms / t1_ms)


def bloch(
    pool: Pool,
    tr: float,
    te: float,
    *,
    pulses: int = 1,
    spacing: float | None = None,
    ti: float | None = None,
) -> float:
    """Steady-state echo amplitude, ideal pulses, transverse magnetisation spoiled each TR."""
    mz, signal = 1.0, 0.0
    spacing = te if spacing is None else spacing
    for _ in range(200):
        rest = tr - pulses * spacing
        if ti is not None:
            mz = relax(-mz, ti, pool.t1_ms)
            rest -= ti
        signal = pool.density * mz * math.exp(-te / pool.t2_ms)
        mz = 0.0
        for _ in range(pulses):
            mz = relax(-relax(mz, spacing / 2, pool.t1_ms), spacing / 2, pool.t1_ms)
        mz = relax(mz, rest, pool.t1_ms)
    return signal


@pytest.mark.parametrize("pool", [MUSCLE, FAT, FLUID])
@pytest.mark.parametrize(("tr", "te"), [(500.0, 12.0), (650.0, 20.0), (3000.0, 80.0)])
def test_single_echo_is_the_steady_state_of_the_bloch_equations(
    pool: Pool, tr: float, te: float
) -> None:
    assert spin_echo(pool, tr, te) == pytest.approx(bloch(pool, tr, te), rel=1e-9)


@pytest.mark.parametrize("pool", [MUSCLE, FAT, FLUID])
def test_echo_train_is_the_steady_state_within_two_percent(pool: Pool) -> None:
    """The closed form takes the magnetisation as zero at the end of the train."""
    expected = bloch(pool, 3000.0, 40.0, pulses=8, spacing=10.0)
    assert spin_echo(pool, 3000.0, 40.0, train_ms=80.0) == pytest.approx(expected, rel=0.02)


@pytest.mark.parametrize("pool", [MUSCLE, FAT, FLUID])
def test_inversion_recovery_is_the_steady_state_within_two_percent(pool: Pool) -> None:
    expected = bloch(pool, 4500.0, 40.0, pulses=8, spacing=10.0, ti=200.0)
    found = inversion_recovery(pool, 4500.0, 40.0, 200.0, train_ms=80.0)
    assert found == pytest.approx(expected, abs=0.02 * pool.density * math.exp(-40 / pool.t2_ms))


def test_null_time_is_t1_ln2_when_fully_relaxed_and_nulls_otherwise() -> None:
    """ln 2: any MR textbook, for TR far above T1."""
    assert null_inversion_time(371.0, 1e5, 0.0) == pytest.approx(371.0 * math.log(2))
    null = null_inversion_time(371.0, 1500.0, 80.0)
    assert inversion_recovery(FAT, 1500.0, 40.0, null, 80.0) == pytest.approx(0, abs=1e-12)
    assert inversion_recovery(FAT, 1500.0, 40.0, null - 50, 80.0) < 0


@pytest.mark.parametrize("field_t", FIELDS_T)
def test_fluid_sensitive_contrasts_order_fluid_muscle_tendon(field_t: float) -> None:
    """Fluid bright, muscle grey, tendon and cortex dark, fat dark: common practice."""
    for weighting in ("pd_fat_suppressed", "t2_fat_suppressed", "stir"):
        acquisition = Acquisition("axial", Weighting(weighting), field_t=field_t)
        signals = tissue_signals(acquisition)
        left = 1.0 if weighting == "stir" else 1 - acquisition.suppression
        shown = np.abs(signals.water + left * signals.fat)
        assert shown[Tissue.FLUID] > 2 * shown[Tissue.MUSCLE]
        assert shown[Tissue.FLUID] > shown[Tissue.GRANULATION] > shown[Tissue.SCAR]
        assert shown[Tissue.SCAR] > shown[Tissue.MUSCLE] > 2 * shown[Tissue.FAT]
        assert max(shown[Tissue.TENDON], shown[Tissue.CORTICAL_BONE]) < 0.1 * shown[Tissue.MUSCLE]


@pytest.mark.parametrize("field_t", FIELDS_T)
def test_t1_shows_fat_and_marrow_brightest_and_fluid_dark(field_t: float) -> None:
    signals = tissue_signals(Acquisition("axial", Weighting.T1, field_t=field_t))
    shown = signals.water + signals.fat
    assert shown.argmax() == Tissue.FAT
    assert shown[Tissue.MARROW] > 2 * shown[Tissue.MUSCLE]
    assert shown[Tissue.FLUID] < shown[Tissue.MUSCLE]
    assert shown[Tissue.TENDON] < 0.5 * shown[Tissue.MUSCLE]


def test_relaxation_follows_the_field_as_published() -> None:
    """Gold 2004: T1 longer and T2 shorter at 3 T than at 1.5 T in all tissues measured."""
    for tissue in (Tissue.MUSCLE, Tissue.CARTILAGE, Tissue.FLUID):
        low, high = water_pool(tissue, 1.5), water_pool(tissue, 3.0)
        assert high.t1_ms > low.t1_ms
        assert high.t2_ms < low.t2_ms
    assert fat_pool(3.0).t1_ms > fat_pool(1.5).t1_ms


def test_silent_tissue_gives_nothing() -> None:
    for tissue in (Tissue.AIR, Tissue.IMPLANT, Tissue.BLOOM, Tissue.VESSEL):
        assert water_pool(tissue, 3.0).density == 0


def test_fat_selective_pulse_spares_water_on_resonance_and_kills_it_one_shift_away() -> None:
    offsets = np.array([0.0, 217.0, -217.0, -434.0, 3000.0], dtype=np.float32)
    water, fat = suppressed_share(offsets, 0.95, 434.0)
    assert fat[0] == pytest.approx(0.05, abs=1e-6)
    assert fat[1] == pytest.approx(1 - 0.95 / 2, abs=1e-6)
    assert water[2] == pytest.approx(1 - 0.95 / 2, abs=1e-6)
    assert water[0] == pytest.approx(1 - 0.95 / 16, abs=1e-6)
    assert water[3] == pytest.approx(0.05, abs=1e-6)
    assert fat[4] == pytest.approx(1, abs=1e-6)


def test_signal_fat_fraction_is_exact_at_the_ends_and_biased_by_relaxation_between() -> None:
    acquisition = Acquisition("axial", Weighting.DIXON)
    assert signal_fat_fraction(0.0, acquisition) == 0
    assert signal_fat_fraction(1.0, acquisition) == 1
    tr, te, train = acquisition.tr_ms, acquisition.te_ms, acquisition.train_ms
    water = MUSCLE.density * (1 - math.exp(-(tr - train) / 1420)) * math.exp(-te / 32)
    fat = MUSCLE.density * (1 - math.exp(-(tr - train) / 371)) * math.exp(-te / 133)
    expected = 0.2 * fat / (0.2 * fat + 0.8 * water)
    assert signal_fat_fraction(0.2, acquisition) == pytest.approx(expected, rel=1e-6)


def test_conventional_spin_echo_is_used_for_a_train_of_one() -> None:
    acquisition = Acquisition("axial", Weighting.T1)
    muscle = tissue_signals(acquisition).water[Tissue.MUSCLE]
    assert muscle == pytest.approx(bloch(MUSCLE, 650.0, 12.0), rel=1e-6)


def test_inversion_time_may_be_prescribed() -> None:
    assert inversion_time(Acquisition("axial", Weighting.STIR, inversion_ms=170.0)) == 170.0
    assert inversion_time(Acquisition("axial", Weighting.STIR)) == pytest.approx(257, abs=1)


def test_snr_needs_a_tissue_with_signal() -> None:
    with pytest.raises(ValueError, match="IMPLANT"):
        reference_signal(Acquisition("axial", snr_tissue=Tissue.IMPLANT))


def test_prescription_reports_every_fault_at_once() -> None:
    with pytest.raises(ValueError, match="plane") as caught:
        Acquisition(
            "oblique",  # type: ignore[arg-type]
            thickness_mm=-1.0,
            gap_mm=0.5,
            matrix=(1, 320),
            suppression=1.5,
            snr=float("nan"),
            artefacts=Artefacts(missing_slices=(30,)),
        )
    for word in ("thickness_mm", "gap_mm", "matrix", "suppression", "snr", "missing", *PLANES):
        assert word in str(caught.value)


def test_prescription_refuses_unknown_field_and_empty_stack() -> None:
    with pytest.raises(ValueError, match=r"1\.5, 3\.0"):
        Acquisition("axial", field_t=7.0)
    with pytest.raises(ValueError, match="every slice"):
        Acquisition("axial", n_slices=2, artefacts=Artefacts(missing_slices=(0, 1)))


def test_prescription_overrides_the_usual_timing() -> None:
    acquisition = Acquisition(
        "axial", repetition_ms=2000.0, echo_ms=35.0, echo_train=4, echo_spacing_ms=8.0
    )
    found = (acquisition.tr_ms, acquisition.te_ms, acquisition.train, acquisition.train_ms)
    assert found == (2000.0, 35.0, 4, 32.0)
