"""Drawing on the images of a case as a reader would: points on slices, in patient mm."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from imgtrack.dicom.records import Part
from imgtrack.domain.form import Origin
from imgtrack.measure.gaps import gap_slices
from imgtrack.measure.stack import Stack

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from imgtrack.desk.cases.images import ShownImage, ShownSeries
    from imgtrack.domain.protocol import Plane
    from imgtrack.measure.plane import PlaneGeometry

    Points = NDArray[np.float64]

EDGE_PIXELS = 1.0
SHORTEST_MM = 0.2
"""A length that is drawn is not 0."""


@dataclass(frozen=True, eq=False)
class Sheet:
    """One stack of a case, to be drawn on.

    Attributes
    ----------
    images
        Its images in order.
    planes
        Their geometry.
    """

    images: tuple[ShownImage, ...]
    planes: tuple[PlaneGeometry, ...]

    @property
    def pitch_mm(self) -> float:
        """Distance from slice to slice."""
        return Stack(self.planes).pitch_mm

    def slice_near(self, place: Points) -> int:
        """Return the number of the slice nearest to a point, from 0."""
        away = [abs(float(plane.distance([place])[0])) for plane in self.planes]
        return int(np.argmin(away))

    def onto(self, number: int, place: Points) -> Points:
        """Return a point moved along the normal onto a slice, and inside its edges."""
        plane = self.planes[number]
        rows, columns = plane.shape
        pixel = plane.to_pixels([place])
        inside = np.clip(pixel, EDGE_PIXELS, [rows - 1 - EDGE_PIXELS, columns - 1 - EDGE_PIXELS])
        moved: Points = plane.to_patient(inside)[0]
        return moved

    def direction(self, number: int, start: Points, end: Points) -> Points:
        """Return the unit direction on a slice that goes from one point towards another."""
        plane = self.planes[number]
        way = end - start
        way = way - plane.normal * float(plane.normal @ way)
        length = float(np.linalg.norm(way))
        if length < SHORTEST_MM:
            return np.asarray(plane.row, dtype=np.float64)
        unit: Points = way / length
        return unit

    def line(self, number: int, start: Points, end: Points, mm: float) -> dict[str, Any]:
        """Return a straight measurement of a given length from a point towards another."""
        first = self.onto(number, start)
        last = first + self.direction(number, start, end) * max(mm, SHORTEST_MM)
        return self.measured(number, [first, last], max(mm, SHORTEST_MM))

    def centred(self, number: int, start: Points, end: Points, mm: float) -> dict[str, Any]:
        """Return a straight measurement of a given length about the middle of two points."""
        length = max(mm, SHORTEST_MM)
        middle = self.onto(number, (start + end) / 2)
        half = self.direction(number, start, end) * length / 2
        return self.measured(number, [middle - half, middle + half], length)

    def bent(
        self, number: int, start: Points, end: Points, mm: tuple[float, float]
    ) -> dict[str, Any]:
        """Return a path over a third point, of a given straight and a given whole length."""
        straight = max(mm[0], SHORTEST_MM)
        whole = max(mm[1], straight)
        along = self.direction(number, start, end)
        first = self.onto(number, start)
        aside = np.cross(self.planes[number].normal, along)
        if aside[2] < 0:  # over the head, not through it
            aside = -aside
        height = float(np.sqrt(max(whole**2 - straight**2, 0.0))) / 2
        top = first + along * straight / 2 + aside * height
        return self.measured(number, [first, top, first + along * straight], whole)

    def measured(self, number: int, points: Sequence[Points], mm: float) -> dict[str, Any]:
        """Return points on a slice as an answer."""
        return {
            "mm": float(mm),
            "points": [[float(each) for each in point] for point in points],
            "images": [self.image(number)],
            "origin": Origin.DRAWN.value,
        }

    def image(self, number: int) -> dict[str, Any]:
        """Return a slice as answers name it."""
        return {"uid": self.images[number].alias, "frame": 1}

    def gap(self, places: Points, count: int) -> dict[str, Any]:
        """Return marks on a number of neighbouring slices about where the gap lies.

        Parameters
        ----------
        places
            Where the gap is seen, shape (n, 3).
        count
            How many slices are marked; fewer when the stack has fewer.
        """
        numbers = around([self.slice_near(each) for each in places], count, len(self.images))
        thickness = self.planes[0].thickness or self.pitch_mm
        found = gap_slices(numbers, pitch_mm=self.pitch_mm, thickness_mm=thickness)
        return {
            "images": [self.image(number) for number in numbers],
            "count": len(numbers),
            "spacing_mm": self.pitch_mm,
            "thickness_mm": thickness,
            "implied_mm": found.pitch_extent_mm,
        }


def around(seen: Sequence[int], count: int, slices: int) -> list[int]:
    """Return slice numbers: those seen, with neighbours added or ends left out to make a count."""
    numbers = sorted(set(seen))
    while len(numbers) > count:
        numbers.pop(0 if len(numbers) % 2 else -1)
    while numbers and len(numbers) < min(count, slices):
        low, high = numbers[0] - 1, numbers[-1] + 1
        inner = [n for n in range(low + 1, high) if n not in numbers]
        is_up = (len(numbers) % 2 == 1 and high < slices) or low < 0
        numbers = sorted([*numbers, inner[0] if inner else high if is_up else low])
    return numbers


def sheet_of(
    series: Sequence[ShownSeries], plane: Plane, part: str = Part.MAGNITUDE.value
) -> Sheet | None:
    """Return the first stack of a plane and part in the scan to be read, or ``None``."""
    for each in series:
        planes = [image.plane for image in each.images if image.plane is not None]
        is_meant = each.earlier == 0 and each.plane is plane and each.part == part
        if is_meant and len(planes) == len(each.images) > 1:
            return Sheet(each.images, tuple(planes))
    return None
