"""Scan a phantom: one magnitude image per slice, or the four of a two-point Dixon sequence.

Left out: misregistration of fat by chemical shift, Gibbs ringing, cross-talk between slices.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from synthetic_scans.scanner.acquisition import Weighting
from synthetic_scans.scanner.noise import magnitude
from synthetic_scans.scanner.run import Run
from synthetic_scans.scanner.stack import Content, Stack

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from synthetic_scans.phantom.tissue import Sampled
    from synthetic_scans.planes import PlaneFrame
    from synthetic_scans.scanner.acquisition import Acquisition


@dataclass(frozen=True, slots=True)
class DixonStacks:
    """The four images of a two-point Dixon acquisition.

    Attributes
    ----------
    water, fat
        Separated images; the noise in each channel is 1/sqrt(2) of that of the echoes.
    in_phase, opposed_phase
        Magnitudes of the two echoes.
    """

    water: Stack
    fat: Stack
    in_phase: Stack
    opposed_phase: Stack

    @property
    def images(self) -> tuple[Stack, Stack, Stack, Stack]:
        """Water, fat, in-phase and opposed-phase."""
        return self.water, self.fat, self.in_phase, self.opposed_phase


def acquire(
    phantom: Sampled,
    acquisition: Acquisition,
    frame: PlaneFrame,
    rng: np.random.Generator,
    workers: int = 2,
) -> Stack:
    """Scan a phantom.

    Parameters
    ----------
    phantom
        What is scanned.
    acquisition
        The prescription; any weighting but Dixon.
    frame
        Orientation and centre of the stack, patient LPS mm.
    rng
        Source of the noise; each slice gets its own child, so that the pixels depend neither
        on `workers` nor on missing slices.
    workers
        Threads.

    Returns
    -------
    Stack
        Stored magnitude pixels and geometry.

    Raises
    ------
    ValueError
        If the frame is of another plane than the prescription, or the weighting is Dixon.
    """
    if acquisition.weighting is Weighting.DIXON:
        raise ValueError("expected a weighting of one image (Dixon: acquire_dixon), found dixon")
    artefacts = acquisition.artefacts
    uneven = bool(artefacts.metal) or artefacts.drift is not None
    separate = acquisition.weighting.spectral_suppression and uneven
    run = Run.prepare(phantom, acquisition, frame, separate=separate)
    noise = rng.spawn(acquisition.n_slices)

    def develop(number: int, images: NDArray[np.float32]) -> NDArray[np.uint16]:
        offset = run.offset(number)
        image = run.suppress(number, images, offset) if separate else images[0]
        signal = run.spoil(number, image, offset)
        return run.store(magnitude(signal, run.sigma, noise[number]))[None]

    (pixels,) = run.slices(develop, workers)
    return run.stack(pixels, Content.MAGNITUDE, run.sigma)


def acquire_dixon(
    phantom: Sampled,
    acquisition: Acquisition,
    frame: PlaneFrame,
    rng: np.random.Generator,
    workers: int = 2,
) -> DixonStacks:
    """Scan a phantom with a two-point Dixon sequence.

    Dixon WT. Radiology 1984;153:189-194: with water W and fat F in phase and opposed, the half
    sum and the half difference of the two echoes are W and F.  The separation is done on the
    complex echoes with their phase known, so that no pixel takes water for fat; the shift of
    the echoes is taken as small against T2.

    Parameters
    ----------
    phantom, acquisition, frame, rng, workers
        As for :func:`acquire`, with weighting Dixon.

    Returns
    -------
    DixonStacks
        Water, fat, in-phase and opposed-phase stacks of one geometry.

    Raises
    ------
    ValueError
        If the frame is of another plane than the prescription, or the weighting is not Dixon.
    """
    if acquisition.weighting is not Weighting.DIXON:
        raise ValueError(f"expected weighting dixon, found {acquisition.weighting}")
    run = Run.prepare(phantom, acquisition, frame, separate=True)
    noise = rng.spawn(acquisition.n_slices)

    def develop(number: int, images: NDArray[np.float32]) -> NDArray[np.uint16]:
        offset = run.offset(number)
        water, fat = (run.spoil(number, image, offset) for image in images)
        shown = _dixon_images(water, fat, run.sigma, noise[number])
        return np.stack([run.store(image) for image in shown])

    water, fat, in_phase, opposed = run.slices(develop, workers)
    separated = run.sigma / math.sqrt(2)
    return DixonStacks(
        water=run.stack(water, Content.WATER, separated),
        fat=run.stack(fat, Content.FAT, separated),
        in_phase=run.stack(in_phase, Content.IN_PHASE, run.sigma),
        opposed_phase=run.stack(opposed, Content.OPPOSED_PHASE, run.sigma),
    )


def _dixon_images(
    water: NDArray[np.float32], fat: NDArray[np.float32], sigma: float, rng: np.random.Generator
) -> tuple[NDArray[np.float32], ...]:
    """Return magnitudes of water, fat, in-phase and opposed-phase from two noisy echoes."""
    real = rng.standard_normal((2, *water.shape), dtype=np.float32) * np.float32(sigma)
    imaginary = rng.standard_normal((2, *water.shape), dtype=np.float32) * np.float32(sigma)
    real += np.stack((water + fat, water - fat))
    in_phase, opposed = real + 1j * imaginary
    half = np.float32(0.5)
    complex_images = (half * (in_phase + opposed), half * (in_phase - opposed), in_phase, opposed)
    return tuple(np.abs(image) for image in complex_images)
