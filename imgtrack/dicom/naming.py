"""Name the plane and weighting of a stack, and gather what is claimed about its side."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from imgtrack.dicom.certainty import Certainty
from imgtrack.dicom.planes import name_plane
from imgtrack.dicom.records import Part
from imgtrack.dicom.sides import (
    SideClaim,
    agreed_side,
    header_claims,
    in_conflict,
    position_claims,
    tilt_claims,
)
from imgtrack.dicom.weightings import name_weighting
from imgtrack.measure.points import as_vector

if TYPE_CHECKING:
    from imgtrack.dicom.stacks import Stack
    from imgtrack.domain.protocol import Plane, Weighting
    from imgtrack.domain.subjects import Side

__all__ = ["Certainty", "NamedStack", "Naming", "SideClaim", "name_stack"]


@dataclass(frozen=True, slots=True)
class Naming:
    """What a stack is called and why.

    Attributes
    ----------
    plane
        Plane; ``None`` for a radiograph.
    plane_certainty
        How far to trust it.
    weighting
        Contrast; ``None`` for a radiograph and when the protocol has no word for it.
    weighting_certainty
        How far to trust it.
    contrast
        T1, T2 or PD before fat suppression or separation; ``None`` when unknown.
    fat_suppressed
        Whether fat is suppressed; ``None`` when the header does not tell.
    part
        What the pixels show.
    side_claims
        Every claim about the side, trusted or not.
    reasons
        Why, in plain words that repeat no description and no identity.
    """

    plane: Plane | None
    plane_certainty: Certainty
    weighting: Weighting | None
    weighting_certainty: Certainty
    contrast: Weighting | None
    fat_suppressed: bool | None
    part: Part
    side_claims: tuple[SideClaim, ...]
    reasons: tuple[str, ...]

    @property
    def side(self) -> Side | None:
        """The side on which all trusted claims agree; ``None`` without one or in conflict."""
        return agreed_side(self.side_claims)

    @property
    def sides_conflict(self) -> bool:
        """Whether trusted claims contradict each other."""
        return in_conflict(self.side_claims)


@dataclass(frozen=True, slots=True)
class NamedStack:
    """A stack and its name."""

    stack: Stack
    naming: Naming


def name_stack(stack: Stack) -> NamedStack:
    """Name a stack.

    The plane comes from the orientation, the weighting from the physics, the side from header,
    position and tilt; descriptions only choose where these leave a choice.

    Parameters
    ----------
    stack
        The stack.

    Returns
    -------
    NamedStack
        The stack with its name, the certainty of each part of it, and the reasons.
    """
    claims = (*header_claims(stack), *position_claims(stack))
    if not stack.planes:
        reasons = ("a radiograph has no imaging plane and no weighting",)
        sure = Certainty.CERTAIN
        return NamedStack(
            stack, Naming(None, sure, None, sure, None, None, Part.MAGNITUDE, claims, reasons)
        )
    normal = as_vector(stack.planes[0].normal)
    plane, plane_certainty, why = name_plane(normal, agreed_side(claims))
    contrast = name_weighting(stack.header, stack.frames)
    naming = Naming(
        plane=plane,
        plane_certainty=plane_certainty,
        weighting=contrast.weighting,
        weighting_certainty=contrast.certainty,
        contrast=contrast.contrast,
        fat_suppressed=contrast.fat_suppressed,
        part=stack.frames[0].part,
        side_claims=(*claims, *tilt_claims(normal, plane)),
        reasons=(why, *contrast.reasons),
    )
    return NamedStack(stack, naming)
