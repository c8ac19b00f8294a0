"""The whole answer that a finished tool gives, beside the parts that were there before."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from imgtrack.domain.form import (
    FatFraction,
    Implants,
    Landmarks,
    Measured,
    Origin,
    Part,
    Ratio,
)
from imgtrack_napari.dixon import fat_value
from imgtrack_napari.measuring import Placed, landmark_value, line_value, part_value
from imgtrack_napari.signal import outlined_signal

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from imgtrack_napari.drawing import Tool
    from imgtrack_napari.session import Session


def drawn_value(session: Session, tool: Tool, origin: Origin) -> dict[str, Any]:
    """Return the answer of the question a finished tool belongs to.

    Raises
    ------
    InvalidInput
        When the points define nothing.
    """
    asks = session.question(tool.question).asks
    before = session.value(tool.question)
    if isinstance(asks, Measured):
        return line_value(asks, tool.points, origin)
    if isinstance(asks, Landmarks):
        return landmark_value(tool.question, asks, tool.placed, origin)
    if isinstance(asks, Ratio):
        part = part_of(asks, tool.part)
        value = ratio_part(session, part, tool.points, origin)
        return with_ratio(asks, {**before, part.name: value})
    if isinstance(asks, FatFraction):
        return fat_value(session, tool.points, origin)
    if isinstance(asks, Implants):
        if tool.part:
            return _with_tip(session, before, tool.part, tool.points[0])
        return _with_implant(asks, before, tool.points, origin)
    msg = f"nothing is drawn for {tool.question!r}"
    raise LookupError(msg)


def ratio_part(
    session: Session, part: Part, points: list[Placed], origin: Origin
) -> dict[str, Any]:
    """Return one part of a ratio, with its signal where it is one."""
    signal = outlined_signal(session, points) if part.quantity == "mean" else None
    return part_value(part, points, origin, signal)


def part_of(asks: Ratio, name: str) -> Part:
    """Return a part of a ratio by its name."""
    return next(each for each in (asks.top, asks.bottom) if each.name == name)


def with_ratio(asks: Ratio, answer: Mapping[str, Any]) -> dict[str, Any]:
    """Return the answer of a ratio with its quotient, where both parts are there."""
    found = {key: each for key, each in answer.items() if key != "value"}
    top = found.get(asks.top.name, {}).get(asks.top.quantity)
    bottom = found.get(asks.bottom.name, {}).get(asks.bottom.quantity)
    return {"value": top / bottom, **found} if top is not None and bottom else found


def drawn_points(placed: Sequence[Placed]) -> dict[str, Any]:
    """Return points and the images they lie on, as answers hold them."""
    aliases = dict.fromkeys(each.image for each in placed)
    return {
        "points": [list(each.point) for each in placed],
        "images": [{"uid": alias, "frame": 1} for alias in aliases],
    }


def placed_of(session: Session, drawn: Mapping[str, Any]) -> list[Placed]:
    """Return the points of something drawn, each with the image it lies on."""
    aliases = [image["uid"] for image in drawn["images"]]
    return [
        Placed(tuple(point), session.images.holding(point, aliases)) for point in drawn["points"]
    ]


def _with_tip(
    session: Session, before: Mapping[str, Any], label: str, tip: Placed
) -> dict[str, Any]:
    """Return the implants with the tip of one set, in the place of the one it had."""
    implants = [
        {**each, **drawn_points([placed_of(session, each)[0], tip])}
        if each["label"] == label
        else each
        for each in before.get("implants", ())
    ]
    return {"implants": implants}


def _with_implant(
    asks: Implants, before: Mapping[str, Any], points: list[Placed], origin: Origin
) -> dict[str, Any]:
    implants = list(before.get("implants", ()))
    taken = {each["label"] for each in implants}
    label = next(str(number) for number in range(1, 100) if str(number) not in taken)
    new: dict[str, Any] = {
        "label": label,
        **drawn_points(points),
        "origin": origin.value,
        "seat": asks.seats[0],
    }
    if asks.scales:
        new["grades"] = {}
    return {"implants": [*implants, new]}
