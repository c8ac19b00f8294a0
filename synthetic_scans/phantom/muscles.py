"""Bellies of the four cuff muscles, lofted between cross-sections.

A belly keeps one outline, a convex polygon with rounded corners, whose size
and place change linearly between stations along the lateral axis. Its area in
any oblique sagittal plane is therefore known in closed form.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from synthetic_scans.phantom.cuff import JUNCTION_DEG, Cuff
from synthetic_scans.phantom.lesions import gap
from synthetic_scans.phantom.scapula import (
    CORNER_MM,
    YView,
    leaning,
    rounded_area,
    rounded_contour,
    y_view,
)
from synthetic_scans.phantom.shapes import Capsule, Floats, polygon_distance

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from synthetic_scans.spec import Muscle, MuscleState, ShoulderSpec

STUMP_MM = 8.0
"""Tendon left on the muscle's side of a full-thickness defect."""

CULL_MM = 12.0
"""Distance beyond which a belly's own distance is not used, only its box."""


@dataclass(frozen=True, slots=True, eq=False)
class Belly:
    """Polygon lofted along the lateral axis.

    Attributes
    ----------
    outline : (M, 2)
        Convex polygon before rounding, (posterior, superior) mm from its anchor.
    rounding
        Corner radius at scale 1.
    stations : (S,)
        Increasing lateral coordinates.
    anchor : (S, 2)
        Place of the anchor at each station.
    scale : (S, 2)
        Posterior and superior magnification at each station.
    """

    outline: NDArray[np.float64]
    rounding: float
    stations: NDArray[np.float64]
    anchor: NDArray[np.float64]
    scale: NDArray[np.float64]

    def at(self, lateral: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Anchor (2,) and scale (2,) at a lateral coordinate."""
        anchor = [np.interp(lateral, self.stations, column) for column in self.anchor.T]
        scale = [np.interp(lateral, self.stations, column) for column in self.scale.T]
        return np.array(anchor), np.array(scale)

    def area(self, lateral: float) -> float:
        """Cross-section, mm2, in the oblique sagittal plane at ``lateral``."""
        _, scale = self.at(lateral)
        return rounded_area(self.outline, self.rounding) * float(scale[0] * scale[1])

    def contour(self, lateral: float, count: int = 720) -> NDArray[np.float64]:
        """(count, 2) points on the outline at ``lateral``, (posterior, superior) mm."""
        anchor, scale = self.at(lateral)
        return anchor + scale * rounded_contour(self.outline, self.rounding, count)

    @property
    def steepness(self) -> float:
        """How much faster than the distance walked the lofted value may change."""
        run = np.diff(self.stations)[:, None]
        reach = float(np.max(np.linalg.norm(self.outline, axis=1))) + self.rounding
        smallest = float(np.min(self.scale))
        slope = np.max(np.abs(np.diff(self.anchor, axis=0) / run))
        growth = np.max(np.abs(np.diff(self.scale, axis=0) / run))
        return float(np.hypot(1.0, slope + growth * (reach + CULL_MM / max(smallest, 0.5))))

    def box(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Lowest and highest (posterior, superior) of the belly."""
        low = self.anchor + self.scale * (self.outline.min(axis=0) - self.rounding)
        high = self.anchor + self.scale * (self.outline.max(axis=0) + self.rounding)
        return low.min(axis=0), high.max(axis=0)

    def distance(self, q: Floats) -> Floats:
        """Signed distance."""
        anchor, scale = self._interpolated(q[0])
        smaller = np.minimum(scale[0], scale[1])
        x, y = (q[1] - anchor[0]) / scale[0], (q[2] - anchor[1]) / scale[1]
        across = (polygon_distance(x, y, self.outline) - self.rounding) * smaller
        first, last = float(self.stations[0]), float(self.stations[-1])
        lofted = np.maximum(across, np.maximum(first - q[0], q[0] - last))
        near = np.minimum(lofted, CULL_MM) * (1.0 / self.steepness)
        value: Floats = np.maximum(near, self._box_distance(q))
        return value

    def _interpolated(self, lateral: Floats) -> tuple[list[Floats], list[Floats]]:
        kind = lateral.dtype
        return (
            [np.interp(lateral, self.stations, column).astype(kind) for column in self.anchor.T],
            [np.interp(lateral, self.stations, column).astype(kind) for column in self.scale.T],
        )

    def _box_distance(self, q: Floats) -> Floats:
        low, high = self.box()
        first, last = float(self.stations[0]), float(self.stations[-1])
        beyond = np.maximum(first - q[0], q[0] - last)
        for axis in (0, 1):
            side = np.maximum(float(low[axis]) - q[axis + 1], q[axis + 1] - float(high[axis]))
            beyond = np.maximum(beyond, side)
        value: Floats = beyond
        return value


def junction_shift(spec: ShoulderSpec, cuff: Cuff) -> float:
    """Medial shift of the supraspinatus junction and belly, mm.

    At least the stated retraction; more if a defect reaches so far that its
    stump would otherwise be shorter than ``STUMP_MM``.
    """
    stated = spec.condition.supraspinatus.retraction_mm
    defect = spec.condition.defect
    if defect is None:
        return stated
    laid = gap(cuff, defect)
    rest = cuff.radius * (np.deg2rad(JUNCTION_DEG["supraspinatus"]) - laid.frame.edge)
    return max(stated, float(laid.arc + STUMP_MM - rest))


def _sheet_height(cuff: Cuff, lateral: float) -> float:
    """Distance of the sheet's inner surface from the lateral axis, medial to the tangent."""
    cosine, sine = np.cos(cuff.tangent), np.sin(cuff.tangent)
    return float((cuff.radius - lateral * cosine) / sine)


def _belly(
    outline: NDArray[np.float64],
    path: list[list[float]],
    sizes: list[list[float]],
    shift: float,
    rounding: float,
) -> Belly:
    """Belly whose size slides medially by ``shift`` while its route stays with the bones.

    ``path`` has rows (lateral, posterior, superior, posterior stretch, superior
    stretch), ``sizes`` rows (lateral, size).
    """
    route, size = np.array(path), np.array(sizes)
    at = size[:, 0] - shift
    stations = np.unique(np.concatenate([route[:, 0], at]))
    stations = stations[(stations >= at[0]) & (stations <= at[-1])]
    columns = [np.interp(stations, route[:, 0], column) for column in route[:, 1:].T]
    anchor, stretch = np.stack(columns[:2], axis=1), np.stack(columns[2:], axis=1)
    grown: NDArray[np.float64] = np.interp(stations, at, size[:, 1])[:, None]
    return Belly(outline, rounding, stations, anchor, stretch * grown)


def _sized(sizes: list[tuple[float, float]], bulk: float) -> list[list[float]]:
    """Sizes (lateral, size) for a cross-section ``bulk`` times as large."""
    return [[lateral, size * float(np.sqrt(bulk))] for lateral, size in sizes]


def supraspinatus(spec: ShoulderSpec, cuff: Cuff) -> Belly:
    """Belly in the fossa: on the Y-view its outline is the fossa's, so their ratio is exact."""
    view = y_view(spec)
    y, (deep, floor) = view.lateral, (float(v) for v in view.floor)
    over = [_sheet_height(cuff, a) + cuff.head[2] - 0.5 for a in (-27.0, -8.0)]
    path = [
        [-150.0, 2.0, floor + 10, 1.0, 0.9],
        [-105.0, 2.0, floor + 6, 1.0, 0.9],
        [y - 14, deep, floor, 1.0, 1.0],
        [y, deep, floor, 1.0, 1.0],
        [y + 9, deep - 0.4, 0.6 * floor + 0.4 * over[0], 1.0, 0.88],
        [-27.0, -2.5, over[0], 1.0, 0.60],
        [-8.0, -2.5, over[1], 0.88, 0.42],
        [0.0, -2.5, over[1], 0.85, 0.40],
    ]
    sizes = [(-108.0, 0.28), (-92.0, 0.65), (y - 22, 1.0), (y, 1.0), (y + 9, 0.92),
             (-27.0, 0.78), (-12.0, 0.72), (-6.0, 0.65), (0.0, 0.30)]  # fmt: skip
    bulk = spec.occupation * spec.condition.supraspinatus.bulk
    shift = junction_shift(spec, cuff)
    return _belly(view.fossa - view.floor, path, _sized(sizes, bulk), shift, CORNER_MM)


def _leaned(view: YView, outline: NDArray[np.float64], fixed: float) -> NDArray[np.float64]:
    """Outline sheared with the blade below the height ``fixed``."""
    shift = [leaning(view, min(s, fixed)) - leaning(view, fixed) for s in outline[:, 1]]
    leaned: NDArray[np.float64] = outline + np.column_stack([shift, np.zeros(len(shift))])
    return leaned


def _infraspinatus(spec: ShoulderSpec, view: YView, state: MuscleState) -> Belly:
    y, fork = view.lateral, view.fork
    tall = float(np.linalg.norm(view.spine_top - fork))
    along = (view.spine_top - fork) / tall
    under = fork + 0.86 * tall * along + 7.5 * np.array([along[1], -along[0]])
    outline = np.array([[8.5, 2.0], under, [28, 12], [27, -6], [21, -24], [12, -35], [8.5, -33]])
    outline = _leaned(view, outline, 4.0)
    size = spec.head_radius_mm / 24.0
    path = [
        [-150.0, -2.0, -36.0, 0.55, 1.6], [-100.0, -1.0, -31.0, 0.65, 1.6],
        [y, 1.0, -12.0, 1.0, 1.0],
        [-27.0 * size, 13.0 * size, -4.0, 1.0, 1.03], [-8.0, 19.5 * size, 1.0, 1.0, 1.0],
        [0.0, 20.0 * size, 1.0, 1.0, 1.0],
    ]  # fmt: skip
    sizes = [(-106.0, 0.5), (-88.0, 0.9), (y, 1.0), (-27.0, 0.70), (-10.0, 0.42), (-3.0, 0.12)]
    anchor = np.array([1.0, -12.0])
    return _belly(outline - anchor, path, _sized(sizes, state.bulk), state.retraction_mm, 6.0)


def _subscapularis(spec: ShoulderSpec, view: YView, state: MuscleState) -> Belly:
    y = view.lateral
    outline = _leaned(
        view,
        np.array([[-6, 2], [-13, 7], [-20, 4], [-23, -10], [-21, -30], [-13, -42], [-7, -38]]),
        4.0,
    )
    size = spec.head_radius_mm / 24.0
    path = [
        [-150.0, -10.0, -36.0, 0.55, 1.6], [-100.0, -10.0, -31.0, 0.60, 1.6],
        [y, -5.0, -10.0, 1.0, 1.0], [-27.0 * size, -13.0 * size, -7.0, 0.87, 1.15],
        [-8.0, -19.0 * size, -5.0, 0.87, 1.18], [0.0, -20.0 * size, -5.0, 0.87, 1.2],
    ]  # fmt: skip
    sizes = [(-106.0, 0.5), (-86.0, 0.95), (y, 1.0), (-27.0, 0.69), (-8.0, 0.46), (-1.0, 0.13)]
    anchor = np.array([-5.0, -10.0])
    return _belly(outline - anchor, path, _sized(sizes, state.bulk), state.retraction_mm, 6.0)


def _teres_minor(spec: ShoulderSpec, view: YView, state: MuscleState) -> Belly:
    y = view.lateral
    corners = np.deg2rad(np.arange(0.0, 360.0, 60.0))
    outline = 1.2 * np.stack([np.cos(corners), np.sin(corners)], axis=1)
    size = spec.head_radius_mm / 24.0
    path = [
        [-150.0, -7.0, -95.0, 1.0, 1.0], [-95.0, -6.0, -88.0, 1.0, 1.0], [y, 3.0, -46.0, 1.0, 1.0],
        [-27.0, 20.0 * size, -26.0 * size, 0.97, 1.03],
        [-6.0, 24.0 * size, -17.0 * size, 0.85, 1.2], [0.0, 25.0 * size, -15.0 * size, 0.85, 1.2],
    ]  # fmt: skip
    sizes = [(-90.0, 0.4), (-70.0, 1.0), (y, 1.05), (-27.0, 0.87), (-8.0, 0.6), (-2.0, 0.17)]
    return _belly(outline, path, _sized(sizes, state.bulk), state.retraction_mm, 7.2)


def bellies(spec: ShoulderSpec, cuff: Cuff) -> dict[Muscle, Belly]:
    """All four bellies."""
    view, state = y_view(spec), spec.condition
    return {
        "supraspinatus": supraspinatus(spec, cuff),
        "infraspinatus": _infraspinatus(spec, view, state.infraspinatus),
        "subscapularis": _subscapularis(spec, view, state.subscapularis),
        "teres_minor": _teres_minor(spec, view, state.teres_minor),
    }


def central_tendon(spec: ShoulderSpec, cuff: Cuff) -> Capsule:
    """Tendon inside the supraspinatus, running medially from the junction."""
    shift = junction_shift(spec, cuff)
    start = cuff.radius * float(np.deg2rad(JUNCTION_DEG["supraspinatus"])) + shift - 3.0
    height = 0.55 * cuff.thickness
    from_point, to_point = cuff.point(start, height), cuff.point(start + 26.0, height + 3.0)
    return Capsule(from_point, to_point, 1.9, 0.5)
