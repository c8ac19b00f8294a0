"""One prescription being run on one phantom: sampled slabs, spoiled slices, stored pixels."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from synthetic_scans.scanner.artefacts import add_ghosts
from synthetic_scans.scanner.field import (
    FAT_SHIFT_PPM,
    PROTON_MHZ_PER_TESLA,
    dipole_offset,
    displace,
)
from synthetic_scans.scanner.grid import PixelGrid
from synthetic_scans.scanner.sampling import combined, mean_signal, slice_positions, water_and_fat
from synthetic_scans.scanner.signal import reference_signal, suppressed_share, tissue_signals
from synthetic_scans.scanner.stack import Stack

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from synthetic_scans.phantom.tissue import Sampled
    from synthetic_scans.planes import PlaneFrame
    from synthetic_scans.scanner.acquisition import Acquisition
    from synthetic_scans.scanner.artefacts import CoilShading
    from synthetic_scans.scanner.sampling import Mixture
    from synthetic_scans.scanner.stack import Content

SLAB_SLICES = 12
"""Slices sampled in one go: enough to keep call overhead small, few enough to save memory."""

STORED_BITS = 12
"""Bits of a stored pixel, as usual for MR; brighter signal saturates."""


@dataclass(frozen=True, slots=True)
class Run:
    """A prescription, a phantom and the orientation they meet in.

    Attributes
    ----------
    phantom
        What is scanned.
    acquisition
        The prescription.
    frame
        Orientation and centre of the stack, patient LPS mm.
    mixtures
        Images to sample: one of water with the fat that is left, or one each of water and fat.
    positions
        (n_slices, 3) centre of the first pixel of every prescribed slice, patient LPS mm.
    """

    phantom: Sampled
    acquisition: Acquisition
    frame: PlaneFrame
    mixtures: tuple[Mixture, ...]
    positions: NDArray[np.float64]

    @classmethod
    def prepare(
        cls, phantom: Sampled, acquisition: Acquisition, frame: PlaneFrame, *, separate: bool
    ) -> Run:
        """Set a run up.

        Parameters
        ----------
        phantom, acquisition, frame
            As the attributes.
        separate
            Whether water and fat are wanted apart.

        Returns
        -------
        Run
            Ready to sample.

        Raises
        ------
        ValueError
            If the frame is of another plane than the prescription.
        """
        if frame.name != acquisition.plane:
            raise ValueError(f"expected a frame of plane {acquisition.plane}, found {frame.name}")
        signals = tissue_signals(acquisition)
        left = 1 - acquisition.suppression if acquisition.weighting.spectral_suppression else 1.0
        mixtures = water_and_fat(signals) if separate else (combined(signals, left),)
        positions = slice_positions(acquisition, frame)
        return cls(phantom, acquisition, frame, mixtures, positions)

    @property
    def sigma(self) -> float:
        """Noise in one quadrature channel, in units of signal; 0 without noise."""
        snr = self.acquisition.snr
        return 0.0 if snr is None else reference_signal(self.acquisition) / snr

    def slices(
        self, develop: Callable[[int, NDArray[np.float32]], NDArray[np.uint16]], workers: int
    ) -> NDArray[np.uint16]:
        """Sample every present slice and develop it.

        Parameters
        ----------
        develop
            Turns a slice number and its sampled images (mixtures, rows, columns) into stored
            images (contents, rows, columns).
        workers
            Threads.

        Returns
        -------
        numpy.ndarray
            (contents, present slices, rows, columns) stored values.
        """
        present = set(self.acquisition.present)

        def slab(first: int) -> list[NDArray[np.uint16]]:
            numbers = range(first, min(first + SLAB_SLICES, self.acquisition.n_slices))
            sampled = mean_signal(
                self.phantom,
                self.acquisition,
                self.frame,
                self.mixtures,
                first_position=self.positions[first],
                n_slices=len(numbers),
            )
            return [develop(n, sampled[:, n - first]) for n in numbers if n in present]

        with ThreadPoolExecutor(workers) as pool:
            slabs = pool.map(slab, range(0, self.acquisition.n_slices, SLAB_SLICES))
            return np.stack([image for done in slabs for image in done], axis=1)

    def offset(self, number: int) -> NDArray[np.float32]:
        """Return the field offset that metal causes in a slice, (rows, columns) Hz."""
        metal = self.acquisition.artefacts.metal
        return dipole_offset(self.grid(number), metal, self.acquisition.field_t)

    def suppress(
        self, number: int, images: NDArray[np.float32], offset: NDArray[np.float32]
    ) -> NDArray[np.float32]:
        """Return one image of a slice: water plus the fat that uneven suppression left.

        Parameters
        ----------
        number
            Slice.
        images
            (2, rows, columns) water and fat.
        offset
            (rows, columns) field offset of metal, Hz.
        """
        drift = self.acquisition.artefacts.drift
        if drift is not None:
            rise = self.grid(number).rise(drift.centre_mm, drift.gradient_hz_per_mm)
            offset = offset + (rise + np.float32(drift.offset_hz))
        shift = FAT_SHIFT_PPM * PROTON_MHZ_PER_TESLA * self.acquisition.field_t
        water, fat = suppressed_share(offset, self.acquisition.suppression, shift)
        left: NDArray[np.float32] = water * images[0] + fat * images[1]
        return left

    def spoil(
        self, number: int, image: NDArray[np.float32], offset: NDArray[np.float32]
    ) -> NDArray[np.float32]:
        """Return the image of a slice with metal distortion, ghosts and coil shading.

        Parameters
        ----------
        number
            Slice.
        image
            (rows, columns) signal.
        offset
            (rows, columns) field offset of metal, Hz.
        """
        run = self.acquisition
        if run.artefacts.metal:
            widths = run.bandwidth_hz, run.rf_bandwidth_hz
            image = displace(image, offset, 1 - run.phase_axis, *widths)
        if run.artefacts.ghosting is not None:
            image = add_ghosts(image, run.artefacts.ghosting, run.phase_axis)
        if run.artefacts.shading is not None:
            image = np.multiply(image, self._sensitivity(number, run.artefacts.shading))
        return image

    def grid(self, number: int) -> PixelGrid:
        """Return the pixels of a slice in patient space."""
        rows, columns = self.acquisition.matrix
        between_rows, between_columns = self.acquisition.pixel_mm
        return PixelGrid(
            corner=self.positions[number],
            down=np.arange(rows)[:, None] * between_rows * self.frame.column,
            along=np.arange(columns)[:, None] * between_columns * self.frame.row,
        )

    def store(self, image: NDArray[np.float32]) -> NDArray[np.uint16]:
        """Return a magnitude image as stored values, rounded and saturated."""
        scaled = np.rint(image * np.float32(self.acquisition.gain))
        stored: NDArray[np.uint16] = np.minimum(scaled, 2**STORED_BITS - 1).astype(np.uint16)
        return stored

    def stack(self, pixels: NDArray[np.uint16], content: Content, sigma: float) -> Stack:
        """Return stored slices with their geometry; `sigma` is in units of signal."""
        present = self.acquisition.present
        return Stack(
            pixels=pixels,
            positions=self.positions[list(present)],
            row=np.asarray(self.frame.row, dtype=np.float64),
            column=np.asarray(self.frame.column, dtype=np.float64),
            slice_numbers=present,
            acquisition=self.acquisition,
            content=content,
            sigma=float(sigma * self.acquisition.gain),
        )

    def _sensitivity(self, number: int, shading: CoilShading) -> NDArray[np.float32]:
        """(rows, columns) coil sensitivity of a slice, 1 at the centre of the stack."""
        middle = np.square(self.frame.centre - np.asarray(shading.centre_mm)).sum()
        at_middle = np.float32(shading.sensitivity(middle.astype(np.float32)))
        squared = self.grid(number).squared_distance(shading.centre_mm)
        relative: NDArray[np.float32] = shading.sensitivity(squared) / at_middle
        return relative
