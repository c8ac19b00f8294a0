"""From the named points of a landmark answer to the millimetres that follow from them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from imgtrack.domain.protocol import Measure
from imgtrack.measure.muscle import height_above_line
from imgtrack.measure.patte import patte_positions

if TYPE_CHECKING:
    from imgtrack.measure.points import Vector

Points = Sequence["Vector"]


def landmark_results(name: str, points: Mapping[str, Points]) -> dict[str, float]:
    """Return what the landmarks of a question define, by result, in mm.

    Parameters
    ----------
    name
        `Measure.PATTE_LANDMARKS`: positions of stump, apex and rim along the line from the
        footprint edge; else the tangent line: height of the muscle above it.
    points
        Points of each landmark, patient LPS mm, shape (n, 3); one for each but the outline of
        the muscle.

    Raises
    ------
    InvalidInput
        When the landmarks define nothing, as two of them in one place.
    """
    if name == Measure.PATTE_LANDMARKS:
        found = patte_positions(
            footprint_edge=points["footprint edge"][0],
            apex=points["apex"][0],
            rim=points["rim"][0],
            stump=points["stump"][0],
        )
        return {"stump": found.stump_mm, "apex": found.apex_mm, "rim": found.rim_mm}
    height = height_above_line(
        points["muscle"], spine=points["spine"][0], coracoid=points["coracoid"][0]
    )
    return {"height": height}
