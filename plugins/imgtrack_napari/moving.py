"""Moving one point of an answer: every number that follows from it follows again."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from imgtrack.domain.form import FatFraction, Landmarks, Measured, Origin, Ratio
from imgtrack_napari.dixon import fat_value
from imgtrack_napari.measuring import Placed, landmark_value, line_value
from imgtrack_napari.values import drawn_points, part_of, placed_of, ratio_part, with_ratio

if TYPE_CHECKING:
    from collections.abc import Mapping

    from imgtrack.domain.form import Question
    from imgtrack_napari.figures import Handle
    from imgtrack_napari.session import Session


def moved(
    question: Question,
    answer: Mapping[str, Any],
    handle: Handle,
    placed: Placed,
    session: Session,
) -> dict[str, Any]:
    """Return an answer with one of its points moved, and every number that follows from it.

    A point of an accepted proposal becomes one that was moved.

    Raises
    ------
    InvalidInput
        When the points no longer define anything.
    """
    asks = question.asks
    if isinstance(asks, Measured):
        points = _replaced(answer, handle, placed, session)
        return line_value(asks, points, _origin(answer))
    if isinstance(asks, Landmarks):
        image = answer["images"][0]["uid"]
        groups = {
            name: [Placed(tuple(point), image) for point in points]
            for name, points in answer["points"].items()
        }
        groups[handle.part][handle.number] = placed
        return landmark_value(question.name, asks, groups, _origin(answer))
    if isinstance(asks, Ratio):
        drawn = answer[handle.part]
        points = _replaced(drawn, handle, placed, session)
        part = ratio_part(session, part_of(asks, handle.part), points, _origin(drawn))
        return with_ratio(asks, {**answer, handle.part: part})
    if isinstance(asks, FatFraction):
        points = [Placed(tuple(point), placed.image) for point in answer["points"]]
        points[handle.number] = placed
        return fat_value(session, points, _origin(answer))
    implants = [
        {
            **each,
            **drawn_points(_replaced(each, handle, placed, session)),
            "origin": _origin(each).value,
        }
        if each["label"] == handle.part
        else each
        for each in answer["implants"]
    ]
    return {**answer, "implants": implants}


def _replaced(
    drawn: Mapping[str, Any], handle: Handle, placed: Placed, session: Session
) -> list[Placed]:
    points = placed_of(session, drawn)
    points[handle.number] = placed
    return points


def _origin(drawn: Mapping[str, Any]) -> Origin:
    origin = Origin(drawn["origin"])
    return Origin.MOVED if origin is Origin.ACCEPTED else origin
