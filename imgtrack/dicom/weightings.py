"""Name the weighting of a stack from the physics its header states; descriptions only hint.

The limits of repetition and echo time are those of radiology textbooks, from memory, widened to
what turbo spin echo is used with at 1.5 and 3 T (common practice, no source). Between them lie
gaps in which a name is unsure.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from statistics import median
from typing import TYPE_CHECKING

from imgtrack.dicom.certainty import Certainty
from imgtrack.dicom.records import Part
from imgtrack.domain.protocol import Weighting

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from imgtrack.dicom.records import Frame, Header

T1_TR_MS, T1_TR_UNSURE_MS = 900.0, 1300.0
"""Spin echo up to the first is T1 weighted when its echo is early; up to the second perhaps."""

T1_TE_MS = 30.0
"""Latest echo of a T1 weighted spin echo."""

PD_TE_MS, T2_TE_MS = 45.0, 60.0
"""Up to the first a long-TR spin echo is PD weighted, from the second on T2; between unsure."""

CLEAR_T2_TE_MS = 70.0
"""From this echo time on nobody calls a spin echo PD weighted."""

STIR_TI_MS = (80.0, 300.0)
"""Inversion times that null fat from 0.2 to 3 T: ln 2 times T1 of fat, less at a short TR."""

GRADIENT_T1_TE_MS, GRADIENT_T1_FLIP_DEG = 8.0, 25.0
"""A gradient echo up to this echo time and from this flip angle on is T1 weighted."""

DIXON_PARTS = frozenset(
    {Part.WATER, Part.FAT, Part.IN_PHASE, Part.OPPOSED_PHASE, Part.FAT_FRACTION}
)

SUPPRESSED = {
    Weighting.T1: Weighting.T1_FAT_SUPPRESSED,
    Weighting.T2: Weighting.T2_FAT_SUPPRESSED,
    Weighting.PD: Weighting.PD_FAT_SUPPRESSED,
}
"""Name of each contrast with fat suppressed."""

CONTRASTS = {"T1": Weighting.T1, "T2": Weighting.T2, "PROTON_DENSITY": Weighting.PD}
"""Acquisition Contrast (0008,9209) in the protocol's words."""

CONTRAST_WORDS = {
    Weighting.T1: re.compile(r"(?<![A-Z])T1"),
    Weighting.T2: re.compile(r"(?<![A-Z])T2"),
    Weighting.PD: re.compile(r"(?<![A-Z])(PD|PROTON)"),
}
FAT_WORDS = re.compile(r"(?<![A-Z])(PD|T1|T2)?W?_?FS(?![A-Z])|FAT[ _-]?SAT|SPAIR|SPIR")
STIR_WORDS = re.compile(r"STIR|TIRM")


@dataclass(frozen=True, slots=True)
class Contrast:
    """What makes the contrast of a stack.

    Attributes
    ----------
    weighting
        In the protocol's words; ``None`` when it has none for it.
    certainty
        How far to trust it.
    contrast
        T1, T2 or PD before fat suppression or separation; ``None`` when unknown.
    fat_suppressed
        ``None`` when the header does not tell.
    reasons
        Why; never the words of a description.
    """

    weighting: Weighting | None
    certainty: Certainty
    contrast: Weighting | None
    fat_suppressed: bool | None
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Physics:
    """What the header states of the pulse sequence: times in ms, angle in degrees."""

    tr: float | None
    te: float | None
    ti: float | None
    flip: float | None
    sequence: frozenset[str]
    hint: str

    @classmethod
    def of(cls, header: Header, frames: Sequence[Frame]) -> Physics:
        """Return the physics of a stack: the median of what its images state."""
        return cls(
            tr=_median(frame.repetition_time_ms for frame in frames),
            te=_median(frame.echo_time_ms for frame in frames),
            ti=_median(frame.inversion_time_ms for frame in frames),
            flip=_median(frame.flip_deg for frame in frames),
            sequence=frozenset(header.scanning_sequence),
            hint=f"{header.series_description} {header.protocol_name}".upper(),
        )

    @property
    def is_gradient_echo(self) -> bool:
        """Whether it is a gradient echo and no spin echo."""
        return "GR" in self.sequence and "SE" not in self.sequence

    @property
    def hinted_contrast(self) -> Weighting | None:
        """The one contrast the descriptions name; ``None`` when they name none or several."""
        named = [name for name, words in CONTRAST_WORDS.items() if words.search(self.hint)]
        return named[0] if len(named) == 1 else None


def name_weighting(header: Header, frames: Sequence[Frame]) -> Contrast:
    """Name what makes the contrast of the images of one stack.

    Parameters
    ----------
    header
        Header of the stack.
    frames
        Its images; all of one part.
    """
    physics, part = Physics.of(header, frames), frames[0].part
    base = _hinted(_by_times(physics), header, physics)
    fat, fat_certainty, fat_reason = _fat(header, physics)
    contrast, certainty, reason = base
    if part in DIXON_PARTS:
        why = f"Image Type says {part} of a separation"
        separated = part is Part.WATER
        return Contrast(Weighting.DIXON, Certainty.CERTAIN, contrast, separated, (why, reason))
    if part is not Part.MAGNITUDE:
        why = f"the pixels show {part}, not signal"
        return Contrast(None, Certainty.CERTAIN, contrast, fat, (why,))
    if _is_inversion(physics):
        return _inversion(physics, contrast)
    name = SUPPRESSED.get(contrast, contrast) if contrast is not None and fat else contrast
    certainty = certainty.weaker(fat_certainty) if contrast is not None else Certainty.UNSURE
    return Contrast(name, certainty, contrast, fat, (reason, fat_reason))


