"""The pixels of one slice in patient space, and smooth functions of position on them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray


@dataclass(frozen=True, slots=True)
class PixelGrid:
    """Pixel centres of a slice; rows and columns run at right angles.

    Attributes
    ----------
    corner
        (3,) centre of the first pixel, patient LPS mm.
    down
        (rows, 3) offset of every row from the first, mm.
    along
        (columns, 3) offset of every column from the first, mm.
    """

    corner: NDArray[np.float64]
    down: NDArray[np.float64]
    along: NDArray[np.float64]

    def rise(self, point_mm: ArrayLike, gradient: ArrayLike) -> NDArray[np.float32]:
        """Return a linear function that is 0 at a point, (rows, columns) float32."""
        slope = np.asarray(gradient, dtype=np.float64)
        start = (self.corner - np.asarray(point_mm, dtype=np.float64)) @ slope
        return _outer_sum(start + self.down @ slope, self.along @ slope)

    def squared_distance(self, point_mm: ArrayLike) -> NDArray[np.float32]:
        """Return the squared distance to a point in mm^2, (rows, columns) float32."""
        away = self.corner - np.asarray(point_mm, dtype=np.float64)
        by_row = np.square(self.down + away).sum(axis=1)
        by_column = 2 * self.along @ away + np.square(self.along).sum(axis=1)
        return _outer_sum(by_row, by_column)


def _outer_sum(rows: NDArray[np.float64], columns: NDArray[np.float64]) -> NDArray[np.float32]:
    total: NDArray[np.float32] = rows.astype(np.float32)[:, None] + columns.astype(np.float32)
    return total
