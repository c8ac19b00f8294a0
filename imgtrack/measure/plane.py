"""Where the pixels of one image lie in the patient, and on which line two images cross."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from imgtrack.domain.errors import Fault, InvalidInput
from imgtrack.measure.points import Vector, as_direction, as_point, as_points, as_vector

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from imgtrack.measure.points import Points

UNIT_TOLERANCE = 1e-3
"""How far stored direction cosines may be from unit length and right angles.

They are decimal texts of at most 16 characters (PS3.5, DS); 1e-3 leaves 0.15 mm over 15 cm.
"""


@dataclass(frozen=True)
class PlaneGeometry:
    """One image as a rectangle in the patient.

    Attributes
    ----------
    origin
        Centre of the first pixel, patient LPS mm: Image Position (Patient).
    row, column
        Unit directions along a row (towards the next column) and along a column (towards the
        next row): the two halves of Image Orientation (Patient).
    spacing
        Millimetres between rows and between columns: Pixel Spacing.
    shape
        Number of rows and columns.
    thickness
        Slice thickness in mm; ``None`` when unknown.

    Notes
    -----
    Pixels are addressed ``(row, column)`` from 0, whole numbers at pixel centres. Mapping as in
    DICOM PS3.3 C.7.6.2.1.1, equation C.7.6.2.1-1.
    """

    origin: Vector
    row: Vector
    column: Vector
    spacing: tuple[float, float]
    shape: tuple[int, int]
    thickness: float | None = None

    def __post_init__(self) -> None:
        """Refuse what cannot be a plane, with every fault."""
        numbers = np.array([*self.origin, *self.row, *self.column, *self.spacing])
        if not np.isfinite(numbers).all():
            raise InvalidInput(Fault("the plane has a number that is not finite"))
        faults = []
        lengths = np.linalg.norm([self.row, self.column], axis=1)
        if np.abs(lengths - 1).max() > UNIT_TOLERANCE:
            faults.append(Fault("directions must have length 1", found=str(lengths.tolist())))
        cosine = float(np.dot(self.row, self.column))
        if abs(cosine) > UNIT_TOLERANCE:
            faults.append(Fault("directions must be at right angles", found=f"cosine {cosine}"))
        if min(self.spacing) <= 0:
            faults.append(Fault("pixel spacing must be above 0", found=str(self.spacing)))
        if min(self.shape) < 1:
            faults.append(Fault("an image needs rows and columns", found=str(self.shape)))
        if self.thickness is not None and not self.thickness > 0:
            faults.append(Fault("slice thickness must be above 0", found=str(self.thickness)))
        if faults:
            raise InvalidInput(faults)

    @cached_property
    def normal(self) -> Points:
        """Unit normal, row direction cross column direction; shape ``(3,)``."""
        return as_direction(np.cross(self.row, self.column), "normal")

    @cached_property
    def _steps(self) -> Points:
        """Patient mm of one step to the next row and the next column; shape ``(2, 3)``."""
        steps: Points = np.array([self.column, self.row]) * np.array(self.spacing)[:, np.newaxis]
        return steps

    def to_patient(self, pixels: ArrayLike) -> Points:
        """Return where pixels lie in the patient.

        Parameters
        ----------
        pixels
            Shape ``(n, 2)``, row and column; fractions and places outside the image are allowed.

        Returns
        -------
        ndarray of shape (n, 3)
            Patient LPS mm.
        """
        steps = as_points(pixels, "pixels", columns=(2,))
        points: Points = np.asarray(self.origin) + steps @ self._steps
        return points

    def to_pixels(self, points: ArrayLike) -> Points:
        """Return where points fall on the image, along its normal.

        Parameters
        ----------
        points
            Shape ``(n, 3)``, patient LPS mm.

        Returns
        -------
        ndarray of shape (n, 2)
            Row and column with fractions, also outside the image.
        """
        away = as_points(points, "points") - np.asarray(self.origin)
        pixels: Points = away @ np.linalg.pinv(self._steps)
        return pixels

    def distance(self, points: ArrayLike) -> Points:
        """Return signed distances of points from the plane, along its normal.

        Parameters
        ----------
        points
            Shape ``(n, 3)``, patient LPS mm.

        Returns
        -------
        ndarray of shape (n,)
            Millimetres, positive on the side the normal points to.
        """
        away = as_points(points, "points") - np.asarray(self.origin)
        distances: Points = away @ self.normal
        return distances

    @property
    def corners(self) -> Points:
        """Outer corners of the image in patient mm, around it; shape ``(4, 3)``."""
        bottom, right = self.shape[0] - 0.5, self.shape[1] - 0.5
        return self.to_patient([(-0.5, -0.5), (-0.5, right), (bottom, right), (bottom, -0.5)])

    def covers(self, point: ArrayLike) -> bool:
        """Whether a point, along the normal, falls within the image's outer edges."""
        pixel = self.to_pixels(as_point(point, "point")[np.newaxis])[0]
        return bool(((pixel >= -0.5) & (pixel <= np.array(self.shape) - 0.5)).all())

    @classmethod
    def from_attributes(
        cls,
        *,
        position: Sequence[float],
        orientation: Sequence[float],
        pixel_spacing: Sequence[float],
        rows: int,
        columns: int,
        thickness: float | None = None,
    ) -> PlaneGeometry:
        """Return the plane that DICOM attributes describe.

        Parameters
        ----------
        position
            Image Position (Patient), 3 values.
        orientation
            Image Orientation (Patient), 6 values.
        pixel_spacing
            Pixel Spacing, 2 values: between rows, between columns.
        rows, columns
            Size of the image.
        thickness
            Slice Thickness.

        Raises
        ------
        InvalidInput
            If a number of values is wrong or the plane is none.
        """
        lengths = {"position": (position, 3), "orientation": (orientation, 6)}
        lengths["pixel_spacing"] = (pixel_spacing, 2)
        faults = [
            Fault(f"{name} has the wrong number of values", "", str(count), str(len(values)))
            for name, (values, count) in lengths.items()
            if len(values) != count
        ]
        if faults:
            raise InvalidInput(faults)
        numbers = [float(value) for value in orientation]
        return cls(
            origin=as_vector(np.array(position, dtype=np.float64)),
            row=as_vector(np.array(numbers[:3])),
            column=as_vector(np.array(numbers[3:])),
            spacing=(float(pixel_spacing[0]), float(pixel_spacing[1])),
            shape=(int(rows), int(columns)),
            thickness=thickness,
        )


