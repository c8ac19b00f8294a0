"""A follow-up seen in the slices of the first scan."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from imgtrack.measure.motion import RigidTransform
    from imgtrack.measure.plane import PlaneGeometry
    from imgtrack.measure.points import Points
    from imgtrack.measure.suggest.volume import Volume


def laid_on(plane: PlaneGeometry, follow: Volume, to_first: RigidTransform) -> Points:
    """Return what a slice of the first scan would show of the follow-up.

    Parameters
    ----------
    plane
        The slice of the first scan, patient LPS mm.
    follow
        Series of the follow-up.
    to_first
        From the follow-up to the first scan.

    Returns
    -------
    ndarray of shape (rows, columns)
        Signal of the follow-up, linear between its pixels and slices; its darkest value where it
        has none. To look at only: nothing is measured on it.
    """
    pixels = np.indices(plane.shape).reshape(2, -1).T
    places = to_first.inverse.apply(plane.to_patient(pixels))
    signal = follow.at(places).reshape(plane.shape)
    seen: Points = np.nan_to_num(signal, nan=float(follow.pixels.min()))
    return seen
