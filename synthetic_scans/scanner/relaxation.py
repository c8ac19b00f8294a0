"""Relaxation times and proton densities of shoulder tissue at 1.5 and 3 tesla.

Sources, and what is not sourced:

* Muscle, cartilage, synovial fluid and fat: Gold GE, Han E, Stainsby J, et al. Musculoskeletal
  MRI at 3.0 T: relaxation times and image contrast. AJR 2004;183:343-351 (numbers from memory).
  Jordan CD et al. Eur J Radiol 2013;82:734-739 and Pai A et al. Magn Reson Imaging
  2008;26:1215-1220 (muscle T2 34 +- 7 ms at 3 T) agree in size.
* Tendon T1 at 3 T: Wright PJ et al. ISMRM 2011 abstract 2760 (Achilles, 725 +- 42 ms); at 1.5 T
  no value was found, 600 ms is assumed.  Tendon T2: Lockard CA et al. Br J Radiol
  2019;92:20190221 (T2* 7 +- 1 ms, 3 T); taken for both fields.
* Cortical bone at 3 T: Chen J et al. Magn Reson Med 2017;77:2136-2145 (T1 246 +- 32 ms); T2
  about 0.4 ms (bound water).  The same is taken at 1.5 T; at the echo times used here the bone
  is dark either way.
* Labrum: fibrocartilage between tendon and cartilage; scar, granulation and skin: chosen so that
  repair tissue lies between muscle and fluid.  No published values are known.
* Proton densities: water contents by weight relative to free water, rounded (textbook values,
  from memory).  Fat fractions of adipose tissue and of the fatty marrow of the humeral head:
  from memory, rounded.
"""

from __future__ import annotations

from dataclasses import dataclass

from synthetic_scans.phantom.tissue import Tissue

FIELDS_T = (1.5, 3.0)
"""Main fields with tabulated relaxation times, tesla."""


@dataclass(frozen=True, slots=True)
class Pool:
    """Protons that relax alike.

    Attributes
    ----------
    density
        Proton density relative to free water.
    t1_ms, t2_ms
        Longitudinal and transverse relaxation times, ms.
    """

    density: float
    t1_ms: float
    t2_ms: float


INTRINSIC_FAT: dict[Tissue, float] = {Tissue.FAT: 0.95, Tissue.MARROW: 0.90}
"""Share of the proton density that is fat in tissue which is fatty by nature."""

_NO_SIGNAL = Pool(0.0, 1000.0, 1.0)

_SILENT = (Tissue.AIR, Tissue.IMPLANT, Tissue.BLOOM, Tissue.VESSEL)

_FAT: dict[float, Pool] = {1.5: Pool(0.90, 288.0, 165.0), 3.0: Pool(0.90, 371.0, 133.0)}

_WATER: dict[float, dict[Tissue, Pool]] = {
    1.5: {
        Tissue.SKIN: Pool(0.65, 900.0, 30.0),
        Tissue.FAT: Pool(0.90, 1130.0, 35.0),
        Tissue.MUSCLE: Pool(0.80, 1130.0, 35.0),
        Tissue.TENDON: Pool(0.60, 600.0, 7.0),
        Tissue.CORTICAL_BONE: Pool(0.20, 246.0, 0.4),
        Tissue.MARROW: Pool(0.90, 1130.0, 35.0),
        Tissue.CARTILAGE: Pool(0.75, 1060.0, 42.0),
        Tissue.LABRUM: Pool(0.65, 700.0, 11.0),
        Tissue.FLUID: Pool(1.00, 2850.0, 1210.0),
        Tissue.SCAR: Pool(0.75, 1000.0, 45.0),
        Tissue.GRANULATION: Pool(0.85, 1300.0, 80.0),
    },
    3.0: {
        Tissue.SKIN: Pool(0.65, 1100.0, 28.0),
        Tissue.FAT: Pool(0.90, 1420.0, 32.0),
        Tissue.MUSCLE: Pool(0.80, 1420.0, 32.0),
        Tissue.TENDON: Pool(0.60, 725.0, 7.0),
        Tissue.CORTICAL_BONE: Pool(0.20, 246.0, 0.4),
        Tissue.MARROW: Pool(0.90, 1420.0, 32.0),
        Tissue.CARTILAGE: Pool(0.75, 1240.0, 37.0),
        Tissue.LABRUM: Pool(0.65, 850.0, 10.0),
        Tissue.FLUID: Pool(1.00, 3620.0, 767.0),
        Tissue.SCAR: Pool(0.75, 1200.0, 42.0),
        Tissue.GRANULATION: Pool(0.85, 1600.0, 75.0),
    },
}


def check_field(field_t: float) -> None:
    """Raise ValueError unless relaxation times are known at this field (tesla)."""
    if field_t not in FIELDS_T:
        raise ValueError(f"field strength must be one of {FIELDS_T} tesla, found {field_t}")


def water_pool(tissue: Tissue, field_t: float) -> Pool:
    """Return the water protons of a tissue.

    Parameters
    ----------
    tissue
        Tissue class.
    field_t
        Main field, tesla.

    Returns
    -------
    Pool
        Density zero for air, implants, vessels with flow and tissue lost in a metal bloom.

    Raises
    ------
    ValueError
        If the field has no tabulated values.
    """
    check_field(field_t)
    return _NO_SIGNAL if tissue in _SILENT else _WATER[field_t][tissue]


def fat_pool(field_t: float) -> Pool:
    """Return the fat protons, alike in adipose tissue, marrow and fatty muscle.

    Raises
    ------
    ValueError
        If the field has no tabulated values.
    """
    check_field(field_t)
    return _FAT[field_t]
