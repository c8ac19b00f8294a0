"""Which pixels an outline drawn in patient millimetres holds."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from imgtrack.measure.plane import PlaneGeometry


def inside(plane: PlaneGeometry, points: ArrayLike) -> NDArray[np.bool_]:
    """Return which pixel centres lie inside an outline.

    Parameters
    ----------
    plane
        The image.
    points
        Shape ``(n, 3)``: corners in order, patient LPS mm; the last joins the first.

    Returns
    -------
    ndarray of shape (rows, columns)
        By the even-odd rule, counting the sides that a ray along the row crosses.
    """
    corners = plane.to_pixels(points)
    rows, columns = plane.shape
    row, column = np.arange(rows)[:, np.newaxis], np.arange(columns)[np.newaxis, :]
    found = np.zeros((rows, columns), dtype=np.bool_)
    for (row1, column1), (row2, column2) in zip(corners, np.roll(corners, -1, 0), strict=True):
        if row1 == row2:
            continue
        spans = (row1 > row) != (row2 > row)
        found ^= spans & (column < column1 + (row - row1) * (column2 - column1) / (row2 - row1))
    return found
