"""Mean signal within a drawn outline."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from imgtrack.domain.errors import Fault, InvalidInput
from imgtrack.measure.regions import inside
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
        When it holds fewer than two pixels, or the image has no geometry.
    """
    alias = points[0].image
    image, values = session.images.image(alias), session.images.image_pixels(alias)
    if image.plane is None:
        raise InvalidInput(Fault("this image does not say where it lies"))
    held = inside(image.plane, [point.point for point in points])
    if held.sum() < 2:
        raise InvalidInput(Fault("the outline holds fewer than two pixels"))
    found = region_signal(values, held)
    return {"mean": found.mean, "sd": found.sd, "voxels": found.voxels}
