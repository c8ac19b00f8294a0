"""Signal of a tissue in a spin-echo, fast spin-echo or inversion-recovery sequence.

Equations as in Bernstein MA, King KF, Zhou XJ. Handbook of MRI Pulse Sequences, Elsevier 2004,
chapters 14 (inversion recovery) and 16 (fast spin echo), and Haacke EM et al. Magnetic Resonance
Imaging, Wiley 1999 (from memory).  J-coupling of fat, magnetisation transfer and stimulated
echoes are left out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from synthetic_scans.phantom.tissue import Tissue
from synthetic_scans.scanner.relaxation import INTRINSIC_FAT, fat_pool, water_pool

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from synthetic_scans.scanner.acquisition import Acquisition
    from synthetic_scans.scanner.relaxation import Pool


def spin_echo(pool: Pool, tr_ms: float, te_ms: float, train_ms: float | None = None) -> float:
    """Return the echo amplitude of a 90-180 spin echo or of a train of them.

    Parameters
    ----------
    pool
        Protons.
    tr_ms, te_ms
        Repetition and effective echo time, ms.
    train_ms
        Duration of the refocusing train, ms; None for a single echo.

    Returns
    -------
    float
        Amplitude relative to free water fully relaxed.  Single echo:
        ``1 - 2 exp(-(TR - TE/2) / T1) + exp(-TR / T1)``; train: ``1 - exp(-(TR - train) / T1)``,
        since the refocusing pulses hold the longitudinal magnetisation near zero; both times
        ``density exp(-TE / T2)``.
    """
    if train_ms is None:
        half_echo = math.exp(-(tr_ms - te_ms / 2) / pool.t1_ms)
        recovered = 1 - 2 * half_echo + math.exp(-tr_ms / pool.t1_ms)
    else:
        recovered = 1 - math.exp(-(tr_ms - train_ms) / pool.t1_ms)
    return pool.density * recovered * math.exp(-te_ms / pool.t2_ms)


def inversion_recovery(
    pool: Pool, tr_ms: float, te_ms: float, ti_ms: float, train_ms: float
) -> float:
    """Return the signed echo amplitude after an inversion pulse.

    Parameters
    ----------
    pool
        Protons.
    tr_ms, te_ms, ti_ms
        Repetition, effective echo and inversion time, ms.
    train_ms
        Duration of the refocusing train, ms.

    Returns
    -------
    float
        ``density (1 - 2 exp(-TI / T1) + exp(-(TR - train) / T1)) exp(-TE / T2)``; negative
        before the null point.
    """
    recovered = 1 - 2 * math.exp(-ti_ms / pool.t1_ms)
    recovered += math.exp(-(tr_ms - train_ms) / pool.t1_ms)
    return pool.density * recovered * math.exp(-te_ms / pool.t2_ms)


def null_inversion_time(t1_ms: float, tr_ms: float, train_ms: float) -> float:
    """Return the inversion time (ms) at which protons of this T1 give no signal.

    The root of :func:`inversion_recovery`: ``T1 (ln 2 - ln(1 + exp(-(TR - train) / T1)))``.
    """
    return t1_ms * (math.log(2) - math.log1p(math.exp(-(tr_ms - train_ms) / t1_ms)))


def suppressed_share(
    offset_hz: NDArray[np.float32], suppression: float, fat_shift_hz: float
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return what a fat-selective saturation pulse leaves of water and of fat.

    The pulse saturates a Gaussian band around the nominal fat frequency, of full width at half
    maximum equal to the fat-water shift.

    Parameters
    ----------
    offset_hz
        Field offset, Hz, any shape; water lies at the offset, fat one shift below.
    suppression
        Saturated share at the middle of the band.
    fat_shift_hz
        Frequency of water less that of fat, Hz.

    Returns
    -------
    water, fat : numpy.ndarray
        Remaining shares, same shape.  Where the offset equals minus the shift the pulse hits
        the water.
    """
    width = np.float32(fat_shift_hz / math.sqrt(8 * math.log(2)))
    fat = 1 - suppression * np.exp(-0.5 * np.square(offset_hz / width))
    water = 1 - suppression * np.exp(-0.5 * np.square((offset_hz + fat_shift_hz) / width))
    return water, fat


