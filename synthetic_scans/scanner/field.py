"""Field offset around metal, and what it does to a fast spin-echo image.

The field outside a homogeneous sphere of susceptibility difference dchi and radius a, in a main
field B0 along z, is that of a dipole:

    dB / B0 = (dchi / 3) (a / r)^3 (3 cos^2 theta - 1)

(Schenck JF. Med Phys 1996;23:815-850; from memory, as are its volume susceptibilities of
182e-6 for titanium and -9.05e-6 for water at 37 C.)  The main field runs along the patient's
head-foot axis (LPS z), as in a closed cylinder.

Consequences modelled here, with f the offset in Hz:

* signal moves along the frequency-encoding axis by f / (bandwidth per pixel) pixels, its sum
  unchanged: stretched regions darken, compressed ones pile up;
* signal further off resonance than half the bandwidth of the slice-selective pulses is not
  refocused in the slice and is lost: the void is larger than the implant (bloom).

The bending of the slice itself is not modelled.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from synthetic_scans.scanner.grid import PixelGrid

PROTON_MHZ_PER_TESLA = 42.577478518
"""Proton gyromagnetic ratio over 2 pi (CODATA 2018)."""

FAT_SHIFT_PPM = 3.4
"""Main fat peak below water (Bernstein, King, Zhou. Handbook of MRI Pulse Sequences 2004)."""

TITANIUM_IN_WATER_PPM = 191.05
"""182 - (-9.05): Schenck 1996, from memory."""

_PARTS = 4
"""Parts into which a pixel is cut before its signal is moved; what is still in the slice is
stretched less than twofold, so that no holes open between them."""

_LEAST_SHIFT = 0.01
"""Displacement in pixels below which moving signal changes nothing that could be seen."""

_NEAREST = 1e-6
"""Squared distance from the centre of metal (mm^2) below which the direction is meaningless."""


@dataclass(frozen=True, slots=True)
class Metal:
    """A metal sphere that disturbs the main field.

    Attributes
    ----------
    centre_mm
        Centre, patient LPS mm.
    radius_mm
        Radius, mm.
    susceptibility_ppm
        Volume susceptibility of the metal less that of tissue, ppm (SI).
    """

    centre_mm: tuple[float, float, float]
    radius_mm: float
    susceptibility_ppm: float = TITANIUM_IN_WATER_PPM

    def __post_init__(self) -> None:
        if self.radius_mm <= 0:
            raise ValueError(f"the radius of metal must be above 0 mm, found {self.radius_mm}")

    def void_mm(self, field_t: float, rf_bandwidth_hz: float) -> float:
        """Return how far from its centre, along the main field, the metal empties the image.

        Parameters
        ----------
        field_t
            Main field, tesla.
        rf_bandwidth_hz
            Bandwidth of the slice-selective pulses, Hz.

        Returns
        -------
        float
            Distance in mm, never below the radius.
        """
        peak = 2 * self.susceptibility_ppm * PROTON_MHZ_PER_TESLA * field_t / 3
        return float(self.radius_mm * max(1.0, abs(peak) / (rf_bandwidth_hz / 2)) ** (1 / 3))


def rod(
    start_mm: tuple[float, float, float],
    end_mm: tuple[float, float, float],
    radius_mm: float,
    susceptibility_ppm: float = TITANIUM_IN_WATER_PPM,
) -> tuple[Metal, ...]:
    """Return a row of overlapping spheres that has the dipole moment of a straight metal rod.

    Parameters
    ----------
    start_mm, end_mm
        Ends of the axis of the rod, patient LPS mm.
    radius_mm
        Radius of the rod, mm.
    susceptibility_ppm
        Volume susceptibility of the metal less that of tissue, ppm (SI).

    Returns
    -------
    tuple of Metal
        One sphere per radius of length (at least one), of the volume of the rod in all.
    """
    axis = np.subtract(end_mm, start_mm)
    length = float(np.linalg.norm(axis))
    count = max(1, round(length / radius_mm))
    sphere = (0.75 * radius_mm**2 * max(length, 2 * radius_mm) / count) ** (1 / 3)
    centres = np.asarray(start_mm) + np.outer((np.arange(count) + 0.5) / count, axis)
    return tuple(Metal((x, y, z), sphere, susceptibility_ppm) for x, y, z in centres.tolist())


def dipole_offset(grid: PixelGrid, metals: Iterable[Metal], field_t: float) -> NDArray[np.float32]:
    """Return the field offset of metal spheres, as a frequency.

    Parameters
    ----------
    grid
        Pixels of a slice.
    metals
        Spheres; their fields add.
    field_t
        Main field along z, tesla.

    Returns
    -------
    numpy.ndarray
        (rows, columns) offset in Hz.  Inside a sphere it is that of the surface in the same
        direction, so that it stays bounded.
    """
    offset = np.zeros((len(grid.down), len(grid.along)), dtype=np.float32)
    for metal in metals:
        squared = np.maximum(grid.squared_distance(metal.centre_mm), np.float32(_NEAREST))
        inverse = np.reciprocal(squared, out=squared)
        angular = np.square(grid.rise(metal.centre_mm, (0.0, 0.0, 1.0)))
        angular *= 3 * inverse
        angular -= 1
        inverse *= np.float32(metal.radius_mm**2)
        np.minimum(inverse, 1, out=inverse)
        angular *= inverse
        angular *= np.sqrt(inverse, out=inverse)
        angular *= np.float32(metal.susceptibility_ppm / 3 * PROTON_MHZ_PER_TESLA * field_t)
        offset += angular
    return offset


def displace(
    image: NDArray[np.float32],
    offset_hz: NDArray[np.float32],
    axis: int,
    bandwidth_hz: float,
    rf_bandwidth_hz: float,
) -> NDArray[np.float32]:
    """Move signal along the frequency-encoding axis and drop what is not refocused.

    Parameters
    ----------
    image
        Signal, shape (rows, columns).
    offset_hz
        Field offset at the pixel centres, Hz, same shape.
    axis
        Axis of `image` along which frequency is encoded.
    bandwidth_hz
        Receiver bandwidth per pixel, Hz.
    rf_bandwidth_hz
        Bandwidth of the slice-selective pulses, Hz.

    Returns
    -------
    numpy.ndarray
        Displaced signal, same shape; signal pushed out of the field of view is lost.
    """
    signal, offset = (np.moveaxis(array, axis, -1) for array in (image, offset_hz))
    least = min(_LEAST_SHIFT * bandwidth_hz, rf_bandwidth_hz / 2)
    touched = np.abs(offset).max(axis=1) >= least
    moved = signal.copy()
    kept = np.zeros(signal[touched].shape, dtype=np.float32)
    for place in (np.arange(_PARTS) + 0.5) / _PARTS - 0.5:
        fine = _beside(offset[touched], float(place))
        part = signal[touched] * (np.abs(fine) < rf_bandwidth_hz / 2)
        kept += _deposit(part / _PARTS, np.float32(place) + fine / np.float32(bandwidth_hz))
    moved[touched] = kept
    return np.moveaxis(moved, -1, axis)


def _beside(lines: NDArray[np.float32], place: float) -> NDArray[np.float32]:
    """Interpolate lines linearly at a place beside every pixel centre, constant past the ends."""
    towards = np.empty_like(lines)
    if place > 0:
        towards[:, :-1], towards[:, -1] = lines[:, 1:], lines[:, -1]
    else:
        towards[:, 1:], towards[:, 0] = lines[:, :-1], lines[:, 0]
    towards -= lines
    towards *= np.float32(abs(place))
    towards += lines
    return towards


def _deposit(signal: NDArray[np.float32], shift: NDArray[np.float32]) -> NDArray[np.float32]:
    """Move one part of every pixel along its line; a part on a boundary is shared by overlap.

    `shift` leads from the centre of the pixel to that of its moved part.
    """
    lines, length = signal.shape
    edge = shift + (np.arange(length, dtype=np.float32) + np.float32(0.5 - 0.5 / _PARTS))
    low = np.floor(edge)
    share = np.clip((edge - low) * _PARTS + (1 - _PARTS), 0, 1) * signal
    width = length + 4  # two pixels on either side catch what leaves the picture
    slot = (np.clip(low, -2, length) + 2).astype(np.intp) + np.arange(lines)[:, None] * width
    total = np.bincount(slot.ravel(), (signal - share).ravel(), lines * width)
    total += np.bincount(slot.ravel() + 1, share.ravel(), lines * width)
    inside: NDArray[np.float32] = total.reshape(lines, width)[:, 2:-2].astype(np.float32)
    return inside
