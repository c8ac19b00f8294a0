"""Between the patient and a pane: exact both ways, with the image's own geometry.

A pane shows an image in millimetres of its own plane: y down the rows and x along them, both 0 at
the centre of the first pixel. The layer's ``scale`` is the pixel spacing and nothing else.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from imgtrack.measure.plane import intersection
from imgtrack_napari.measuring import Placed

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from imgtrack.desk.cases.images import ShownImage, ShownPixels, ShownSeries
    from imgtrack.measure.plane import PlaneGeometry
    from imgtrack_napari.grey import Window

PanePoint = tuple[float, float]
"""y and x in mm of the image's plane."""

NO_SPACING = (1.0, 1.0)
"""Used where an image does not state its pixel spacing: numbers are then pixels."""

SECOND_LETTER = 0.4
"""A second letter is shown when the direction has at least this share of that axis: about 24
degrees of tilt. Our choice, no source."""

AXES = (("L", "R"), ("P", "A"), ("S", "I"))
"""Letters of the patient axes, positive first: left, posterior, superior (DICOM PS3.3 C.7.6.1.1.1
writes F and H for foot and head; radiologists of the shoulder say I and S)."""


def layer_kwargs(series: ShownSeries, pixels: ShownPixels, grey: Window) -> dict[str, Any]:
    """Return what napari needs to show a series: ``data``, ``scale``, grey window, a bare name."""
    rows, columns = spacing_of(series.images[0])
    return {
        "data": pixels.values,
        "scale": (1.0, rows, columns),
        "contrast_limits": (grey.low, grey.high),
        "colormap": "gray_r" if pixels.inverted else "gray",
        "interpolation2d": "linear",
        "name": "images",
    }


def spacing_of(image: ShownImage) -> tuple[float, float]:
    """Return millimetres between rows and between columns."""
    return image.spacing or NO_SPACING


def to_pane(image: ShownImage, point: Sequence[float]) -> PanePoint:
    """Return where a point falls in a pane, along the image's normal.

    Parameters
    ----------
    image
        Shown in the pane.
    point
        Patient LPS mm; on a radiograph x and y in its plane.
    """
    if image.plane is None:
        return float(point[1]), float(point[0])
    row, column = image.plane.to_pixels([point])[0]
    rows, columns = spacing_of(image)
    return float(row * rows), float(column * columns)


def to_patient(image: ShownImage, at: PanePoint) -> tuple[float, ...]:
    """Return the point of the patient at a place of a pane; the way back from `to_pane`."""
    if image.plane is None:
        return at[1], at[0]
    rows, columns = spacing_of(image)
    point = image.plane.to_patient([(at[0] / rows, at[1] / columns)])[0]
    return float(point[0]), float(point[1]), float(point[2])


def placed_at(image: ShownImage, at: PanePoint) -> Placed | None:
    """Return the point of an image at a place of a pane; ``None`` beside the image."""
    rows, columns = spacing_of(image)
    row, column = at[0] / rows, at[1] / columns
    if not (-0.5 <= row <= image.rows - 0.5 and -0.5 <= column <= image.columns - 0.5):
        return None
    return Placed(to_patient(image, at), image.alias)


def lies_on(image: ShownImage, point: Sequence[float]) -> bool:
    """Whether a point was drawn on an image, and not on a slice beside it."""
    return image.plane is None or abs(float(image.plane.distance([point])[0])) <= 0.1


def letters(plane: PlaneGeometry | None) -> dict[str, str]:
    """Return which way the edges of an image face: ``left``, ``right``, ``top``, ``bottom``.

    Empty without geometry.
    """
    if plane is None:
        return {}
    row, column = np.asarray(plane.row), np.asarray(plane.column)
    return {
        "right": _direction(row),
        "left": _direction(-row),
        "bottom": _direction(column),
        "top": _direction(-column),
    }


def _direction(vector: NDArray[Any]) -> str:
    order = np.argsort(-np.abs(vector), kind="stable")
    wanted = [
        axis for place, axis in enumerate(order) if not place or abs(vector[axis]) >= SECOND_LETTER
    ]
    return "".join(AXES[axis][int(vector[axis] < 0)] for axis in wanted[:2])


def crossing_line(seen: ShownImage, other: ShownImage) -> tuple[PanePoint, PanePoint] | None:
    """Return where another image crosses this one, in the pane; ``None`` where it does not."""
    if seen.plane is None or other.plane is None:
        return None
    ends = intersection(seen.plane, other.plane)
    if ends is None:
        return None
    return to_pane(seen, ends[0].tolist()), to_pane(seen, ends[1].tolist())