@dataclass(frozen=True, slots=True)
class TissueSignals:
    """Signals of every tissue in one acquisition, before any fat-selective pulse.

    Attributes
    ----------
    water, fat
        Signal of the water and of the fat of each tissue, shape (n,), indexed by its number,
        float32.
    fat_in_muscle
        Change of (water, fat) when muscle turns wholly into fat.
    fluid_in_tendon
        Change of (water, fat) when tendon turns wholly fluid-like.
    """

    water: NDArray[np.float32]
    fat: NDArray[np.float32]
    fat_in_muscle: tuple[float, float]
    fluid_in_tendon: tuple[float, float]


def tissue_signals(acquisition: Acquisition) -> TissueSignals:
    """Return the signals of all tissues in an acquisition.

    A fat share ``x`` of a tissue of density ``d`` gives ``(1 - x) d`` water and ``x d`` fat
    protons, so that ``x`` is the proton-density fat fraction; the relaxation of the fat is
    that of adipose tissue.

    Parameters
    ----------
    acquisition
        The prescription.

    Returns
    -------
    TissueSignals
        Signals of water and fat, signed for an inversion recovery.
    """
    water = np.zeros(max(Tissue) + 1, dtype=np.float32)
    fat = np.zeros_like(water)
    unit_fat = (
        _echo(fat_pool(acquisition.field_t), acquisition) / fat_pool(acquisition.field_t).density
    )
    for tissue in Tissue:
        pool = water_pool(tissue, acquisition.field_t)
        share = INTRINSIC_FAT.get(tissue, 0.0)
        water[tissue] = (1 - share) * _echo(pool, acquisition)
        fat[tissue] = share * pool.density * unit_fat
    muscle = water_pool(Tissue.MUSCLE, acquisition.field_t)
    return TissueSignals(
        water=water,
        fat=fat,
        fat_in_muscle=(-float(water[Tissue.MUSCLE]), muscle.density * unit_fat),
        fluid_in_tendon=(float(water[Tissue.FLUID] - water[Tissue.TENDON]), 0.0),
    )


def reference_signal(acquisition: Acquisition) -> float:
    """Return the magnitude that the requested SNR speaks of, on resonance.

    Parameters
    ----------
    acquisition
        The prescription; its ``snr_tissue`` names the tissue.

    Returns
    -------
    float
        Signal of a voxel full of that tissue, in-phase for Dixon, before coil shading.

    Raises
    ------
    ValueError
        If the tissue gives no signal in this acquisition.
    """
    signals = tissue_signals(acquisition)
    tissue = acquisition.snr_tissue
    left = 1 - acquisition.suppression if acquisition.weighting.spectral_suppression else 1.0
    reference = abs(float(signals.water[tissue] + left * signals.fat[tissue]))
    if reference == 0:
        raise ValueError(f"SNR needs a tissue that gives signal, found {tissue.name}")
    return reference


def signal_fat_fraction(fat_fraction: float, acquisition: Acquisition) -> float:
    """Return the fat share of the signal of muscle with a known fat share of its protons.

    Water and fat relax differently, so that fat / (fat + water) of a Dixon image pair differs
    from the proton-density fat fraction by this closed form.

    Parameters
    ----------
    fat_fraction
        Proton-density fat fraction of the muscle, 0 to 1.
    acquisition
        The prescription.

    Returns
    -------
    float
        Expected fat / (fat + water).
    """
    signals = tissue_signals(acquisition)
    fat = fat_fraction * signals.fat_in_muscle[1]
    water = (1 - fat_fraction) * float(signals.water[Tissue.MUSCLE])
    return fat / (fat + water)


def _echo(pool: Pool, acquisition: Acquisition) -> float:
    """Echo amplitude of a pool in an acquisition, before any fat-selective pulse."""
    tr, te, train = acquisition.tr_ms, acquisition.te_ms, acquisition.train_ms
    if acquisition.weighting.inversion:
        return inversion_recovery(pool, tr, te, inversion_time(acquisition), train)
    return spin_echo(pool, tr, te, None if acquisition.train == 1 else train)


def inversion_time(acquisition: Acquisition) -> float:
    """Return the inversion time of a STIR acquisition, ms: the given one or the null of fat."""
    if acquisition.inversion_ms is not None:
        return acquisition.inversion_ms
    fat = fat_pool(acquisition.field_t)
    return null_inversion_time(fat.t1_ms, acquisition.tr_ms, acquisition.train_ms)
