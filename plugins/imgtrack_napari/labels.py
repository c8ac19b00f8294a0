"""Places for the words beside figures: none covers another, nor what must stay seen."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

Box = tuple[float, float, float, float]
"""Left, top, right and bottom, in pixels; y grows downwards."""

Spot = tuple[float, float]
"""x and y in pixels."""

GAP = 3.0
"""Pixels that stay free around words."""

NEAR = 9.0
"""Pixels between a point and the words that begin beside it."""

CLEAR = 7.0
"""Pixels around a point of a figure that are kept free where they can be."""

COVERING = 60.0
"""How many pixels farther away words are put rather than cover one point of a figure."""


@dataclass(frozen=True, slots=True)
class Words:
    """Words that want a place.

    Attributes
    ----------
    at
        The point they belong to.
    width, height
        Their size.
    """

    at: Spot
    width: float
    height: float


def places(
    words: Sequence[Words], room: Box, *, taken: Sequence[Box] = (), figures: Sequence[Spot] = ()
) -> list[Box | None]:
    """Return where words go: each as near to its point as there is a free place.

    Parameters
    ----------
    words
        Those that matter most first.
    room
        Where they may be.
    taken
        What they may never cover.
    figures
        Points they are to keep off where they can.

    Returns
    -------
    list of Box or None
        One for each; ``None`` where there is no free place.
    """
    blocked, found = [*taken], []
    for each in words:
        place = _place(each, room, np.array(blocked).reshape(-1, 4), np.array(figures))
        found.append(place)
        if place is not None:
            blocked.append(place)
    return found


def _place(
    words: Words, room: Box, blocked: NDArray[np.float64], figures: NDArray[np.float64]
) -> Box | None:
    boxes = _candidates(words, room)
    if not boxes.size:
        return None
    free = ~_overlaps(boxes, blocked).any(axis=1)
    if not free.any():
        return None
    boxes = boxes[free]
    points = np.array([words.at])
    cost = _away(boxes, points)[:, 0]
    if figures.size:
        cost = cost + COVERING * (_away(boxes, figures) < CLEAR).sum(axis=1)
    left, top, right, bottom = boxes[int(np.argmin(cost))].tolist()
    return left, top, right, bottom


def _candidates(words: Words, room: Box) -> NDArray[np.float64]:
    """Return boxes beside the point, above and below it, and then all over the room."""
    (x, y), wide, high = words.at, words.width, words.height
    beside = [(x + NEAR, y - high / 2), (x - NEAR - wide, y - high / 2)]
    beside += [(x + dx, y + dy) for dx in (-wide / 2, NEAR) for dy in (NEAR, -NEAR - high)]
    across = np.arange(room[0], room[2] - wide, max(wide / 4, 8.0))
    down = np.arange(room[1], room[3] - high, max(high / 3, 4.0))
    grid = np.stack(np.meshgrid(across, down, indexing="ij"), axis=-1).reshape(-1, 2)
    corners = np.concatenate([np.array(beside), grid])
    boxes = np.concatenate([corners, corners + np.array([wide, high])], axis=1)
    inside = (boxes[:, :2] >= room[:2]).all(axis=1) & (boxes[:, 2:] <= room[2:]).all(axis=1)
    kept: NDArray[np.float64] = boxes[inside]
    return kept


def _overlaps(boxes: NDArray[np.float64], blocked: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Return which boxes come nearer than `GAP` to which; shape (boxes, blocked)."""
    first, other = boxes[:, None], blocked[None]
    apart = (first[..., :2] >= other[..., 2:] + GAP) | (other[..., :2] >= first[..., 2:] + GAP)
    together: NDArray[np.bool_] = np.logical_not(apart.any(axis=-1))
    return together


def _away(boxes: NDArray[np.float64], points: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return how far points lie from boxes, 0 within; shape (boxes, points)."""
    spots = points[None]
    outside = np.maximum(boxes[:, None, :2] - spots, spots - boxes[:, None, 2:])
    away: NDArray[np.float64] = np.linalg.norm(np.maximum(outside, 0.0), axis=-1)
    return away


def nearest(box: Box, at: Spot) -> Spot:
    """Return the place of a box nearest to a point."""
    left, top, right, bottom = box
    return min(max(at[0], left), right), min(max(at[1], top), bottom)
