"""What the three panes show: series, slice and the point they all look at. No window in here."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from imgtrack.domain.protocol import Plane
from imgtrack_napari.hanging import PANES, best_for_muscle, best_for_tendon, hang

if TYPE_CHECKING:
    from collections.abc import Sequence

    from imgtrack.desk.cases.images import ShownImage, ShownSeries
    from imgtrack.measure.plane import PlaneGeometry
    from imgtrack.measure.points import Points

WITHIN_SLICES = 0.5
"""A pane follows to a point that lies up to this share of a slice distance outside its stack."""


@dataclass(slots=True)
class Pane:
    """One pane.

    Attributes
    ----------
    plane
        What it is for.
    choices
        Series that may be shown in it.
    choice, place
        Which series and which slice, both from 0.
    """

    plane: Plane
    choices: tuple[ShownSeries, ...]
    choice: int = 0
    place: int = 0

    @property
    def series(self) -> ShownSeries | None:
        """The series shown; ``None`` in an empty pane."""
        return self.choices[self.choice] if self.choices else None

    @property
    def image(self) -> ShownImage | None:
        """The image shown."""
        return self.series.images[self.place] if self.series else None

    @property
    def words(self) -> str:
        """Plane, weighting, slice and position, as they stand in the pane's corner."""
        series = self.series
        if series is None:
            return f"{self.plane.value}: no series"
        if series.images[0].plane is None:
            return "radiograph" + (f" · earlier scan {series.earlier}" if series.earlier else "")
        weighting = series.weighting.value if series.weighting else "weighting unknown"
        when = f" · earlier scan {series.earlier}" if series.earlier else ""
        part = "" if series.part in {"", "magnitude"} else f" · {series.part}"
        plane = series.plane.value if series.plane else "plane unknown"
        return f"{plane} · {weighting}{part}{when}"

    @property
    def slice_words(self) -> str:
        """Slice number and position along the normal, from the first slice."""
        series = self.series
        if series is None:
            return ""
        total = len(series.images)
        here, first = series.images[self.place].plane, series.images[0].plane
        if here is None or first is None or total == 1:
            return f"image {self.place + 1} of {total}"
        along = float(first.distance([here.origin])[0])
        return f"slice {self.place + 1} of {total} · {along:.1f} mm"


def nearest_place(series: ShownSeries, point: Sequence[float]) -> int | None:
    """Return the slice of a series nearest to a point; ``None`` outside its stack.

    Parameters
    ----------
    series
        Parallel images.
    point
        Patient LPS mm.
    """
    planes = [image.plane for image in series.images]
    if any(plane is None for plane in planes):
        return None
    away = np.abs([float(plane.distance([point])[0]) for plane in planes if plane])
    place = int(np.argmin(away))
    reach = (series.spacing_mm or 2.0) * (0.5 + WITHIN_SLICES)
    return place if away[place] <= reach else None


class Viewing:
    """What the panes show.

    Parameters
    ----------
    series
        Of one case.

    Attributes
    ----------
    panes
        By plane, from left to right.
    cursor
        The point all panes look at, patient LPS mm; ``None`` on radiographs.
    active
        The pane that keys act on.
    zoom_linked
        Whether zooming one pane zooms the others.
    """

    def __init__(self, series: Sequence[ShownSeries]) -> None:
        self.panes = {plane: Pane(plane, found) for plane, found in hang(series).items()}
        self.cursor: tuple[float, float, float] | None = None
        self.active = next((p for p in PANES if self.panes[p].choices), PANES[0])
        self.zoom_linked = False
        self._centre()

    def look_at(self, point: Sequence[float], *, but: Plane | None = None) -> None:
        """Move cursor and slices to a point; the pane ``but`` keeps its slice."""
        x, y, z = (float(each) for each in point)
        self.cursor = (x, y, z)
        for plane, pane in self.panes.items():
            if plane is but or pane.series is None:
                continue
            place = nearest_place(pane.series, self.cursor)
            pane.place = pane.place if place is None else place

    def scroll(self, plane: Plane, steps: int) -> bool:
        """Move a pane by slices and the cursor with it; return whether it moved."""
        pane = self.panes[plane]
        if pane.series is None:
            return False
        place = min(max(pane.place + steps, 0), len(pane.series.images) - 1)
        moved = place != pane.place
        pane.place = place
        geometry = self.geometry(plane)
        if moved and self.cursor is not None and geometry is not None:
            on_plane = geometry.to_patient(geometry.to_pixels([self.cursor]))[0]
            self.cursor = (float(on_plane[0]), float(on_plane[1]), float(on_plane[2]))
        return moved

    def geometry(self, plane: Plane) -> PlaneGeometry | None:
        """Return where the image of a pane lies."""
        image = self.panes[plane].image
        return None if image is None else image.plane

    def next_series(self, plane: Plane, step: int = 1) -> bool:
        """Show the next series of a pane at the same place; return whether there is another."""
        pane = self.panes[plane]
        if len(pane.choices) < 2:
            return False
        self._show(pane, (pane.choice + step) % len(pane.choices))
        return True

    def show_choice(self, plane: Plane, choice: int) -> None:
        """Show one of the series of a pane, by its place among them, where the pane is now."""
        self._show(self.panes[plane], choice)

    def show_image(self, alias: str) -> Plane | None:
        """Bring an image of the case up; return the pane it is in."""
        for plane, pane in self.panes.items():
            for choice, series in enumerate(pane.choices):
                aliases = [image.alias for image in series.images]
                if alias in aliases:
                    pane.choice, pane.place = choice, aliases.index(alias)
                    self.active = plane
                    return plane
        return None

    def hang_for(self, *, muscle: bool) -> None:
        """Show the series that muscles, or tendons, are judged on."""
        for pane in self.panes.values():
            if pane.choices:
                best = best_for_muscle if muscle else best_for_tendon
                self._show(pane, best(pane.choices))
        if muscle and self.panes[Plane.SAGITTAL_OBLIQUE].choices:
            self.active = Plane.SAGITTAL_OBLIQUE

    def _show(self, pane: Pane, choice: int) -> None:
        """Exchange the series, staying at the same place of the body."""
        before = pane.image
        pane.choice = choice
        series = pane.choices[choice]
        point = self._middle_of(before)
        place = None if point is None else nearest_place(series, point.tolist())
        pane.place = min(pane.place, len(series.images) - 1) if place is None else place

    def _middle_of(self, image: ShownImage | None) -> Points | None:
        if image is None or image.plane is None:
            return None
        middle: Points = image.plane.corners.mean(axis=0)
        return middle

    def _centre(self) -> None:
        """Begin in the middle of the first pane's stack."""
        for pane in self.panes.values():
            if pane.series is not None:
                pane.place = len(pane.series.images) // 2
        middle = self._middle_of(self.panes[self.active].image)
        if middle is not None:
            self.look_at(middle.tolist(), but=self.active)
