"""The cuff on one slice, rolled out along the head: signal by angle and height above the bone."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage

from imgtrack.measure.points import as_direction
from imgtrack.measure.suggest.volume import sample

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from imgtrack.measure.points import Points
    from imgtrack.measure.suggest.head import Head
    from imgtrack.measure.suggest.volume import Volume

STEP_MM = 0.25
HEIGHTS_MM = np.arange(-2.0, 6.01, STEP_MM)
HEIGHTS_MM.setflags(write=False)
"""Heights above the fitted head at which the cuff is sampled; negative within it."""

WIDEST_DEG = 140.0
"""How far round the head, either way from the click, the cuff is followed."""

GRAZING = 0.95
"""A slice further from the centre than this share of the radius grazes the head: not used."""

THINNEST_GAP_MM = 3.0
"""How high fluid must stand without a break to take up the whole thickness of the cuff; thinner
fluid is a partial tear, or lies on or beneath the tendon. Our choice."""

HIGHEST_FLOOR_MM = 2.0
"""How high above the fitted head that fluid may begin: cartilage, and the error of the fit."""

BLUR_MM = 0.5
SHORTEST_HOLE_MM = 1.0

BAND_MM, END_BLUR_MM, END_REACH_MM = 0.5, 0.3, 3.0
"""To place the end of a gap: half the height averaged, the smoothing along the head, and how far
on either side the levels of fluid and tendon are taken."""


@dataclass(frozen=True, slots=True, eq=False)
class Layer:
    """One slice of the cuff.

    Attributes
    ----------
    number
        Slice number.
    centre
        Centre of the head, moved onto the slice; patient LPS mm.
    axes
        Shape ``(2, 3)``: unit directions in the slice; angles turn from the first to the second.
    radii
        Shape ``(heights,)``: distance from ``centre`` at each of :data:`HEIGHTS_MM`.
    angles
        Shape ``(angles,)``, radians, rising.
    signal
        Shape ``(heights, angles)``; ``nan`` beyond the image.
    """

    number: int
    centre: Points
    axes: Points
    radii: Points
    angles: Points
    signal: Points

    def point(self, angle: float, height_mm: float) -> Points:
        """Return a place of the layer; shape ``(3,)``, patient LPS mm."""
        radius = float(np.interp(height_mm, HEIGHTS_MM, self.radii))
        arm = np.array([np.cos(angle), np.sin(angle)]) @ self.axes
        place: Points = self.centre + radius * arm
        return place

    def points(self, height_mm: float) -> Points:
        """Return the places of all angles at a height; shape ``(angles, 3)``, patient LPS mm."""
        radius = float(np.interp(height_mm, HEIGHTS_MM, self.radii))
        arms: Points = np.column_stack([np.cos(self.angles), np.sin(self.angles)]) @ self.axes
        return self.centre + radius * arms

    @property
    def radius_mm(self) -> float:
        """Distance from the centre to within the cuff, 2 mm above the bone."""
        return float(np.interp(2.0, HEIGHTS_MM, self.radii))

    @property
    def step_mm(self) -> float:
        """Distance from angle to angle within the cuff."""
        return self.radius_mm * float(self.angles[1] - self.angles[0])

    def angle_of(self, point: Points) -> float:
        """Return the angle at which a point, moved onto the slice, is seen from the centre."""
        first, second = self.axes @ (point - self.centre)
        return float(np.arctan2(second, first))


def roll_out(volume: Volume, number: int, head: Head, *, first_axis: Points) -> Layer | None:
    """Return the cuff on one slice.

    Parameters
    ----------
    volume, number
        The series and the slice.
    head
        The head beneath the cuff.
    first_axis
        Shape ``(3,)``: direction, not along the slice's normal, from which angles count.

    Returns
    -------
    Layer or None
        ``None`` when the slice misses or only grazes the head.
    """
    plane = volume.stack.planes[number]
    centre = np.array(head.centre)
    off = float(plane.distance(centre[np.newaxis])[0])
    if abs(off) > GRAZING * head.radius_mm:
        return None
    first = as_direction(first_axis - (first_axis @ plane.normal) * plane.normal, "first axis")
    axes = np.array([first, np.cross(plane.normal, first)])
    radii = np.sqrt(np.maximum((head.radius_mm + HEIGHTS_MM) ** 2 - off**2, 0.0))
    image = volume.image(number)
    return _rolled(
        number,
        centre - off * plane.normal,
        axes,
        radii,
        lambda points: sample(image, plane, points),
    )


def roll_out_along(
    volume: Volume, number: int, head: Head, *, axes: Points, off_mm: float = 0.0
) -> Layer | None:
    """Return the cuff in a plane that need not be a slice.

    Parameters
    ----------
    volume
        The series; the signal is interpolated between its slices.
    number
        Number to give the layer.
    head
        The head beneath the cuff.
    axes
        Shape ``(2, 3)``: perpendicular unit directions of the plane.
    off_mm
        How far the plane lies from the centre of the head, towards the cross product of its axes.

    Returns
    -------
    Layer or None
        ``None`` when the plane misses or only grazes the head.
    """
    if abs(off_mm) > GRAZING * head.radius_mm:
        return None
    centre = np.array(head.centre) + off_mm * np.cross(axes[0], axes[1])
    radii = np.sqrt(np.maximum((head.radius_mm + HEIGHTS_MM) ** 2 - off_mm**2, 0.0))
    return _rolled(number, centre, axes, radii, volume.at)


def _rolled(
    number: int,
    centre: Points,
    axes: Points,
    radii: Points,
    signal_at: Callable[[Points], Points],
) -> Layer:
    count = int(2 * np.radians(WIDEST_DEG) * radii[-1] / STEP_MM)
    angles = np.linspace(-np.radians(WIDEST_DEG), np.radians(WIDEST_DEG), count)
    arms = np.column_stack([np.cos(angles), np.sin(angles)]) @ axes
    points = centre + radii[:, np.newaxis, np.newaxis] * arms
    signal = signal_at(points.reshape(-1, 3)).reshape(radii.size, count)
    return Layer(number, centre, axes, radii, angles, signal)


def gaps(layer: Layer, at_least: float) -> tuple[tuple[int, int], ...]:
    """Return where fluid takes up the whole thickness of the cuff.

    Fluid on an intact tendon, beneath it or within it leaves a dark band and is no gap.

    Parameters
    ----------
    layer
        The slice.
    at_least
        Signal from which tissue counts as fluid.

    Returns
    -------
    tuple of (int, int)
        First and last angle number of each gap, in order; holes of up to 1 mm are closed.
    """
    blurred = ndimage.gaussian_filter(
        np.nan_to_num(layer.signal), (BLUR_MM / STEP_MM, BLUR_MM / layer.step_mm)
    )
    is_gap = _thickest(blurred >= at_least) * STEP_MM >= THINNEST_GAP_MM
    hole = max(int(SHORTEST_HOLE_MM / layer.step_mm), 1)
    bridge = np.ones(hole + 1, dtype=np.bool_)
    return runs(ndimage.binary_closing(np.pad(is_gap, hole), bridge)[hole:-hole])


def _thickest(fluid: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Return, for each angle, how many heights on end are fluid, begun near the bone."""
    current = np.zeros(fluid.shape[1], dtype=np.intp)
    thickest = current.copy()
    for height, row in zip(HEIGHTS_MM.tolist(), fluid, strict=True):
        may_begin = height <= HIGHEST_FLOOR_MM
        current = np.where(row & (may_begin | (current > 0)), current + 1, 0)
        thickest = np.maximum(thickest, current)
    return thickest


