"""Fat fraction within a drawn outline, and the images it is drawn on. No window in here."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from imgtrack.desk.cases.dixon import (
    MAP,
    fat_and_water_at,
    fat_answer,
    has_fat_images,
    require_percent,
)
from imgtrack.domain.errors import Fault, InvalidInput
from imgtrack.domain.protocol import Plane
from imgtrack.measure.fat import fat_fraction, mapped_fat_fraction

if TYPE_CHECKING:
    from collections.abc import Sequence

    from imgtrack.domain.form import Origin
    from imgtrack_napari.measuring import Placed
    from imgtrack_napari.session import Session

NONE_HERE = "No fat and water images in this scan."
DRAWN_ON = ("in phase", "fat", "water", "opposed phase", MAP)
"""Parts in the order in which they are offered to draw on: the first shows muscle and fat."""


def can_measure(session: Session) -> bool:
    """Whether the open case has images to measure fat on, of the scan to be read."""
    return session.case is not None and has_fat_images(session.case.series)


def bring_up(session: Session) -> bool:
    """Show a Dixon series in the sagittal pane, in the same place; return whether there is one."""
    if not can_measure(session):
        return False
    viewing, pane = session.viewing, session.viewing.panes[Plane.SAGITTAL_OBLIQUE]
    viewing.active = Plane.SAGITTAL_OBLIQUE
    if pane.series is not None and pane.series.part in DRAWN_ON and not pane.series.earlier:
        return True
    own = [(place, each.part) for place, each in enumerate(pane.choices) if not each.earlier]
    ranked = [(DRAWN_ON.index(part), place) for place, part in own if part in DRAWN_ON]
    if not ranked:
        return False
    viewing.show_choice(Plane.SAGITTAL_OBLIQUE, min(ranked)[1])
    return True


def fat_value(session: Session, points: Sequence[Placed], origin: Origin) -> dict[str, Any]:
    """Return the answer of an outline.

    Parameters
    ----------
    session
        With a case open.
    points
        Of the outline, all on one image of a Dixon acquisition, or on a map of fat fractions.
    origin
        Where they come from.

    Raises
    ------
    InvalidInput
        When the outline is none, no fat and water image lie in its place, or a map says no unit.
    """
    alias = points[0].image
    plane = session.images.image(alias).plane
    if plane is None or session.case is None:
        raise InvalidInput(Fault("this image does not say where it lies"))
    outline = [list(each.point) for each in points]
    if session.images.series(alias).part == MAP:
        require_percent(session.images.pixels(alias.rpartition(".")[0]).unit)
        read = mapped_fat_fraction(outline, plane, percent=session.images.image_pixels(alias))
        return fat_answer(read, outline, drawn_on=alias, images=None, origin=origin)
    both = fat_and_water_at(session.case.series, alias)
    found = fat_fraction(
        outline,
        plane,
        fat=session.images.image_pixels(both.fat),
        water=session.images.image_pixels(both.water),
    )
    return fat_answer(found, outline, drawn_on=alias, images=both, origin=origin)
