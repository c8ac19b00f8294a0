"""One visit of the course window: which series of it are shown, at which slices."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from imgtrack.measure.stack import Stack as Slices
from imgtrack.measure.suggest.volume import Volume
from imgtrack_napari.hanging import best_for_tendon

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from imgtrack.desk.cases.images import ShownImage, ShownPixels
    from imgtrack.desk.course.visits import Stack, Visit
    from imgtrack.domain.protocol import Plane, Weighting
    from imgtrack.measure.points import Vector
    from imgtrack.measure.registration.align import Registration

ON_CUFF = ("straight retraction", "tendon thickness", "tear width")
"""Lengths that lie on the cuff, above the head."""


@dataclass(slots=True, eq=False)
class Lane:
    """One visit as it is shown.

    Attributes
    ----------
    visit
        The visit.
    number
        Its place from the left, from 0.
    registration
        Of its humerus on that of the first scan after surgery; ``None`` until there is one.
    fault
        Why there is none; empty while it is waited for.
    is_being_laid
        Whether the registration is being searched for now.
    own_cursor
        Place looked at, patient LPS mm, while the scan is not linked to the others.
    chosen
        Series shown in the row of each plane.
    places
        Slice shown, by series; from 0.
    """

    visit: Visit
    number: int
    registration: Registration | None = None
    fault: str = ""
    is_being_laid: bool = False
    own_cursor: Vector | None = None
    chosen: dict[Plane, Stack] = field(default_factory=dict)
    places: dict[str, int] = field(default_factory=dict)
    _volumes: dict[str, Volume] = field(default_factory=dict)
    _pixels: dict[str, ShownPixels] = field(default_factory=dict)
    _drawn: Mapping[str, Any] | None = None

    # ---------------------------------------------------------------- series

    def stacks(self, plane: Plane) -> tuple[Stack, ...]:
        """Return the series of a plane."""
        return tuple(each for each in self.visit.stacks if each.shown.plane is plane)

    def stack(self, plane: Plane) -> Stack | None:
        """Return the series shown in the row of a plane."""
        return self.chosen.get(plane)

    def best(self, plane: Plane, weighting: Weighting | None, alike: Sequence[Weighting]) -> None:
        """Show the series of a plane with a weighting, or with one that shows the same.

        Parameters
        ----------
        plane
            Row and plane.
        weighting
            Wanted; ``None`` for whatever judges tendons best.
        alike
            Weightings that may stand in for it.
        """
        mine = self.stacks(plane)
        same = [each for each in mine if weighting in {None, each.shown.weighting}]
        found = same or [each for each in mine if each.shown.weighting in alike]
        self.chosen.pop(plane, None)
        if found:
            self.chosen[plane] = found[best_for_tendon([each.shown for each in found])]

    # ---------------------------------------------------------------- slices

    def place_in(self, stack: Stack) -> int:
        """Return the slice shown of a series, from 0; the middle one at first."""
        return self.places.get(stack.shown.alias, len(stack.shown.images) // 2)

    def image(self, plane: Plane) -> ShownImage | None:
        """Return the image shown in the row of a plane."""
        stack = self.stack(plane)
        return stack.shown.images[self.place_in(stack)] if stack else None

    def go_near(self, stack: Stack, point: Sequence[float]) -> None:
        """Go to the slice of a series that lies nearest to a point, patient LPS mm."""
        away = [abs(float(plane.distance([point])[0])) for plane in stack.shelved.planes]
        if away:
            self.places[stack.shown.alias] = int(np.argmin(away))

    def beside(self, plane: Plane, point: Sequence[float]) -> float:
        """Return how far in mm a point lies outside the series shown; 0 within it."""
        stack, image = self.stack(plane), self.image(plane)
        if stack is None or image is None or image.plane is None:
            return 0.0
        away = abs(float(image.plane.distance([point])[0]))
        pitch = stack.shown.spacing_mm or image.plane.thickness or 0.0
        return away if away > pitch / 2 + 1e-6 else 0.0

    # ---------------------------------------------------------------- pixels and answers

    def pixels(self, stack: Stack) -> ShownPixels:
        """Return the pixels of a series, read once."""
        alias = stack.shown.alias
        if alias not in self._pixels:
            self._pixels[alias] = stack.pixels()
        return self._pixels[alias]

    def volume(self, stack: Stack) -> Volume:
        """Return a series as pixels with their place in the patient."""
        alias = stack.shown.alias
        if alias not in self._volumes:
            slices = Slices(stack.shelved.planes)
            self._volumes[alias] = Volume(self.pixels(stack).values, slices)
        return self._volumes[alias]

    @property
    def drawn(self) -> Mapping[str, Any]:
        """Answers of the verdict that figures are drawn from."""
        if self._drawn is None:
            self._drawn = self.visit.drawn
        return self._drawn

    @property
    def drawn_points(self) -> tuple[Vector, ...]:
        """Points of the verdict's lengths, which lie on the cuff above the head."""
        answers = self.visit.verdict.answers if self.visit.verdict else {}
        found = [answers.get(name, {}).get("points") or [] for name in ON_CUFF]
        return tuple((p[0], p[1], p[2]) for points in found for p in points)
