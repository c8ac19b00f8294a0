"""Rigid motion between scans, and how far an implant has moved in the bone."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from imgtrack.domain.errors import Fault, InvalidInput
from imgtrack.measure.points import Vector, as_direction, as_point, as_points, as_vector

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from imgtrack.measure.points import Points

Matrix = tuple[Vector, Vector, Vector]

STANDARD_ERRORS = 2.0
"""Of the registration, that a motion must exceed; about 95 % of a normal distribution."""


@dataclass(frozen=True, slots=True)
class RigidTransform:
    """A turn and a shift: ``p -> rotation p + translation``, patient LPS mm.

    Attributes
    ----------
    rotation
        Rows of a rotation matrix.
    translation
        Millimetres.
    """

    rotation: Matrix
    translation: Vector

    def __post_init__(self) -> None:
        """Refuse a matrix that is no rotation, or a shift that is not finite."""
        matrix = np.array(self.rotation, dtype=np.float64)
        fits = matrix.shape == (3, 3) and bool(np.isfinite(matrix).all())
        if not (fits and np.allclose(matrix @ matrix.T, np.eye(3), atol=1e-6)):
            raise InvalidInput(Fault("the matrix is no rotation", found=str(self.rotation)))
        if np.linalg.det(matrix) < 0:
            raise InvalidInput(Fault("the matrix mirrors: left would become right"))
        as_point(self.translation, "translation")

    @classmethod
    def about(
        cls,
        centre: ArrayLike,
        *,
        axis: ArrayLike,
        degrees: float,
        shift: ArrayLike = (0.0, 0.0, 0.0),
    ) -> RigidTransform:
        """Return a turn about an axis through a point, then a shift.

        Parameters
        ----------
        centre, shift
            Shape ``(3,)``, patient LPS mm.
        axis
            Shape ``(3,)``; seen against it, positive degrees turn anticlockwise.
        degrees
            Angle of the turn.

        References
        ----------
        Rodrigues' rotation formula.
        """
        x, y, z = as_direction(axis, "axis").tolist()
        cross = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
        angle = math.radians(degrees)
        turn = np.eye(3) + math.sin(angle) * cross + (1 - math.cos(angle)) * cross @ cross
        middle = as_point(centre, "centre")
        return _transform(turn, middle - turn @ middle + as_point(shift, "shift"))

    @property
    def degrees(self) -> float:
        """Angle of the turn, 0 to 180."""
        turn = np.array(self.rotation)
        sine = np.linalg.norm(
            [turn[2, 1] - turn[1, 2], turn[0, 2] - turn[2, 0], turn[1, 0] - turn[0, 1]]
        )
        return math.degrees(math.atan2(float(sine), float(np.trace(turn)) - 1))

    def apply(self, points: ArrayLike) -> Points:
        """Return points after the motion; shape ``(n, 3)``, patient LPS mm."""
        moved: Points = as_points(points, "points") @ np.array(self.rotation).T + self.translation
        return moved

    def turn(self, direction: ArrayLike) -> Points:
        """Return a direction after the motion, which a shift does not change; shape ``(3,)``."""
        return np.array(self.rotation) @ as_point(direction, "direction")

    @property
    def inverse(self) -> RigidTransform:
        """The motion back."""
        back = np.array(self.rotation).T
        return _transform(back, -back @ np.array(self.translation))

    def then(self, later: RigidTransform) -> RigidTransform:
        """Return this motion followed by another."""
        turn = np.array(later.rotation) @ np.array(self.rotation)
        shift = np.array(later.rotation) @ np.array(self.translation) + later.translation
        return _transform(turn, shift)


def _transform(turn: Points, shift: Points) -> RigidTransform:
    rows = tuple(as_vector(row) for row in turn)
    return RigidTransform((rows[0], rows[1], rows[2]), as_vector(shift))


@dataclass(frozen=True, slots=True)
class Migration:
    """How far an implant moved in the bone.

    Attributes
    ----------
    along_mm
        Along the implant's axis; positive the way the axis points.
    across_mm
        At right angles to it, never negative.
    distance_mm
        In space.
    residual_mm
        Standard error of the registration, as it was given.
    detectable_from_mm
        Half the slice distance and twice the residual, as the root of the sum of their squares:
        less cannot be told from no motion.
    is_detectable
        Whether ``distance_mm`` is at least that.
    """

    along_mm: float
    across_mm: float
    distance_mm: float
    residual_mm: float
    detectable_from_mm: float
    is_detectable: bool


def migration(
    before: ArrayLike,
    after: ArrayLike,
    *,
    axis: ArrayLike,
    to_first: RigidTransform,
    residual_mm: float,
    slice_pitch_mm: float,
) -> Migration:
    """Return how far an implant has moved between two scans, in the frame of the bone.

    Parameters
    ----------
    before
        Shape ``(3,)``, patient LPS mm of the first postoperative scan: one end of the implant.
    after
        Shape ``(3,)``, patient LPS mm of the follow-up: the same end.
    axis
        Shape ``(3,)``, in the frame of the first scan: from the implant's tip to its head, so
        that backing out is positive.
    to_first
        Motion that lays the bone of the follow-up on the bone of the first scan.
    residual_mm
        Standard error of that registration, where the implant is.
    slice_pitch_mm
        Distance from slice to slice, the larger of both scans.

    Raises
    ------
    InvalidInput
        If the residual is negative, or the slice distance not above 0, or either not finite.

    Notes
    -----
    Reporting both components, the residual and the limit is our rule; no standard was found. Where
    an end is marked is known to half a slice; where the bone lies, to twice the standard error
    (about 95 in 100 times). Both errors are taken as independent of each other.
    """
    if not (0 <= residual_mm < math.inf and 0 < slice_pitch_mm < math.inf):
        found = f"residual {residual_mm} mm, slice distance {slice_pitch_mm} mm"
        what = "a residual of 0 or more and a slice distance above 0 are needed"
        raise InvalidInput(Fault(what, found=found))
    moved = to_first.apply(as_point(after, "implant after")[np.newaxis])[0]
    step = moved - as_point(before, "implant before")
    pointing = as_direction(axis, "axis of the implant")
    along, distance = float(step @ pointing), float(np.linalg.norm(step))
    limit = math.hypot(slice_pitch_mm / 2, STANDARD_ERRORS * residual_mm)
    return Migration(
        along_mm=along,
        across_mm=float(np.linalg.norm(step - along * pointing)),
        distance_mm=distance,
        residual_mm=residual_mm,
        detectable_from_mm=limit,
        is_detectable=distance >= limit,
    )
