"""How far the implants of a repair have moved in the bone since the first scan after surgery."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from imgtrack.domain.form import is_answered
from imgtrack.domain.protocol import Measure
from imgtrack.measure.motion import migration

if TYPE_CHECKING:
    from imgtrack.desk.course.visits import Visit
    from imgtrack.measure.registration.align import Registration

NOT_DETECTABLE = "not detectable below half the slice spacing"


@dataclass(frozen=True, slots=True)
class ImplantMove:
    """How far one implant has moved.

    Attributes
    ----------
    label
        The implant, as the readers named it.
    distance_mm
        In space.
    along_mm
        Along its axis, positive where it backs out; ``None`` where only one of its ends was
        marked in the first scan, so that its axis is not known.
    residual_mm
        Standard error of the registration.
    detectable_from_mm
        Half the slice spacing, of the coarser scan, and twice the residual; see
        `imgtrack.measure.motion.Migration`.
    is_detectable
        Whether the distance is at least that.
    """

    label: str
    distance_mm: float
    along_mm: float | None
    residual_mm: float
    detectable_from_mm: float
    is_detectable: bool

    @property
    def words(self) -> str:
        """The move in words, with its limit and the residual."""
        limits = f"residual {self.residual_mm:.1f} mm"
        if not self.is_detectable:
            least = f"{self.detectable_from_mm:.1f} mm with the residual"
            return f"implant {self.label}: {NOT_DETECTABLE}, {least}; {limits}"
        along = "axis not marked" if self.along_mm is None else f"{self.along_mm:+.1f} mm along it"
        return f"implant {self.label}: moved {self.distance_mm:.1f} mm, {along}; {limits}"


def implant_moves(
    first: Visit, follow: Visit, registration: Registration, *, slice_pitch_mm: float
) -> tuple[ImplantMove, ...]:
    """Return how far each implant that both verdicts mark under one label has moved.

    Parameters
    ----------
    first, follow
        The first scan after surgery, and a later one. A verdict marks the head of an implant
        first, then, if at all, its tip.
    registration
        Of the later scan on the first.
    slice_pitch_mm
        The larger slice spacing of the series they were marked on.
    """
    before, after = dict(_marked(first)), dict(_marked(follow))
    return tuple(
        _move(label, before[label], after[label], registration, slice_pitch_mm)
        for label in before
        if label in after
    )


def _marked(visit: Visit) -> Iterator[tuple[str, list[list[float]]]]:
    answers: Mapping[str, Any] = visit.verdict.answers if visit.verdict else {}
    if is_answered(answers, Measure.IMPLANTS):
        for implant in answers[Measure.IMPLANTS].get("implants", ()):
            if implant["points"]:
                yield implant["label"], implant["points"]


def _move(
    label: str,
    before: list[list[float]],
    after: list[list[float]],
    registration: Registration,
    slice_pitch_mm: float,
) -> ImplantMove:
    has_axis = len(before) > 1 and before[0] != before[1]
    # Any direction gives the same distance; what lies along it is kept only for the real axis.
    axis = np.subtract(before[0], before[1]) if has_axis else np.array([0.0, 0.0, 1.0])
    moved = migration(
        before[0],
        after[0],
        axis=axis,
        to_first=registration.to_first,
        residual_mm=registration.residual_mm,
        slice_pitch_mm=slice_pitch_mm,
    )
    return ImplantMove(
        label,
        moved.distance_mm,
        moved.along_mm if has_axis else None,
        moved.residual_mm,
        moved.detectable_from_mm,
        moved.is_detectable,
    )
