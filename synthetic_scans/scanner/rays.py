"""Source, detector and rays of a radiograph in patient space."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from synthetic_scans.phantom.tissue import Sampled
    from synthetic_scans.planes import PlaneFrame


@dataclass(frozen=True, slots=True)
class ProjectionGeometry:
    """Point source and flat detector in patient space.

    Attributes
    ----------
    source
        (3,) focal spot, patient LPS mm.
    corner
        (3,) centre of the detector's first pixel, patient LPS mm.
    row
        (3,) unit direction of increasing column index.
    column
        (3,) unit direction of increasing row index.
    pixel_mm
        Pixel size on the detector, mm.
    matrix
        Rows and columns.
    centre
        (3,) point of the patient the beam is centred on, patient LPS mm.
    """

    source: NDArray[np.float64]
    corner: NDArray[np.float64]
    row: NDArray[np.float64]
    column: NDArray[np.float64]
    pixel_mm: float
    matrix: tuple[int, int]
    centre: NDArray[np.float64]

    @property
    def axis(self) -> NDArray[np.float64]:
        """(3,) unit direction from the source at right angles to the detector."""
        return np.cross(self.row, self.column)

    @property
    def source_to_detector_mm(self) -> float:
        """Distance from the focal spot to the detector plane."""
        return float((self.corner - self.source) @ self.axis)

    @property
    def source_to_patient_mm(self) -> float:
        """Distance from the focal spot to the plane of the beam's centre."""
        return float((self.centre - self.source) @ self.axis)

    def magnification(self, points_mm: ArrayLike) -> NDArray[np.float64]:
        """Return how much larger things at points (..., 3) appear on the detector."""
        depth = (np.asarray(points_mm, dtype=np.float64) - self.source) @ self.axis
        enlarged: NDArray[np.float64] = self.source_to_detector_mm / depth
        return enlarged

    def project(self, points_mm: ArrayLike) -> NDArray[np.float64]:
        """Return the pixel that shows a point.

        Parameters
        ----------
        points_mm
            (..., 3) patient LPS mm.

        Returns
        -------
        numpy.ndarray
            (..., 2) fractional row and column; pixel centres at whole numbers.
        """
        points = np.asarray(points_mm, dtype=np.float64)
        ray = (points - self.source) * self.magnification(points)[..., None]
        on_detector = self.source + ray - self.corner
        place: NDArray[np.float64] = (
            on_detector @ np.stack((self.column, self.row), axis=-1) / self.pixel_mm
        )
        return place

    def obliquity(self) -> NDArray[np.float64]:
        """Return the path length of the ray to every pixel per mm of depth, (rows, columns)."""
        depth = self.source_to_detector_mm
        down, along = self.hits(0, depth), self.hits(1, depth)
        lengths: NDArray[np.float64] = np.sqrt(depth**2 + down[:, None] ** 2 + along**2) / depth
        return lengths

    def hits(self, axis: int, depth: float) -> NDArray[np.float64]:
        """Return where the rays to all pixels cross a plane.

        Parameters
        ----------
        axis
            0 along the column direction, 1 along the row direction.
        depth
            Distance of the plane from the source, mm.

        Returns
        -------
        numpy.ndarray
            (rows,) or (columns,) coordinates from the beam's foot, mm.
        """
        direction = self.column if axis == 0 else self.row
        first = (self.corner - self.source) @ direction
        on_detector = first + np.arange(self.matrix[axis]) * self.pixel_mm
        crossings: NDArray[np.float64] = on_detector * depth / self.source_to_detector_mm
        return crossings


def true_ap(
    frame: PlaneFrame,
    matrix: tuple[int, int] = (400, 400),
    pixel_mm: float = 0.4,
    source_to_detector_mm: float = 1150.0,
    patient_to_detector_mm: float = 100.0,
) -> ProjectionGeometry:
    """Return a true anteroposterior view: the beam runs at right angles to the scapula.

    Parameters
    ----------
    frame
        The coronal oblique frame; the beam runs along its normal, through its centre.
    matrix
        Rows and columns.
    pixel_mm
        Pixel size on the detector.
    source_to_detector_mm, patient_to_detector_mm
        Distances along the beam from the focal spot, and from the frame's centre, to the
        detector.

    Returns
    -------
    ProjectionGeometry
        Geometry with the patient's right on the left of the picture.

    Raises
    ------
    ValueError
        If the frame is not coronal oblique, or the detector does not lie beyond the patient.
    """
    if frame.name != "coronal_oblique":
        raise ValueError(f"expected the coronal_oblique frame, found {frame.name}")
    if not 0 < patient_to_detector_mm < source_to_detector_mm:
        raise ValueError(
            "expected 0 < patient_to_detector_mm < source_to_detector_mm, "
            f"found {patient_to_detector_mm} and {source_to_detector_mm}"
        )
    middle = frame.centre + patient_to_detector_mm * frame.normal
    half = (np.array(matrix) - 1) / 2 * pixel_mm
    return ProjectionGeometry(
        source=middle - source_to_detector_mm * frame.normal,
        corner=middle - half[0] * frame.column - half[1] * frame.row,
        row=frame.row,
        column=frame.column,
        pixel_mm=pixel_mm,
        matrix=matrix,
        centre=frame.centre,
    )


@dataclass(frozen=True, slots=True)
class RayBox:
    """Lattice of planes parallel to the detector that all rays cross.

    Attributes
    ----------
    geometry
        Source and detector.
    low
        (2,) coordinates of the first point along column and row, from the source, mm.
    pitch
        Distance of points within a plane: a pixel seen at the beam's centre, mm.
    step
        Distance between planes, mm.
    shape
        Points along column and row.
    """

    geometry: ProjectionGeometry
    low: NDArray[np.float64]
    pitch: float
    step: float
    shape: tuple[int, int]

    @classmethod
    def around(cls, geometry: ProjectionGeometry, deepest: float, step: float) -> RayBox:
        """Return the box that holds the rays down to a depth (mm) from the source."""
        shrink = geometry.source_to_patient_mm / geometry.source_to_detector_mm
        edges = np.array([geometry.hits(axis, deepest)[[0, -1]] for axis in (0, 1)])
        edges = np.column_stack((edges, np.zeros(2)))  # the beam's foot, if it lies outside
        pitch = geometry.pixel_mm * shrink
        rows, columns = (np.ptp(edges, axis=1) / pitch).astype(int) + 2
        return cls(geometry, edges.min(axis=1), pitch, step, (int(rows), int(columns)))

    def sample(self, phantom: Sampled, depth: float, count: int) -> NDArray[np.uint8]:
        """Tissue on planes from a depth on, (count, *shape)."""
        view = self.geometry
        origin = (
            view.source + depth * view.axis + self.low[0] * view.column + self.low[1] * view.row
        )
        steps = (self.step * view.axis, self.pitch * view.column, self.pitch * view.row)
        shape = (count, *self.shape)
        tissue: NDArray[np.uint8] = phantom.sample_lattice(origin, *steps, shape).tissue
        return tissue.reshape(shape)

    def project(self, plane: NDArray[np.float32], depth: float) -> NDArray[np.float32]:
        """Values of a plane where the rays to all pixels cross it, (rows, columns)."""
        for axis in (0, 1):
            place = (self.geometry.hits(axis, depth) - self.low[axis]) / self.pitch
            low = np.minimum(place.astype(np.intp), self.shape[axis] - 2)
            weight = (place - low).astype(np.float32)
            weight = weight[:, None] if axis == 0 else weight
            near, far = plane.take(low, axis), plane.take(low + 1, axis)
            plane = near + weight * (far - near)
        return plane
