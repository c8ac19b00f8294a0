"""A scan seen in the slices of the first one, to blink with it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from imgtrack.desk.cases.images import ShownPixels
from imgtrack.measure.registration.laid import laid_on

if TYPE_CHECKING:
    from imgtrack.domain.protocol import Plane
    from imgtrack_napari.course.lane import Lane
    from imgtrack_napari.course.model import CourseModel

KEPT = 60
"""How many slices are kept."""


class Blink:
    """Lays single slices, and keeps them.

    Parameters
    ----------
    model
        Whose scans.
    """

    def __init__(self, model: CourseModel) -> None:
        self._model = model
        self._kept: dict[tuple[int, str, str], ShownPixels] = {}

    def may(self, lane: Lane) -> bool:
        """Whether a lane can blink with the first scan: laid on it, with a series in sight."""
        first = self._model.first
        return (
            first is not None
            and lane.registration is not None
            and any(lane.stack(row) and first.stack(row) for row in self._model.rows)
        )

    def slice(self, lane: Lane, plane: Plane) -> ShownPixels | None:
        """Return what the slice of the first scan in sight would show of a lane's series.

        Returns
        -------
        ShownPixels or None
            One slice; ``None`` where either scan shows no series with geometry in that row.
        """
        first = self._model.first
        image = first.image(plane) if first is not None else None
        stack = lane.stack(plane)
        if image is None or image.plane is None or stack is None or lane.registration is None:
            return None
        key = lane.number, stack.shown.alias, image.alias
        if key not in self._kept:
            while len(self._kept) >= KEPT:
                self._kept.pop(next(iter(self._kept)))
            values = laid_on(image.plane, lane.volume(stack), lane.registration.to_first)
            inverted = lane.pixels(stack).inverted
            self._kept[key] = ShownPixels(values.astype(np.float32)[None], inverted)
        return self._kept[key]