def runs(flags: NDArray[np.bool_]) -> tuple[tuple[int, int], ...]:
    """Return first and last number of each unbroken run of true values."""
    steps = np.diff(np.concatenate([[0], flags.astype(np.int8), [0]]))
    begins, ends = np.flatnonzero(steps == 1), np.flatnonzero(steps == -1) - 1
    return tuple(zip(begins.tolist(), ends.tolist(), strict=True))


def crossing(layer: Layer, end: int, *, outwards: int, height_mm: float) -> float:
    """Return the angle at which the signal falls half way from inside to outside a gap's end.

    Parameters
    ----------
    layer
        The slice.
    end
        Angle number of the first or last angle of a gap.
    outwards
        -1 at its first, +1 at its last angle.
    height_mm
        Where in the thickness; a band 1 mm high about it is averaged.

    Returns
    -------
    float
        Radians. The end itself where the signal does not fall.
    """
    band = layer.signal[np.abs(HEIGHTS_MM - height_mm) <= BAND_MM + 1e-9].mean(axis=0)
    profile = ndimage.gaussian_filter1d(np.nan_to_num(band), END_BLUR_MM / layer.step_mm)
    reach = max(int(END_REACH_MM / layer.step_mm), 2)
    numbers = end + outwards * np.arange(-reach, reach + 1)
    numbers = numbers[(numbers >= 0) & (numbers < profile.size)]
    along = profile[numbers]
    inside = float(along[: max(reach // 2, 1)].mean())
    outside = float(along[-max(reach // 2, 1) :].mean())
    below = np.flatnonzero(along < (inside + outside) / 2)
    if inside <= outside or below.size == 0 or below[0] == 0:
        return float(layer.angles[end])
    after = int(below[0])
    fall = along[after - 1] - along[after]
    share = float((along[after - 1] - (inside + outside) / 2) / fall)
    low, high = layer.angles[numbers[after - 1]], layer.angles[numbers[after]]
    return float(low + share * (high - low))


def floor_height(layer: Layer, first: int, last: int) -> float:
    """Return the height at which bone or cartilage gives way to fluid beneath a piece of a gap.

    Parameters
    ----------
    layer
        The slice.
    first, last
        Angle numbers of the piece, both included.

    Returns
    -------
    float
        Millimetres above the fitted head, where the signal has risen half way to the brightest
        above; the lowest height sampled when it is as bright there.
    """
    piece = np.nan_to_num(layer.signal[:, first : last + 1]).mean(axis=1)
    top = int(np.argmax(np.where(HEIGHTS_MM <= 2 * HIGHEST_FLOOR_MM, piece, -np.inf)))
    middle = (piece[top] + piece[: top + 1].min()) / 2
    dark = np.flatnonzero(piece[:top] < middle)
    if dark.size == 0:
        return float(HEIGHTS_MM[0])
    below = int(dark[-1])
    share = (middle - piece[below]) / (piece[below + 1] - piece[below])
    return float(HEIGHTS_MM[below] + share * STEP_MM)
