"""Radiograph: cone-beam projection of the phantom onto a flat detector of known geometry.

The phantom is sampled on planes parallel to the detector.  Within each plane the rays of the
point source meet points that are regularly spaced in rows and columns; the attenuation there is
interpolated linearly and summed over the planes.

Attenuation at an effective energy of 60 keV: mass attenuation coefficients of Hubbell JH,
Seltzer SM, NISTIR 5632 (1995), times the densities of ICRU Report 44 (values from memory; those
of muscle and cortical bone were checked against copies of the table).  Cancellous bone with its
marrow, which the phantom does not resolve, is taken between soft tissue and cortical bone;
polymer implants as plastic of 1.3 g/cm3.  No source for these two.  Scatter, beam hardening and
detector blur are left out.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING, get_args

import numpy as np

from synthetic_scans.phantom.tissue import Tissue
from synthetic_scans.scanner.rays import ProjectionGeometry, RayBox, true_ap
from synthetic_scans.spec import Material

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from synthetic_scans.phantom.tissue import Sampled

__all__ = [
    "Exposure",
    "ProjectionGeometry",
    "Radiograph",
    "expose",
    "line_integrals",
    "true_ap",
]

STORED_BITS = 12
"""Bits of a stored pixel."""

STORED_PER_UNIT = 600.0
"""Stored value per unit of line integral (natural logarithm)."""

_SLAB = 8
"""Planes sampled in one go; fixed, so that rounding does not depend on the number of threads."""

_SOFT = 0.2048 * 1.05 / 10
_WATER = 0.2059 * 1.00 / 10
_BONE = 0.3148 * 1.92 / 10

ATTENUATION_PER_MM: dict[Tissue, float] = {
    Tissue.AIR: 0.0,
    Tissue.SKIN: _SOFT,
    Tissue.FAT: 0.1974 * 0.95 / 10,
    Tissue.MUSCLE: _SOFT,
    Tissue.TENDON: _SOFT,
    Tissue.CORTICAL_BONE: _BONE,
    Tissue.MARROW: 0.75 * _SOFT + 0.25 * _BONE,
    Tissue.CARTILAGE: _SOFT,
    Tissue.LABRUM: _SOFT,
    Tissue.FLUID: _WATER,
    Tissue.SCAR: _SOFT,
    Tissue.GRANULATION: _SOFT,
    Tissue.BLOOM: 0.75 * _SOFT + 0.25 * _BONE,
    Tissue.VESSEL: _SOFT,
}
"""Linear attenuation of tissue, 1/mm; a metal bloom is a matter of MR and counts as marrow."""

IMPLANT_PER_MM: dict[Material, float] = {
    "titanium": 0.7661 * 4.54 / 10,
    "peek": 0.19 * 1.3 / 10,
    "bioabsorbable": 0.19 * 1.3 / 10,
}
"""Linear attenuation of implants, 1/mm."""


@dataclass(frozen=True, slots=True)
class Exposure:
    """How a radiograph is taken.

    Attributes
    ----------
    implant
        Material of the implants.
    photons
        Photons per pixel without a patient; None for no noise.
    depth_mm
        Thickness of the patient along the beam that is sampled, centred on the geometry's
        centre.
    step_mm
        Distance between sampled planes.
    """

    implant: Material = "titanium"
    photons: float | None = 2e5
    depth_mm: float = 180.0
    step_mm: float = 0.8

    def __post_init__(self) -> None:
        if self.implant not in get_args(Material):
            raise ValueError(f"implant must be one of {get_args(Material)}, found {self.implant!r}")
        photons = 1.0 if self.photons is None else self.photons
        if min(photons, self.depth_mm, self.step_mm) <= 0:
            raise ValueError(f"photons, depth_mm and step_mm must be above 0, found {self}")


@dataclass(frozen=True, slots=True)
class Radiograph:
    """A digital radiograph, bone bright.

    Attributes
    ----------
    pixels
        (rows, columns) uint16, proportional to the line integral of attenuation.
    geometry
        Source and detector.
    exposure
        How it was taken.
    """

    pixels: NDArray[np.uint16]
    geometry: ProjectionGeometry
    exposure: Exposure


def line_integrals(
    phantom: Sampled, geometry: ProjectionGeometry, exposure: Exposure, workers: int = 2
) -> NDArray[np.float64]:
    """Return the attenuation integrated along the ray to every pixel.

    Parameters
    ----------
    phantom
        What is exposed.
    geometry, exposure
        How.
    workers
        Threads.

    Returns
    -------
    numpy.ndarray
        (rows, columns) natural logarithm of the ratio of photons without and with the patient.
    """
    table = np.zeros(max(Tissue) + 1, dtype=np.float32)
    for tissue, attenuation in ATTENUATION_PER_MM.items():
        table[tissue] = attenuation
    table[Tissue.IMPLANT] = IMPLANT_PER_MM[exposure.implant]
    count = max(1, round(exposure.depth_mm / exposure.step_mm))
    step = exposure.depth_mm / count
    depths = geometry.source_to_patient_mm + (np.arange(count) - (count - 1) / 2) * step
    box = RayBox.around(geometry, float(depths[-1]), step)

    def add(first: int) -> NDArray[np.float32]:
        slab = depths[first : first + _SLAB]
        planes = table[box.sample(phantom, float(slab[0]), len(slab))]
        seen = [box.project(*pair) for pair in zip(planes, slab, strict=True)]
        total: NDArray[np.float32] = np.sum(seen, axis=0)
        return total

    with ThreadPoolExecutor(workers) as pool:
        slabs = list(pool.map(add, range(0, count, _SLAB)))
    integrals: NDArray[np.float64] = (
        np.sum(slabs, axis=0, dtype=np.float64) * step * geometry.obliquity()
    )
    return integrals


def expose(
    phantom: Sampled,
    geometry: ProjectionGeometry,
    exposure: Exposure,
    rng: np.random.Generator,
    workers: int = 2,
) -> Radiograph:
    """Take a radiograph of a phantom.

    Parameters
    ----------
    phantom
        What is exposed.
    geometry, exposure
        How.
    rng
        Source of the quantum noise (Poisson counts).
    workers
        Threads; the pixels do not depend on them.

    Returns
    -------
    Radiograph
        Stored pixels and geometry.
    """
    integrals = line_integrals(phantom, geometry, exposure, workers)
    if exposure.photons is not None:
        counts = rng.poisson(exposure.photons * np.exp(-integrals))
        integrals = np.log(exposure.photons / np.maximum(counts, 1))
    stored = np.clip(np.rint(integrals * STORED_PER_UNIT), 0, 2**STORED_BITS - 1)
    return Radiograph(stored.astype(np.uint16), geometry, exposure)
