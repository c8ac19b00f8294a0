"""One pulse-sequence prescription: contrast, geometry, sampling, noise and artefacts."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Literal, get_args

from synthetic_scans.phantom.tissue import Tissue
from synthetic_scans.planes import PlaneName
from synthetic_scans.scanner.artefacts import Artefacts
from synthetic_scans.scanner.relaxation import check_field

Profile = Literal["rectangle", "gaussian"]
PhaseEncoding = Literal["ROW", "COL"]


class Weighting(StrEnum):
    """Contrast of an acquisition."""

    PD = "pd"
    PD_FAT_SUPPRESSED = "pd_fat_suppressed"
    T1 = "t1"
    T2_FAT_SUPPRESSED = "t2_fat_suppressed"
    STIR = "stir"
    DIXON = "dixon"

    @property
    def spectral_suppression(self) -> bool:
        """Whether a fat-selective pulse precedes each excitation."""
        return self in {Weighting.PD_FAT_SUPPRESSED, Weighting.T2_FAT_SUPPRESSED}

    @property
    def inversion(self) -> bool:
        """Whether an inversion pulse nulls the fat."""
        return self is Weighting.STIR


TIMING: dict[Weighting, tuple[float, float, int, float]] = {
    Weighting.PD: (3000.0, 30.0, 8, 10.0),
    Weighting.PD_FAT_SUPPRESSED: (3200.0, 40.0, 8, 10.0),
    Weighting.T1: (650.0, 12.0, 1, 12.0),
    Weighting.T2_FAT_SUPPRESSED: (4000.0, 60.0, 12, 10.0),
    Weighting.STIR: (4500.0, 40.0, 8, 10.0),
    Weighting.DIXON: (3000.0, 20.0, 6, 10.0),
}
"""Usual repetition time, effective echo time, train length and echo spacing (ms).

