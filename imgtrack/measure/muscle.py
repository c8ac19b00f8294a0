"""Atrophy of the supraspinatus on the Y view: occupation ratio and tangent line."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np

from imgtrack.domain.errors import Fault, InvalidInput
from imgtrack.measure.areas import FLATNESS_MM, area_of
from imgtrack.measure.points import as_direction, as_point, as_points

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

SUPERIOR = (0.0, 0.0, 1.0)
"""Towards the head, patient LPS."""


class FossaRoof(StrEnum):
    """The line that closes the fossa at the top; there is no standard, so it is recorded."""

    FASCIA = "fascia"
    SPINE_CORACOID_LINE = "spine-coracoid line"


@dataclass(frozen=True, slots=True)
class OccupationRatio:
    """How much of its fossa a muscle fills.

    Attributes
    ----------
    ratio
        Muscle over fossa.
    muscle_mm2, fossa_mm2
        The two areas.
    fossa_roof
        How the fossa was closed.
    """

    ratio: float
    muscle_mm2: float
    fossa_mm2: float
    fossa_roof: FossaRoof


def occupation_ratio(
    muscle: ArrayLike, fossa: ArrayLike, *, fossa_roof: FossaRoof
) -> OccupationRatio:
    """Return the occupation ratio from two outlines on one image.

    Parameters
    ----------
    muscle
        Shape ``(n, 3)``, patient LPS mm: outer border of the supraspinatus.
    fossa
        Shape ``(m, 3)``, patient LPS mm: inner cortex of spine, body and base of the coracoid,
        closed at the top.
    fossa_roof
        How it was closed at the top.

    Raises
    ------
    InvalidInput
        If an outline is none (see :func:`imgtrack.measure.areas.area_of`) or the two do not lie
        on one image.

    References
    ----------
    Thomazeau H et al. Acta Orthop Scand 1996;67:264-8.
    """
    part, whole = area_of(muscle), area_of(fossa)
    heights = (as_points(muscle, "muscle") - np.array(whole.centre)) @ np.array(whole.normal)
    if np.abs(heights).max() > 2 * FLATNESS_MM:
        raise InvalidInput(
            Fault("muscle and fossa are not on one image", next_step="draw both on the Y view")
        )
    return OccupationRatio(part.mm2 / whole.mm2, part.mm2, whole.mm2, fossa_roof)


def height_above_line(
    muscle: ArrayLike,
    *,
    spine: ArrayLike,
    coracoid: ArrayLike,
    superior: ArrayLike = SUPERIOR,
) -> float:
    """Return how far the supraspinatus reaches above the tangent line.

    Parameters
    ----------
    muscle
        Shape ``(n, 3)``, patient LPS mm: outline of the muscle on the Y view.
    spine, coracoid
        Shape ``(3,)``, patient LPS mm: top of the scapular spine and top of the coracoid.
    superior
        Shape ``(3,)``: which way is up; towards the head of the patient unless the arm and
        trunk were tilted.

    Returns
    -------
    float
        Millimetres in the plane of the muscle, at right angles to the line; negative when the
        whole muscle stays below. Above 0 the tangent sign is negative.

    Raises
    ------
    InvalidInput
        If the outline is none, the two points coincide or lie off its image, or the line runs
        so steeply that above and below have no meaning.

    References
    ----------
    Zanetti M, Gerber C, Hodler J. Invest Radiol 1998;33:163-70.
    """
    area = area_of(muscle)
    normal = np.array(area.normal)
    begin, end = as_point(spine, "scapular spine"), as_point(coracoid, "coracoid")
    off_plane = (np.array([begin, end]) - np.array(area.centre)) @ normal
    if np.abs(off_plane).max() > 2 * FLATNESS_MM:
        raise InvalidInput(Fault("the tangent line does not lie on the image of the muscle"))
    line = as_direction(end - begin, "tangent line")
    up = np.cross(normal, line)
    steepness = float(up @ as_direction(superior, "superior"))
    if abs(steepness) < 0.1:
        raise InvalidInput(Fault("the tangent line runs upright: above and below have no meaning"))
    heights = (as_points(muscle, "muscle") - begin) @ (up * np.sign(steepness))
    return float(heights.max())
