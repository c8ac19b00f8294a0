"""Name the plane of a stack from its orientation relative to the body."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from imgtrack.dicom.certainty import Certainty
from imgtrack.domain.protocol import Plane
from imgtrack.domain.subjects import Side

if TYPE_CHECKING:
    from imgtrack.measure.points import Vector

HALF_WAY_DEG = 45.0
"""Half way between two main planes of the body."""

CERTAIN_DEG, LIKELY_DEG = 20.0, 10.0
"""How far from half way a plane must be for its name to be certain, and to be likely."""


def name_plane(normal: Vector, side: Side | None) -> tuple[Plane, Certainty, str]:
    """Name the plane with a normal.

    Parameters
    ----------
    normal
        Unit normal of the stack, patient LPS; its sign does not matter.
    side
        The shoulder shown, where it is agreed; ``None`` when it is not.

    Returns
    -------
    tuple
        The plane, how far to trust it, and why.

    Notes
    -----
    The oblique planes of the shoulder follow the scapula, which stands 30 to 45 degrees before
    the coronal plane of the body (textbook figure, from memory). So the normal of an oblique
    stack is often near half way between front-to-back and side-to-side, where its angle alone
    does not tell coronal from sagittal. There the side decides: along the blade the scapula
    runs forwards and to its own side, so that the normal of a coronal oblique stack points
    backwards and to the side of the shoulder (or the opposite of both), that of a sagittal
    oblique one forwards and to that side.
    """
    x, y, z = normal
    from_axis = math.degrees(math.acos(min(abs(z), 1.0)))
    if from_axis < HALF_WAY_DEG:
        return (
            Plane.AXIAL,
            certainty_of(HALF_WAY_DEG - from_axis),
            f"the normal is {from_axis:.0f} degrees off head-to-foot",
        )
    azimuth = math.degrees(math.atan2(abs(x), abs(y)))
    margin = abs(HALF_WAY_DEG - azimuth)
    plane = Plane.CORONAL_OBLIQUE if azimuth < HALF_WAY_DEG else Plane.SAGITTAL_OBLIQUE
    reason = f"the normal is {azimuth:.0f} degrees off front-to-back"
    certainty = certainty_of(min(margin, from_axis - HALF_WAY_DEG))
    if margin >= LIKELY_DEG or side is None:
        return plane, certainty, reason
    backwards_to_side = x * y * _sign(side) > 0
    plane = Plane.CORONAL_OBLIQUE if backwards_to_side else Plane.SAGITTAL_OBLIQUE
    return plane, Certainty.LIKELY, f"{reason}; told by its tilt on a {side} shoulder"


def side_by_tilt(normal: Vector, plane: Plane) -> tuple[Side, float] | None:
    """Return the side whose scapula a stack is tilted along, and by how many degrees.

    ``None`` for an axial stack, and near half way, where the tilt already told the plane.
    """
    x, y, _ = normal
    azimuth = math.degrees(math.atan2(abs(x), abs(y)))
    if plane is Plane.AXIAL or abs(HALF_WAY_DEG - azimuth) < LIKELY_DEG:
        return None
    is_coronal = plane is Plane.CORONAL_OBLIQUE
    tilt = azimuth if is_coronal else 90 - azimuth
    side = Side.LEFT if (x * y > 0) == is_coronal else Side.RIGHT
    return side, tilt


def certainty_of(margin_deg: float) -> Certainty:
    """Return how far to trust a name whose plane is so far from half way to another one."""
    if margin_deg >= CERTAIN_DEG:
        return Certainty.CERTAIN
    return Certainty.LIKELY if margin_deg >= LIKELY_DEG else Certainty.UNSURE


def _sign(side: Side) -> int:
    """Return the sign of x on that side of the patient: LPS grows to the left."""
    return 1 if side is Side.LEFT else -1