Common practice, no source.
"""


@dataclass(frozen=True, slots=True)
class Acquisition:
    """A prescription the scanner can run.

    Attributes
    ----------
    plane
        Plane of the stack; must be that of the frame it is run on.
    weighting
        Contrast.
    field_t
        Main field, tesla.
    repetition_ms, echo_ms
        Repetition time and (effective) echo time; None takes the usual one of the weighting.
    echo_train, echo_spacing_ms
        Number of refocused echoes per excitation (1 is a conventional spin echo) and their
        spacing; None takes the usual one.
    inversion_ms
        Inversion time; None nulls fat where the weighting inverts.
    thickness_mm, gap_mm
        Slice thickness (full width at half maximum) and gap between slices.
    n_slices
        Number of slices, centred on the frame.
    matrix
        Rows and columns.
    fov_mm
        Field of view along the rows index and along the columns index, mm.
    samples
        Sub-samples per voxel, spread over its thickness and its in-plane area.
    profile
        Shape of the slice profile.
    snr
        Signal-to-noise ratio of `snr_tissue`: its signal before coil shading, whole voxel,
        over the standard deviation in one quadrature channel.  None for no noise.
    snr_tissue
        Tissue that `snr` speaks of.
    suppression
        Share of the fat signal that spectral suppression removes on resonance.
    bandwidth_hz
        Receiver bandwidth per pixel.
    rf_bandwidth_hz
        Bandwidth of the slice-selective pulses.
    phase_encoding
        In-plane direction of phase encoding in the words of DICOM (0018,1312): ``ROW`` along
        the rows, ``COL`` along the columns.
    gain
        Stored pixel value of a unit signal.
    artefacts
        What goes wrong.
    """

    plane: PlaneName
    weighting: Weighting = Weighting.PD_FAT_SUPPRESSED
    field_t: float = 3.0
    repetition_ms: float | None = None
    echo_ms: float | None = None
    echo_train: int | None = None
    echo_spacing_ms: float | None = None
    inversion_ms: float | None = None
    thickness_mm: float = 3.0
    gap_mm: float = 0.3
    n_slices: int = 24
    matrix: tuple[int, int] = (320, 320)
    fov_mm: tuple[float, float] = (150.0, 150.0)
    samples: int = 8
    profile: Profile = "rectangle"
    snr: float | None = 25.0
    snr_tissue: Tissue = Tissue.MUSCLE
    suppression: float = 0.95
    bandwidth_hz: float = 250.0
    rf_bandwidth_hz: float = 1500.0
    phase_encoding: PhaseEncoding = "COL"
    gain: float = 2000.0
    artefacts: Artefacts = field(default_factory=Artefacts)

    def __post_init__(self) -> None:
        check_field(self.field_t)
        faults = self._choice_faults() + self._number_faults() + self._slice_faults()
        if faults:
            raise ValueError("acquisition: " + "; ".join(faults))

    @property
    def tr_ms(self) -> float:
        """Repetition time in force, ms."""
        return TIMING[self.weighting][0] if self.repetition_ms is None else self.repetition_ms

    @property
    def te_ms(self) -> float:
        """Effective echo time in force, ms."""
        return TIMING[self.weighting][1] if self.echo_ms is None else self.echo_ms

    @property
    def train(self) -> int:
        """Echo-train length in force."""
        return TIMING[self.weighting][2] if self.echo_train is None else self.echo_train

    @property
    def train_ms(self) -> float:
        """Duration of the echo train, ms; the magnetisation recovers only after it."""
        spacing = self.echo_spacing_ms
        return self.train * (TIMING[self.weighting][3] if spacing is None else spacing)

    @property
    def spacing_mm(self) -> float:
        """Distance between the centres of neighbouring slices, mm."""
        return self.thickness_mm + self.gap_mm

    @property
    def pixel_mm(self) -> tuple[float, float]:
        """Distance between rows and between columns, mm, in the order of DICOM (0028,0030)."""
        return self.fov_mm[0] / self.matrix[0], self.fov_mm[1] / self.matrix[1]

    @property
    def phase_axis(self) -> int:
        """Axis of an image (rows, columns) along which phase is encoded."""
        return 0 if self.phase_encoding == "COL" else 1

    @property
    def present(self) -> tuple[int, ...]:
        """Numbers of the slices that are stored."""
        lost = set(self.artefacts.missing_slices)
        return tuple(n for n in range(self.n_slices) if n not in lost)

    def _choice_faults(self) -> list[str]:
        choices: tuple[tuple[str, object, tuple[object, ...]], ...] = (
            ("plane", self.plane, get_args(PlaneName)),
            ("profile", self.profile, get_args(Profile)),
            ("phase_encoding", self.phase_encoding, get_args(PhaseEncoding)),
            ("weighting", self.weighting, tuple(Weighting)),
        )
        return [
            f"{name} must be one of {allowed}, found {value!r}"
            for name, value, allowed in choices
            if value not in allowed
        ]

    def _number_faults(self) -> list[str]:
        positive: dict[str, float | None] = {
            "repetition_ms": self.repetition_ms,
            "echo_ms": self.echo_ms,
            "echo_train": self.echo_train,
            "echo_spacing_ms": self.echo_spacing_ms,
            "inversion_ms": self.inversion_ms,
            "thickness_mm": self.thickness_mm,
            "n_slices": self.n_slices,
            "matrix": min(self.matrix) - 1,
            "fov_mm": min(self.fov_mm),
            "samples": self.samples,
            "snr": self.snr,
            "bandwidth_hz": self.bandwidth_hz,
            "rf_bandwidth_hz": self.rf_bandwidth_hz,
            "gain": self.gain,
        }
        faults = [
            f"{name} must be finite and above {int(name == 'matrix')}, found {getattr(self, name)}"
            for name, value in positive.items()
            if value is not None and not 0 < value < math.inf
        ]
        if not -self.thickness_mm < self.gap_mm < math.inf:
            faults.append(f"gap_mm must leave a positive slice spacing, found {self.gap_mm}")
        if not 0 <= self.suppression <= 1:
            faults.append(f"suppression must lie in [0, 1], found {self.suppression}")
        return faults

    def _slice_faults(self) -> list[str]:
        lost = set(self.artefacts.missing_slices)
        outside = sorted(n for n in lost if not 0 <= n < self.n_slices)
        if outside:
            return [f"missing slices must be in 0..{self.n_slices - 1}, found {outside}"]
        return ["every slice is missing"] if len(lost) >= self.n_slices else []
