"""Images and points of a finding as content items (PS3.3 sections C.18.4, C.18.6 and C.18.9)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from highdicom import sr
from highdicom.spatial import are_points_coplanar

from imgtrack.dicom.structured.scheme import REGION, landmark

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from imgtrack.dicom.structured.context import Context
    from imgtrack.dicom.structured.findings import Finding, Image, Point
    from imgtrack.domain.scales import Concept

CONTAINS = sr.RelationshipTypeValues.CONTAINS


def code(concept: Concept) -> sr.CodedConcept:
    """Return a concept as the report writer takes it."""
    return sr.CodedConcept(concept.value, concept.scheme, concept.meaning)


@dataclass(frozen=True, slots=True)
class Drawing:
    """Makes content items of what was drawn on the images of one scan."""

    context: Context

    def images(self, images: Sequence[Image]) -> list[sr.SourceImageForMeasurement]:
        """Return references to images, for a measurement."""
        return [
            sr.SourceImageForMeasurement.from_source_image(*self._reference(image))
            for image in images
        ]

    def _reference(self, image: Image) -> tuple[Any, list[int] | None]:
        """Return the header of an image, and its frame where the object has several."""
        uid, frame = image
        stored = self.context.stored[uid]
        return stored, [frame] if int(stored.get("NumberOfFrames") or 1) > 1 else None

    def coordinates(self, finding: Finding) -> list[Any] | None:
        """Return the points of a finding by name, for a measurement; ``None`` without any."""
        found = [
            self._drawn(finding.images, name, points) for name, points in finding.points.items()
        ]
        return found or None

    def _drawn(self, images: Sequence[Image], name: str, points: Sequence[Point]) -> Any:
        data = np.array(points, dtype=np.float64)
        if data.shape[1] == 2:
            pixels = self._pixels(images[0], data)
            source = sr.SourceImageForRegion.from_source_image(*self._reference(images[0]))
            return sr.CoordinatesForMeasurement(_kind(data), pixels, source)
        return sr.Scoord3DContentItem(
            name=code(landmark(name)),
            graphic_type=_kind(data),
            graphic_data=data,
            frame_of_reference_uid=self._frame_of_reference(images),
            relationship_type=sr.RelationshipTypeValues.INFERRED_FROM,
        )

    def _pixels(self, image: Image, data: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return mm in the plane of a radiograph as column and row from the image's corner.

        The centre of the first pixel is 0 mm, and 0.5 pixels (PS3.3 section C.18.6.1.1).
        """
        spacing = self.context.places[image].spacing
        rows, columns = spacing or (1.0, 1.0)  # faults_of tells of a missing one
        pixels: NDArray[np.float64] = data / np.array([columns, rows]) + 0.5
        return pixels

    def _frame_of_reference(self, images: Sequence[Image]) -> str:
        return str(self.context.stored[images[0][0]].FrameOfReferenceUID)

    def outline(self, finding: Finding) -> sr.ImageRegion3D:
        """Return a closed outline; as a line where its points do not quite lie in one plane."""
        points = finding.points[""]
        data = np.array([*points, points[0]], dtype=np.float64)
        kind = "POLYGON" if are_points_coplanar(data) else "POLYLINE"
        return sr.ImageRegion3D(kind, data, self._frame_of_reference(finding.images))

    def loose(self, finding: Finding) -> Iterator[Any]:
        """Yield the images and points of a finding that has no number to hang them on."""
        for image in finding.images:
            yield sr.SourceImageForMeasurementGroup.from_source_image(*self._reference(image))
        for name, points in finding.points.items():
            item = self._drawn(finding.images, name, points)
            item.RelationshipType = CONTAINS.value
            item.ConceptNameCodeSequence = [code(REGION if not name else landmark(name))]
            yield item


def _kind(data: NDArray[np.float64]) -> str:
    return "POINT" if len(data) == 1 else "POLYLINE"