def intersection(seen: PlaneGeometry, other: PlaneGeometry) -> Points | None:
    """Return the line on which another image crosses this one.

    Parameters
    ----------
    seen
        The image the line is drawn on.
    other
        The image that crosses it.

    Returns
    -------
    ndarray of shape (2, 3) or None
        Ends of the piece that lies within the outer edges of both images, patient LPS mm;
        ``None`` when the planes are parallel or the images do not meet.
    """
    along = np.cross(seen.normal, other.normal)
    if np.linalg.norm(along) < 1e-6:
        return None
    along = as_direction(along, "line")
    normals = np.array([seen.normal, other.normal, along])
    offsets = np.array(
        [seen.normal @ seen.origin, other.normal @ other.origin, along @ seen.origin]
    )
    start = np.linalg.solve(normals, offsets)
    low, high = -np.inf, np.inf
    for plane in (seen, other):
        piece_low, piece_high = _piece_within(plane, start, along)
        low, high = max(low, piece_low), min(high, piece_high)
    if not low < high:
        return None
    return np.array([start + low * along, start + high * along])


def _piece_within(plane: PlaneGeometry, start: Points, along: Points) -> tuple[float, float]:
    """Return from where to where, in mm from start, a line in the plane is on the image."""
    pixel = plane.to_pixels(start[np.newaxis])[0]
    step = plane.to_pixels((start + along)[np.newaxis])[0] - pixel
    low, high = -np.inf, np.inf
    for place, rate, size in zip(pixel.tolist(), step.tolist(), plane.shape, strict=True):
        if abs(rate) < 1e-12:
            if not -0.5 <= place <= size - 0.5:
                return np.inf, -np.inf
            continue
        ends = sorted(((-0.5 - place) / rate, (size - 0.5 - place) / rate))
        low, high = max(low, ends[0]), min(high, ends[1])
    return low, high