Guess = tuple[tuple[Weighting, ...], Certainty, str]
"""Possible contrasts with the likeliest first, how far to trust it, and why."""


def _by_times(physics: Physics) -> Guess:
    """Return the possible contrasts by repetition and echo time alone."""
    tr, te = physics.tr, physics.te
    if tr is None or te is None:
        return (), Certainty.UNSURE, "repetition or echo time is not stated"
    told = f"TR {tr:g} ms, TE {te:g} ms"
    if physics.is_gradient_echo:
        return _by_flip(physics, te, told)
    possible, certainty = _spin_echo(tr, te)
    if "SE" in physics.sequence:
        return possible, certainty, told
    return possible, certainty.weaker(Certainty.LIKELY), f"{told}, taken for a spin echo"


def _spin_echo(tr: float, te: float) -> tuple[tuple[Weighting, ...], Certainty]:
    """Return the possible contrasts of a spin echo."""
    if te >= T2_TE_MS:
        sure = Certainty.CERTAIN if te >= CLEAR_T2_TE_MS and tr > T1_TR_UNSURE_MS else None
        return (Weighting.T2,), sure or Certainty.LIKELY
    if te > PD_TE_MS:
        return (Weighting.PD, Weighting.T2), Certainty.UNSURE
    if tr > T1_TR_UNSURE_MS:
        return (Weighting.PD,), Certainty.CERTAIN
    if te <= T1_TE_MS and tr <= T1_TR_MS:
        return (Weighting.T1,), Certainty.CERTAIN
    return (Weighting.T1, Weighting.PD), Certainty.UNSURE


def _by_flip(physics: Physics, te: float, told: str) -> Guess:
    """Return the possible contrasts of a gradient echo."""
    flip = physics.flip
    if te <= GRADIENT_T1_TE_MS and flip is not None and flip >= GRADIENT_T1_FLIP_DEG:
        return (Weighting.T1,), Certainty.LIKELY, f"gradient echo, {told}, flip {flip:g} degrees"
    return (), Certainty.UNSURE, f"gradient echo, {told}: the protocol has no word for it"


def _hinted(
    guess: Guess, header: Header, physics: Physics
) -> tuple[Weighting | None, Certainty, str]:
    """Let Acquisition Contrast, or else the descriptions, choose between possible contrasts."""
    possible, certainty, reason = guess
    stated = CONTRASTS.get(header.acquisition_contrast)
    hint = stated or physics.hinted_contrast
    source = "Acquisition Contrast" if stated else "the description"
    if not possible:
        usable = hint is not None and not physics.is_gradient_echo
        return hint if usable else None, Certainty.UNSURE, reason
    if hint is None or hint is possible[0]:
        agreed = hint is not None and certainty is Certainty.UNSURE
        return possible[0], Certainty.LIKELY if agreed else certainty, reason
    if hint in possible:
        return hint, Certainty.LIKELY, f"{reason}; {source} says {hint}"
    return possible[0], certainty.weaker(Certainty.LIKELY), f"{reason}, though {source} says {hint}"


def _fat(header: Header, physics: Physics) -> tuple[bool | None, Certainty, str]:
    """Return whether fat is suppressed."""
    if header.spectral_suppression or header.spectral_excitation:
        suppressed = "FAT" in header.spectral_suppression.split("_")
        water_only = header.spectral_excitation == "WATER"
        reason = f"spectral suppression {header.spectral_suppression or 'not stated'}"
        return suppressed or water_only, Certainty.CERTAIN, reason
    if header.scan_options is not None and "FS" in header.scan_options:
        return True, Certainty.CERTAIN, "Scan Options say FS"
    if FAT_WORDS.search(physics.hint):
        return True, Certainty.UNSURE, "only the description says that fat is suppressed"
    if header.scan_options is None:
        return None, Certainty.UNSURE, "Scan Options are absent: fat suppression is unknown"
    return False, Certainty.CERTAIN, "Scan Options name no fat suppression"


def _is_inversion(physics: Physics) -> bool:
    """Whether an inversion pulse makes the contrast."""
    low, high = STIR_TI_MS
    nulls_fat = physics.ti is not None and low <= physics.ti <= high
    return "IR" in physics.sequence or (nulls_fat and not physics.is_gradient_echo)


def _inversion(physics: Physics, contrast: Weighting | None) -> Contrast:
    """Return the contrast of an inversion recovery."""
    low, high = STIR_TI_MS
    ti = physics.ti
    if ti is None or ti == 0:
        named = STIR_WORDS.search(physics.hint) is not None
        reason = "inversion recovery without a stated inversion time"
        weighting = Weighting.STIR if named else None
        return Contrast(weighting, Certainty.UNSURE, contrast, named or None, (reason,))
    told = f"inversion time {ti:g} ms"
    if low <= ti <= high:
        return Contrast(
            Weighting.STIR,
            Certainty.CERTAIN if "IR" in physics.sequence else Certainty.LIKELY,
            contrast,
            fat_suppressed=True,
            reasons=(f"{told} nulls fat",),
        )
    reason = f"{told} does not null fat: the protocol has no word for it"
    return Contrast(None, Certainty.UNSURE, contrast, None, (reason,))


def _median(values: Iterable[float | None]) -> float | None:
    stated = [value for value in values if value is not None]
    return median(stated) if stated else None
