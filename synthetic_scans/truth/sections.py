"""Where a full-thickness defect meets a plane: what one slice can show of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from synthetic_scans.phantom.lesions import Gap
    from synthetic_scans.planes import JointFrame

    Points = NDArray[np.float64]

SHOWN_MM = 1.0
"""A slice shows the defect when its middle plane crosses at least this much of it."""

DIRECTIONS = 720
HALVINGS = 26
SAME_ANGLE = 1e-6
BEYOND_MM = 1e4


class SliceGeometry(Protocol):
    """A stack of slices: the plane it was prescribed as, its axes and its pixel positions.

    ``positions`` (slices, 3) may be any point of each slice, patient LPS mm.
    """

    @property
    def plane(self) -> str:
        """Name of the plane."""
        ...

    @property
    def row(self) -> Points:
        """(3,) direction of increasing column index."""
        ...

    @property
    def column(self) -> Points:
        """(3,) direction of increasing row index."""
        ...

    @property
    def positions(self) -> Points:
        """(slices, 3) a point of each slice."""
        ...


@dataclass(frozen=True, slots=True, eq=False)
class SliceStack:
    """Plain :class:`SliceGeometry`."""

    plane: str
    row: Points
    column: Points
    positions: Points


@dataclass(frozen=True, slots=True, eq=False)
class Section:
    """Curve in which a plane cuts the cuff at one height; joint mm.

    Attributes
    ----------
    gap
        The defect.
    foot
        (3,) the head centre projected into the plane; the curve winds round it.
    first, second
        (3,) orthonormal directions of the plane.
    height
        Height above the sheet's inner surface.
    """

    gap: Gap
    foot: Points
    first: Points
    second: Points
    height: float

    def point(self, angle: Points) -> Points:
        """Points (3, N) of the curve at angles (N,); the cuff is convex, so there is one each."""
        direction = np.outer(self.first, np.cos(angle)) + np.outer(self.second, np.sin(angle))
        cuff = self.gap.frame.cuff
        cosine, sine = float(np.cos(cuff.tangent)), float(np.sin(cuff.tangent))
        radius = cuff.radius + self.height
        offset = self.foot - np.array(cuff.head)
        off_plane = float(offset @ offset)
        on_sphere = np.sqrt(max(radius**2 - off_plane, 0.0))
        # Tangent cone: (radius - a cos)^2 = sin^2 (off_plane + k^2 - a^2), a = offset + k slope.
        slope, start = direction[0], float(offset[0])
        square = slope * slope - sine**2
        square = np.where(np.abs(square) < 1e-9, -1e-9, square)
        linear = 2.0 * slope * (start - radius * cosine)
        constant = start**2 - 2.0 * radius * cosine * start + radius**2 - sine**2 * off_plane
        root = np.sqrt(np.maximum(linear * linear - 4.0 * square * constant, 0.0))
        on_cone = (-linear - root) / (2.0 * square)
        on_cone = np.where(on_cone > 0.0, on_cone, BEYOND_MM)  # the ray leaves the cone behind
        lateral = start + on_sphere * slope
        away = np.sqrt(np.maximum(off_plane + on_sphere**2 - lateral * lateral, 0.0))
        conical = (away * cosine - lateral * sine > 0) | (on_sphere == 0.0)
        points: Points = self.foot[:, None] + np.where(conical, on_cone, on_sphere) * direction
        return points

    def in_gap(self, angle: Points) -> NDArray[np.bool_]:
        """Whether the curve runs in the defect at angles (N,)."""
        points = self.point(angle)
        cuff = self.gap.frame.cuff
        at = cuff.locate(points)
        inside: NDArray[np.bool_] = self.gap.contains(points, at) & self._on_curve(at.n)
        return inside & (cuff.outer(at) >= self.height)

    def over_footprint(self, angle: Points) -> NDArray[np.bool_]:
        """Whether the curve runs medial to the lateral footprint edge."""
        at = self.gap.frame.cuff.locate(self.point(angle))
        over: NDArray[np.bool_] = (at.u > 0) & self._on_curve(at.n)
        return over

    def _on_curve(self, height: NDArray[np.floating[Any]]) -> NDArray[np.bool_]:
        """Whether points lie on the curve: where the plane passes the cuff by there are none."""
        near: NDArray[np.bool_] = np.abs(height - self.height) < 1e-6
        return near


def section(gap: Gap, joint: JointFrame, place: Points, axes: Points, height: float) -> Section:
    """Section through ``place`` (3,) with row and column directions ``axes`` (2, 3), patient."""
    directions = axes @ joint.axes.T
    normal = np.cross(directions[0], directions[1])
    head = np.array(gap.frame.cuff.head)
    foot = head + float((joint.to_joint(place) - head) @ normal) * normal
    return Section(gap, foot, directions[0], directions[1], height)


def crossings(
    inside: Callable[[Points], NDArray[np.bool_]], count: int = DIRECTIONS
) -> list[tuple[float, float]]:
    """Intervals of angle on which ``inside`` holds, edges found by halving."""
    angle = np.linspace(0.0, 2.0 * np.pi, count, endpoint=False)
    held = inside(angle)
    rises = np.flatnonzero(held & ~np.roll(held, 1))
    falls = np.flatnonzero(held & ~np.roll(held, -1))
    if rises.size == 0:
        return []
    step = 2.0 * np.pi / count
    inner = np.concatenate([angle[rises], angle[falls]])
    outer = np.concatenate([angle[rises] - step, angle[falls] + step])
    for _ in range(HALVINGS):
        middle = 0.5 * (outer + inner)
        held = inside(middle)
        inner, outer = np.where(held, middle, inner), np.where(held, outer, middle)
    start, end = np.split(0.5 * (outer + inner), 2)
    if end[0] < start[0]:
        end = np.append(end[1:], end[0] + 2.0 * np.pi)
    return list(zip(start.tolist(), end.tolist(), strict=True))


@dataclass(frozen=True, slots=True, eq=False)
class Run:
    """One stretch of a section in the defect; joint mm.

    Attributes
    ----------
    start, end : (3,)
        Its edges.
    path
        Its length along the section.
    """

    start: Points
    end: Points
    path: float

    @property
    def chord(self) -> float:
        """Straight length."""
        return float(np.linalg.norm(self.end - self.start))


def runs(curve: Section) -> list[Run]:
    """Stretches of a section in the defect, longest first."""
    found = [_run(curve, start, end) for start, end in crossings(curve.in_gap)]
    return sorted(found, key=lambda run: -run.path)


def _run(curve: Section, start: float, end: float) -> Run:
    points = curve.point(np.linspace(start, end, 129))
    path = float(np.sum(np.linalg.norm(np.diff(points, axis=1), axis=0)))
    return Run(points[:, 0], points[:, -1], path)


def retraction(curve: Section) -> Run | None:
    """From the lateral footprint edge to the most medial edge of the defect.

    ``curve`` must lie on the sheet's inner surface. None where it meets no
    defect, or no stump: far behind, the defect may run from one footprint edge
    to another.
    """
    ends = np.array(crossings(curve.in_gap)).ravel()
    edges = np.array(crossings(curve.over_footprint)).ravel()
    if ends.size == 0 or edges.size == 0:
        return None
    medial, lateral = (ends[pick(curve.point(ends)[0])] for pick in (np.argmin, np.argmax))
    if np.abs(_turn(edges, medial)).min() < SAME_ANGLE:
        return None
    edge = float(edges[np.argmin(np.abs(_turn(edges, lateral)))])
    return _run(curve, edge, edge + float(_turn(medial, edge)))


def _turn(angle: Points, start: Points | float) -> Points:
    """Shortest turn from ``start`` to ``angle``, radians."""
    turn: Points = (angle - start + np.pi) % (2.0 * np.pi) - np.pi
    return turn
