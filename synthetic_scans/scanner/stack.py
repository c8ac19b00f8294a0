"""A stack of parallel slices with its exact geometry."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from synthetic_scans.scanner.acquisition import Acquisition


class Content(StrEnum):
    """What the pixels of a stack show, by the value 3 or 4 of DICOM Image Type."""

    MAGNITUDE = "M"
    WATER = "WATER"
    FAT = "FAT"
    IN_PHASE = "IN_PHASE"
    OPPOSED_PHASE = "OUT_PHASE"


@dataclass(frozen=True, slots=True)
class Stack:
    """Stored pixels and where they lie.

    Attributes
    ----------
    pixels
        (slices, rows, columns) uint16 stored values.
    positions
        (slices, 3) centre of the first pixel of each slice, patient LPS mm.
    row
        (3,) unit direction of increasing column index.
    column
        (3,) unit direction of increasing row index.
    slice_numbers
        Number of each slice in the prescription; jumps where slices are missing.
    acquisition
        The prescription.
    content
        What the pixels show.
    sigma
        Standard deviation of the noise in one quadrature channel, in stored values.
    """

    pixels: NDArray[np.uint16]
    positions: NDArray[np.float64]
    row: NDArray[np.float64]
    column: NDArray[np.float64]
    slice_numbers: tuple[int, ...]
    acquisition: Acquisition
    content: Content
    sigma: float

    @property
    def normal(self) -> NDArray[np.float64]:
        """(3,) unit direction of increasing slice number."""
        return np.cross(self.row, self.column)

    @property
    def pixel_spacing(self) -> tuple[float, float]:
        """Distance between rows and between columns, mm."""
        return self.acquisition.pixel_mm

    @property
    def thickness(self) -> float:
        """Slice thickness, mm."""
        return self.acquisition.thickness_mm

    @property
    def spacing(self) -> float:
        """Prescribed distance between the centres of neighbouring slices, mm."""
        return self.acquisition.spacing_mm

    def to_patient(self, index: ArrayLike) -> NDArray[np.float64]:
        """Return where pixels lie.

        Parameters
        ----------
        index
            (..., 3) slice (whole number, counted in this stack), row and column (fractional;
            pixel centres at whole numbers).

        Returns
        -------
        numpy.ndarray
            (..., 3) patient LPS mm.
        """
        place = np.asarray(index, dtype=np.float64)
        between_rows, between_columns = self.pixel_spacing
        points: NDArray[np.float64] = (
            self.positions[place[..., 0].astype(np.intp)]
            + place[..., 1:2] * between_rows * self.column
            + place[..., 2:3] * between_columns * self.row
        )
        return points

    def to_index(self, points_mm: ArrayLike) -> NDArray[np.float64]:
        """Return the row, column and distance from the plane of points, for every slice.

        Parameters
        ----------
        points_mm
            (n, 3) patient LPS mm.

        Returns
        -------
        numpy.ndarray
            (slices, n, 3) fractional row, fractional column and signed distance in mm along
            the normal.
        """
        delta = np.asarray(points_mm, dtype=np.float64)[None] - self.positions[:, None]
        between_rows, between_columns = self.pixel_spacing
        axes = np.stack(
            (self.column / between_rows, self.row / between_columns, self.normal), axis=-1
        )
        placed: NDArray[np.float64] = delta @ axes
        return placed
