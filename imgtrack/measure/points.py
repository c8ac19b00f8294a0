"""Points of a reader as arrays, checked once at the door of every measurement."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from imgtrack.domain.errors import Fault, InvalidInput

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Points = NDArray[np.float64]
    """Patient LPS millimetres, one point per row."""

Vector = tuple[float, float, float]
"""A point or a direction in patient LPS millimetres, as a record keeps it."""


def as_points(
    points: ArrayLike, name: str, *, at_least: int = 1, columns: tuple[int, ...] = (3,)
) -> Points:
    """Return points as a float array.

    Parameters
    ----------
    points
        Shape ``(n, 3)``, patient LPS mm; where ``columns`` holds 2 also ``(n, 2)``, mm in the
        plane of a radiograph.
    name
        What the points are, for the fault.
    at_least
        Fewest points that make sense.
    columns
        Allowed numbers of coordinates.

    Raises
    ------
    InvalidInput
        If shape or number is wrong, or a coordinate is not finite.
    """
    array = _as_floats(points, name)
    if array.ndim != 2 or array.shape[1] not in columns:
        expected = " or ".join(f"(n, {number})" for number in columns)
        raise InvalidInput(
            Fault(f"{name} are no points", "", f"shape {expected}", str(array.shape))
        )
    if len(array) < at_least:
        raise InvalidInput(
            Fault(f"{name}: too few points", "", f"{at_least} or more", str(len(array)))
        )
    if not np.isfinite(array).all():
        raise InvalidInput(Fault(f"{name} hold a coordinate that is not finite"))
    return array


def as_point(point: ArrayLike, name: str, *, columns: tuple[int, ...] = (3,)) -> Points:
    """Return one point as an array of shape ``(3,)``, checked like :func:`as_points`."""
    row: Points = as_points(_as_floats(point, name)[np.newaxis], name, columns=columns)[0]
    return row


def _as_floats(values: ArrayLike, name: str) -> Points:
    try:
        return np.asarray(values, dtype=np.float64)
    except (TypeError, ValueError) as error:
        found = repr(values)[:80]
        raise InvalidInput(Fault(f"{name} are no points", found=found)) from error


def as_direction(vector: ArrayLike, name: str, *, columns: tuple[int, ...] = (3,)) -> Points:
    """Return a vector scaled to length 1.

    Raises
    ------
    InvalidInput
        If it is no vector or has no length.
    """
    array = as_point(vector, name, columns=columns)
    length = float(np.linalg.norm(array))
    if length < 1e-12:
        raise InvalidInput(Fault(f"{name} has no direction", found="a vector of length 0"))
    return array / length


def as_vector(point: Points) -> Vector:
    """Return an array of shape ``(3,)`` as a tuple that a record can keep."""
    x, y, z = point.tolist()
    return (x, y, z)
