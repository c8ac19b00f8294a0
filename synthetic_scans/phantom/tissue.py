"""What the phantom is made of: tissue classes and the answer to "what is here?".

The numbers are the phantom's own; a scanner turns each class into signal.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


class Tissue(IntEnum):
    """Tissue at one point.

    Attributes
    ----------
    AIR : outside the body and in the lung.
    SKIN : the outermost two millimetres or so.
    FAT : subcutaneous fat and fat planes.
    MUSCLE : contractile muscle; the sample's ``fat_fraction`` says how fatty.
    TENDON : cuff, biceps and intramuscular tendon; ``tendon_signal`` says how bright.
    CORTICAL_BONE : cortex, dark in every weighting.
    MARROW : fatty marrow.
    CARTILAGE : hyaline cartilage of head and glenoid.
    LABRUM : fibrocartilage of the glenoid rim and ligaments.
    FLUID : joint, bursal, gap and peri-implant fluid.
    SCAR : continuous repair tissue, brighter than tendon.
    GRANULATION : tissue that fills a gap without being tendon.
    IMPLANT : anchor body, no signal.
    BLOOM : tissue whose signal a metal anchor destroys.
    VESSEL : flow void.
    """

    AIR = 0
    SKIN = 1
    FAT = 2
    MUSCLE = 3
    TENDON = 4
    CORTICAL_BONE = 5
    MARROW = 6
    CARTILAGE = 7
    LABRUM = 8
    FLUID = 9
    SCAR = 10
    GRANULATION = 11
    IMPLANT = 12
    BLOOM = 13
    VESSEL = 14


@dataclass(frozen=True, slots=True)
class Sample:
    """Tissue at N points.

    Attributes
    ----------
    tissue : (N,) uint8
        Values of :class:`Tissue`.
    fat_fraction : (N,) float32
        Fat signal fraction in [0, 1]; not zero in fatty muscle only. The fat
        of FAT and MARROW is implied by their class.
    tendon_signal : (N,) float32
        Fluid-like share of the signal inside continuous tendon, in [0, 1].
    """

    tissue: NDArray[np.uint8]
    fat_fraction: NDArray[np.float32]
    tendon_signal: NDArray[np.float32]


class Sampled(Protocol):
    """Anything that can be scanned."""

    def sample(self, points_mm: NDArray[np.float64]) -> Sample:
        """Answer at ``points_mm``, (N, 3) float64 in patient LPS mm."""
        ...

    def sample_lattice(
        self,
        origin: NDArray[np.float64],
        step_i: NDArray[np.float64],
        step_j: NDArray[np.float64],
        step_k: NDArray[np.float64],
        shape: tuple[int, int, int],
    ) -> Sample:
        """Answer on ``origin + i step_i + j step_j + k step_k`` in patient LPS mm.

        ``shape`` is (n_i, n_j, n_k); the answer's arrays have n_i n_j n_k
        entries in C order: k runs fastest, so reshape with ``shape``.
        """
        ...
