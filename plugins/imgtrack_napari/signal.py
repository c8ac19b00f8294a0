"""Mean signal within a drawn outline."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.path import Path as Outline

from imgtrack.domain.errors import Fault, InvalidInput
from imgtrack.measure.signal import region_signal

if TYPE_CHECKING:
    from collections.abc import Sequence

    from imgtrack_napari.measuring import Placed
    from imgtrack_napari.session import Session


def outlined_signal(session: Session, points: Sequence[Placed]) -> dict[str, Any]:
    """Return mean, standard deviation and number of the pixels whose centres an outline holds.

    Parameters
    ----------
    session
        With a case open.
    points
        Of the outline, all on one image.

    Raises
    ------
    InvalidInput
        When it holds fewer than two pixels.
    """
    alias = points[0].image
    image, values = session.images.image(alias), session.images.image_pixels(alias)
    if image.plane is None:
        spacing = np.array(image.spacing or (1.0, 1.0))
        corners = np.array([point.point for point in points])[:, ::-1] / spacing
    else:
        corners = image.plane.to_pixels([point.point for point in points])
    grid = np.indices(values.shape).reshape(2, -1).T
    inside = Outline(corners).contains_points(grid).reshape(values.shape)
    if inside.sum() < 2:
        raise InvalidInput(Fault("the outline holds fewer than two pixels"))
    found = region_signal(values, inside)
    return {"mean": found.mean, "sd": found.sd, "voxels": found.voxels}
