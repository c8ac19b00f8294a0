"""Retraction by Patte: four landmarks on one coronal oblique image, projected on one axis."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from imgtrack.measure.points import as_direction, as_point

if TYPE_CHECKING:
    from numpy.typing import ArrayLike


@dataclass(frozen=True, slots=True)
class PattePositions:
    """Where the landmarks lie on the axis from footprint edge to glenoid rim.

    Attributes
    ----------
    stump_mm, apex_mm, rim_mm
        Millimetres medially from the lateral edge of the footprint. ``rim_mm`` is the length of
        the axis; ``stump_mm`` is negative for a stump lateral to the footprint edge.
    """

    stump_mm: float
    apex_mm: float
    rim_mm: float


def patte_positions(
    *, footprint_edge: ArrayLike, apex: ArrayLike, rim: ArrayLike, stump: ArrayLike
) -> PattePositions:
    """Return the landmarks' positions, from which the stage is derived.

    Parameters
    ----------
    footprint_edge
        Shape ``(3,)``, patient LPS mm: lateral edge of the footprint on the greater tuberosity.
    apex
        Highest point of the humeral head.
    rim
        Superior rim of the glenoid.
    stump
        Tip of the retracted tendon.

    Returns
    -------
    PattePositions
        For :func:`imgtrack.domain.scales.derive.patte_stage`.

    Raises
    ------
    InvalidInput
        If a point is missing, or footprint edge and rim coincide.

    Notes
    -----
    The axis is our reading of the three descriptions; see the scale ``patte_stage``.
    """
    start = as_point(footprint_edge, "footprint edge")
    span = as_point(rim, "glenoid rim") - start
    axis = as_direction(span, "axis from footprint edge to glenoid rim")
    return PattePositions(
        stump_mm=float((as_point(stump, "stump") - start) @ axis),
        apex_mm=float((as_point(apex, "apex of the head") - start) @ axis),
        rim_mm=float(span @ axis),
    )
