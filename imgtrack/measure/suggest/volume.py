"""Pixels of a series together with where they lie in the patient."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
from scipy import ndimage

from imgtrack.domain.errors import Fault, InvalidInput
from imgtrack.measure.stack import Stack

if TYPE_CHECKING:
    from typing import Any

    from numpy.typing import ArrayLike, NDArray

    from imgtrack.measure.plane import PlaneGeometry
    from imgtrack.measure.points import Points

    Pixels = NDArray[np.floating[Any]] | NDArray[np.integer[Any]]

ALIGNED_PIXELS = 0.5
"""How far one slice may be shifted against the first within its plane."""


@dataclass(frozen=True, eq=False)
class Volume:
    """A stack of images with its geometry.

    Attributes
    ----------
    pixels
        Shape ``(slices, rows, columns)``, in the order of ``stack``.
    stack
        Where the slices lie.
    """

    pixels: Pixels
    stack: Stack

    def __post_init__(self) -> None:
        """Refuse pixels that do not fit the geometry."""
        planes = self.stack.planes
        expected = (len(planes), *planes[0].shape)
        if self.pixels.shape != expected:
            what = "the pixels do not fit the stack"
            raise InvalidInput(Fault(what, "", str(expected), str(self.pixels.shape)))
        first = planes[0]
        corners = first.to_pixels([plane.origin for plane in planes])
        if np.abs(corners).max() > ALIGNED_PIXELS or any(
            p.spacing != first.spacing for p in planes
        ):
            raise InvalidInput(Fault("the slices do not lie squarely on each other"))

    def image(self, number: int) -> Points:
        """Return one slice as floats; shape ``(rows, columns)``."""
        return np.asarray(self.pixels[number], dtype=np.float64)

    def at(self, points: ArrayLike) -> Points:
        """Return the signal at points, linear within and between slices.

        Parameters
        ----------
        points
            Shape ``(n, 3)``, patient LPS mm.

        Returns
        -------
        ndarray of shape (n,)
            ``nan`` beyond the centres of the outermost pixels and slices.
        """
        first = self.stack.planes[0]
        positions = self.stack.positions
        numbers = np.arange(positions.size, dtype=np.float64)
        depth = np.interp(first.distance(points), positions, numbers, left=np.nan, right=np.nan)
        places = np.column_stack([depth, first.to_pixels(points)])
        return _interpolated(self.pixels, places, order=1)


def sample(
    image: Points, plane: PlaneGeometry, points: ArrayLike, *, order: Literal[1, 3] = 1
) -> Points:
    """Return the signal of one image at points, moved onto it along its normal.

    Parameters
    ----------
    image
        Shape ``(rows, columns)``.
    plane
        Where the image lies.
    points
        Shape ``(n, 3)``, patient LPS mm.
    order
        1 for linear, 3 for cubic interpolation within the image.

    Returns
    -------
    ndarray of shape (n,)
        ``nan`` beyond the centres of the outermost pixels.
    """
    return _interpolated(image, plane.to_pixels(points), order=order)


def _interpolated(image: Pixels, places: Points, *, order: Literal[1, 3]) -> Points:
    last = np.array(image.shape) - 1
    inside = ((places >= 0) & (places <= last)).all(axis=1)
    values = ndimage.map_coordinates(
        image, np.nan_to_num(places).T, output=np.float64, order=order, mode="nearest"
    )
    signal: Points = np.where(inside, values, np.nan)
    return signal
