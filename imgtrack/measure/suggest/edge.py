"""The place of an edge along a drawn line, finer than a pixel."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage

from imgtrack.domain.errors import Fault, InvalidInput
from imgtrack.measure.points import Vector, as_direction, as_points, as_vector
from imgtrack.measure.suggest.volume import sample

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from imgtrack.measure.plane import PlaneGeometry
    from imgtrack.measure.points import Points

STEP_MM = 0.05
ROUNDING = 1e-9
"""Slopes below this share of the signal are rounding and no change."""

LEVEL_MM = 1.5
"""On either side of an edge, how long a piece of the line tells the signal level there."""


class Edge(StrEnum):
    """Which change of signal is looked for, in the direction of the line."""

    BRIGHTER = "brighter"
    DARKER = "darker"
    EITHER = "either"


@dataclass(frozen=True, slots=True)
class EdgeProposal:
    """Where an edge crosses a line.

    Attributes
    ----------
    point
        Patient LPS mm.
    along_mm
        Distance from the start of the line.
    before, after
        Mean signal on either side of the edge.
    noise
        Standard deviation of the signal along the line on either side, pooled.
    """

    point: Vector
    along_mm: float
    before: float
    after: float
    noise: float

    @property
    def clarity(self) -> float:
        """Height of the step over the noise beside it; below about 3 the edge is doubtful."""
        return abs(self.after - self.before) / max(self.noise, 1e-12)


def edge_along(
    image: Points,
    plane: PlaneGeometry,
    line: ArrayLike,
    *,
    edge: Edge = Edge.EITHER,
    blur_mm: float = 0.5,
    band_mm: float = 1.0,
) -> EdgeProposal | None:
    """Return the steepest edge along a line drawn on an image.

    The image is sampled along the line and along parallels beside it, averaged across,
    smoothed, and the place of the steepest slope refined by a parabola through its neighbours.

    Parameters
    ----------
    image
        Shape ``(rows, columns)``.
    plane
        Where the image lies.
    line
        Shape ``(2, 3)``, patient LPS mm: start and end, on the image.
    edge
        Which change to look for, from start to end.
    blur_mm
        Standard deviation of the smoothing along the line.
    band_mm
        Width over which the signal is averaged across the line; 0 for the line alone.

    Returns
    -------
    EdgeProposal or None
        ``None`` when the signal does not change that way anywhere on the line.

    Raises
    ------
    InvalidInput
        If the line is too short to hold an edge, or leaves the image.
    """
    ends = as_points(line, "line", at_least=2)
    length = float(np.linalg.norm(ends[-1] - ends[0]))
    if length < 4 * blur_mm:
        expected = f"{4 * blur_mm} mm or more"
        raise InvalidInput(Fault("the line is too short", "", expected, f"{length:.2f} mm"))
    direction = (ends[-1] - ends[0]) / length
    places = np.linspace(0, length, max(round(length / STEP_MM), 8) + 1)
    profile = _profile(image, plane, ends[0] + np.outer(places, direction), direction, band_mm)
    step = float(places[1])
    slope = ndimage.gaussian_filter1d(profile, blur_mm / step, order=1, mode="nearest")
    steepness = {Edge.BRIGHTER: slope, Edge.DARKER: -slope, Edge.EITHER: np.abs(slope)}[edge]
    peak = int(np.argmax(steepness[1:-1])) + 1
    if steepness[peak] <= ROUNDING * np.abs(profile).max():
        return None
    along = float(places[peak]) + step * _summit(steepness[peak - 1 : peak + 2])
    before = _beside(profile, along - places, 2 * blur_mm)
    after = _beside(profile, places - along, 2 * blur_mm)
    return EdgeProposal(
        point=as_vector(ends[0] + along * direction),
        along_mm=along,
        before=float(before.mean()),
        after=float(after.mean()),
        noise=float(np.sqrt((before.var() + after.var()) / 2)),
    )


def _beside(profile: Points, away: Points, clear_mm: float) -> Points:
    """Return the signal on one side of an edge, clear of its slope; the farthest if none is."""
    beside: Points = profile[(away >= clear_mm) & (away <= clear_mm + LEVEL_MM)]
    return beside if beside.size else profile[[int(np.argmax(away))]]


def _profile(
    image: Points, plane: PlaneGeometry, line: Points, direction: Points, band_mm: float
) -> Points:
    """Return the signal along a line, averaged across it."""
    across = as_direction(np.cross(plane.normal, direction), "across the line")
    beside = np.linspace(-band_mm / 2, band_mm / 2, 5) if band_mm > 0 else np.zeros(1)
    points = line + beside[:, np.newaxis, np.newaxis] * across
    signal = sample(image, plane, points.reshape(-1, 3), order=3)
    profile: Points = signal.reshape(len(beside), len(line)).mean(axis=0)
    if np.isnan(profile).any():
        raise InvalidInput(Fault("the line leaves the image"))
    return profile


def _summit(three: Points) -> float:
    """Return where, from -0.5 to 0.5 steps off the middle, a parabola through three peaks."""
    curve = float(three[0] - 2 * three[1] + three[2])
    return 0.0 if curve >= 0 else float(np.clip(0.5 * (three[0] - three[2]) / curve, -0.5, 0.5))


def edges_near_ends(
    image: Points,
    plane: PlaneGeometry,
    line: ArrayLike,
    *,
    reach_mm: float = 4.0,
    edge_at_start: Edge = Edge.BRIGHTER,
    edge_at_end: Edge = Edge.DARKER,
) -> tuple[EdgeProposal | None, EdgeProposal | None]:
    """Return the edges nearest in spirit to the two ends of a roughly drawn line.

    By default the line runs through fluid from stump to stump: dark to bright at its start,
    bright to dark at its end.

    Parameters
    ----------
    image, plane, line
        As for :func:`edge_along`.
    reach_mm
        How far from a drawn end its edge may lie, either way along the line.
    edge_at_start, edge_at_end
        Which changes to look for, in the direction of the line.

    Returns
    -------
    tuple of EdgeProposal or None
        For start and end; ``along_mm`` counts from ``reach_mm`` before the start, and from
        ``reach_mm`` before the end.

    Raises
    ------
    InvalidInput
        If the line has no length or leaves the image within reach.
    """
    ends = as_points(line, "line", at_least=2)
    reach = reach_mm * as_direction(ends[-1] - ends[0], "line")
    start = edge_along(image, plane, [ends[0] - reach, ends[0] + reach], edge=edge_at_start)
    end = edge_along(image, plane, [ends[-1] - reach, ends[-1] + reach], edge=edge_at_end)
    return start, end
