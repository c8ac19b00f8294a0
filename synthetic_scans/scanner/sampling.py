"""Partial volume: the mean signal of a phantom over the voxels of one slab of slices."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtri
from scipy.stats import qmc

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from synthetic_scans.phantom.tissue import Sampled
    from synthetic_scans.planes import PlaneFrame
    from synthetic_scans.scanner.acquisition import Acquisition
    from synthetic_scans.scanner.signal import TissueSignals

_GAUSSIAN_FWHM = math.sqrt(8 * math.log(2))
"""Full width at half maximum of a Gaussian of unit standard deviation."""


def voxel_offsets(acquisition: Acquisition) -> NDArray[np.float64]:
    """Return where a voxel is sampled.

    Parameters
    ----------
    acquisition
        The prescription: number of samples, slice profile, thickness and pixel size.

    Returns
    -------
    numpy.ndarray
        (samples, 3) offsets from the voxel centre in mm along normal, column and row, of zero
        mean.  Equal weights: through the slice they lie at the quantiles of the profile, in the
        plane they follow a Halton sequence (together a Hammersley set: Hammersley JM. Ann N Y
        Acad Sci 1960;86:844-874), so that no direction is sampled more coarsely than it must be.
    """
    count = acquisition.samples
    level = (np.arange(count) + 0.5) / count
    if acquisition.profile == "rectangle":
        through = (level - 0.5) * acquisition.thickness_mm
    else:
        through = ndtri(level) * acquisition.thickness_mm / _GAUSSIAN_FWHM
    in_plane = qmc.Halton(2, scramble=False).random(count) - 0.5
    offsets = np.column_stack((through, in_plane * acquisition.pixel_mm))
    centred: NDArray[np.float64] = offsets - offsets.mean(axis=0)
    return centred


def slice_positions(acquisition: Acquisition, frame: PlaneFrame) -> NDArray[np.float64]:
    """Return the centre of the first pixel of every prescribed slice.

    Parameters
    ----------
    acquisition
        The prescription.
    frame
        Orientation and centre of the stack.

    Returns
    -------
    numpy.ndarray
        (n_slices, 3) patient LPS mm, missing slices included, along the normal.
    """
    rows, columns = acquisition.matrix
    between_rows, between_columns = acquisition.pixel_mm
    corner = (
        frame.centre
        - (rows - 1) / 2 * between_rows * frame.column
        - (columns - 1) / 2 * between_columns * frame.row
    )
    along = (np.arange(acquisition.n_slices) - (acquisition.n_slices - 1) / 2) * (
        acquisition.spacing_mm
    )
    positions: NDArray[np.float64] = corner + along[:, None] * frame.normal
    return positions


@dataclass(frozen=True, slots=True)
class Mixture:
    """One image as a linear function of what a voxel holds.

    Attributes
    ----------
    per_tissue
        Signal of each tissue, float32, indexed by its number.
    per_fat_fraction
        Change of signal per unit of fat fraction in muscle.
    per_tendon_signal
        Change of signal per unit of fluid-like share in tendon.
    """

    per_tissue: NDArray[np.float32]
    per_fat_fraction: float
    per_tendon_signal: float


def water_and_fat(signals: TissueSignals) -> tuple[Mixture, Mixture]:
    """Return the mixtures that give the water image and the fat image."""
    pairs = zip(
        (signals.water, signals.fat), signals.fat_in_muscle, signals.fluid_in_tendon, strict=True
    )
    water, fat = (Mixture(*pair) for pair in pairs)
    return water, fat


def combined(signals: TissueSignals, fat_share: float) -> Mixture:
    """Return the mixture that gives water plus a share of the fat in one image."""
    return Mixture(
        signals.water + np.float32(fat_share) * signals.fat,
        signals.fat_in_muscle[0] + fat_share * signals.fat_in_muscle[1],
        signals.fluid_in_tendon[0] + fat_share * signals.fluid_in_tendon[1],
    )


def mean_signal(
    phantom: Sampled,
    acquisition: Acquisition,
    frame: PlaneFrame,
    mixtures: tuple[Mixture, ...],
    *,
    first_position: NDArray[np.float64],
    n_slices: int,
) -> NDArray[np.float32]:
    """Return the mean signal of voxels in a slab of neighbouring slices.

    Parameters
    ----------
    phantom
        What is scanned.
    acquisition
        The prescription.
    frame
        Orientation of the stack.
    mixtures
        One per image wanted.
    first_position
        (3,) centre of the first pixel of the first slice, patient LPS mm.
    n_slices
        Slices in the slab.

    Returns
    -------
    numpy.ndarray
        (mixtures, n_slices, rows, columns) float32.
    """
    shape = (n_slices, *acquisition.matrix)
    between_rows, between_columns = acquisition.pixel_mm
    steps = (
        acquisition.spacing_mm * frame.normal,
        between_rows * frame.column,
        between_columns * frame.row,
    )
    axes = np.stack((frame.normal, frame.column, frame.row))
    voxels = n_slices * acquisition.matrix[0] * acquisition.matrix[1]
    images = np.zeros((len(mixtures), voxels), dtype=np.float32)
    fat_fraction = np.zeros(voxels, dtype=np.float32)
    tendon_signal = np.zeros(voxels, dtype=np.float32)
    for offset in voxel_offsets(acquisition):
        held = phantom.sample_lattice(first_position + offset @ axes, *steps, shape)
        fat_fraction += held.fat_fraction
        tendon_signal += held.tendon_signal
        for n, mixture in enumerate(mixtures):
            images[n] += mixture.per_tissue[held.tissue]
    for n, mixture in enumerate(mixtures):
        images[n] += np.float32(mixture.per_fat_fraction) * fat_fraction
        images[n] += np.float32(mixture.per_tendon_signal) * tendon_signal
    images /= acquisition.samples
    return images.reshape(len(mixtures), *shape)
