"""What spoils an image besides noise: coil shading, motion ghosts, metal, poor fat suppression."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from synthetic_scans.scanner.field import Metal


@dataclass(frozen=True, slots=True)
class CoilShading:
    """Uneven sensitivity of a circular surface coil.

    The sensitivity falls with the distance d from the centre of the loop as the field on the
    axis of a circular loop does, (R^2 / (R^2 + d^2))^(3/2) (law of Biot and Savart), here taken
    equal in every direction, and is 1 at the centre of the image stack.

    Attributes
    ----------
    centre_mm
        Centre of the loop, patient LPS mm.
    radius_mm
        Radius R of the loop, mm.
    """

    centre_mm: tuple[float, float, float]
    radius_mm: float = 90.0

    def __post_init__(self) -> None:
        if self.radius_mm <= 0:
            raise ValueError(f"the coil radius must be above 0 mm, found {self.radius_mm}")

    def sensitivity(self, squared_mm: NDArray[np.float32]) -> NDArray[np.float32]:
        """Return the sensitivity at squared distances (mm^2) from the loop's centre."""
        reach = np.float32(self.radius_mm**2)
        ratio = reach / (reach + squared_mm)
        strength: NDArray[np.float32] = ratio * np.sqrt(ratio)
        return strength


@dataclass(frozen=True, slots=True)
class Ghosting:
    """Discrete ghosts of periodic motion along the phase-encoding axis.

    Modulating the k-space lines by 1 + m cos(2 pi c y) gives two copies of strength m / 2,
    shifted by plus and minus c pixels, wrapped round (Wood ML, Henkelman RM. Med Phys
    1985;12:143-151; from memory).

    Attributes
    ----------
    modulation
        Depth m of the modulation, 0 to 1.
    cycles
        Periods of the motion during the acquisition of the k-space lines: the shift in pixels.
    """

    modulation: float
    cycles: int

    def __post_init__(self) -> None:
        if not 0 <= self.modulation <= 1:
            raise ValueError(f"ghost modulation must lie in [0, 1], found {self.modulation}")
        if self.cycles < 1:
            raise ValueError(f"ghosts need at least 1 cycle, found {self.cycles}")


@dataclass(frozen=True, slots=True)
class FieldDrift:
    """A main field that is off, so that the fat-selective pulse misses the fat.

    It affects fat suppression alone; the distortion of about a pixel that such an offset also
    causes is left out, so that the truth in mm holds.

    Attributes
    ----------
    centre_mm
        Where the field is right, patient LPS mm.
    gradient_hz_per_mm
        Change of the offset along patient x, y and z, Hz per mm.
    offset_hz
        Offset at the centre, Hz.
    """

    centre_mm: tuple[float, float, float]
    gradient_hz_per_mm: tuple[float, float, float]
    offset_hz: float = 0.0


@dataclass(frozen=True, slots=True)
class Artefacts:
    """Artefacts of one acquisition; the default is none.

    Attributes
    ----------
    shading
        Coil shading, or None for a uniform coil.
    ghosting
        Motion ghosts, or None.
    metal
        Metal spheres that disturb the field; empty for none.
    drift
        Field offset that defeats spectral fat suppression, or None.
    missing_slices
        Numbers (from 0) of slices that were never stored.
    """

    shading: CoilShading | None = None
    ghosting: Ghosting | None = None
    metal: tuple[Metal, ...] = ()
    drift: FieldDrift | None = None
    missing_slices: tuple[int, ...] = ()


def add_ghosts(image: NDArray[np.float32], ghosting: Ghosting, axis: int) -> NDArray[np.float32]:
    """Return an image with its two motion ghosts.

    Parameters
    ----------
    image
        Signal, shape (rows, columns).
    ghosting
        Strength and shift.
    axis
        Axis of `image` along which phase is encoded.

    Returns
    -------
    numpy.ndarray
        Signal with ghosts, same shape; the object keeps its own strength.
    """
    copies = np.roll(image, ghosting.cycles, axis) + np.roll(image, -ghosting.cycles, axis)
    return image + np.float32(ghosting.modulation / 2) * copies
