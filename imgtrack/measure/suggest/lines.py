"""The lines of a gap: along the fibres from lateral end to stump, and across them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from imgtrack.measure.points import Vector, as_direction, as_vector
from imgtrack.measure.suggest.growth import (
    Cut,
    Ground,
    LayerAt,
    Levels,
    Region,
    grown,
    levels_near,
)
from imgtrack.measure.suggest.layer import (
    Layer,
    crossing,
    floor_height,
    roll_out,
    roll_out_along,
)
from imgtrack.measure.suggest.void import Voids, voids_in

if TYPE_CHECKING:
    from collections.abc import Callable

    from imgtrack.measure.points import Points
    from imgtrack.measure.stack import Stack
    from imgtrack.measure.suggest.head import Head
    from imgtrack.measure.suggest.volume import Volume

FIBRES_MM = 1.0
FARTHEST_TURN_DEG = 100.0
"""Distance on the head from one plane along the fibres to the next, and how far they are turned
from the click at most."""

ACROSS_MM = 1.0
"""Distance from one plane across the fibres to the next."""

WIDTH_AT_MM = 3.0
LATERAL_AT_MM = 1.0
MEDIAL_AT_MM = 3.0
"""Heights at which the ends are sought: in mid-thickness for width and stump; low above the bone
at the footprint, where the tendon is thin."""

END_PIECE_MM = 2.0

AS_LONG_MM = 0.5
"""A line shorter by no more than this is as long; less than a pixel."""

FAR_WIDER = 1.5
"""From this many times the width of the sagittal slices on, that between them is taken; chosen
over 100 tears, of which it mends three: the slices had shown no more than a limb."""

SUPERIOR = np.array([0.0, 0.0, 1.0])
SUPERIOR.setflags(write=False)


@dataclass(frozen=True, slots=True)
class Line:
    """A proposed line.

    Attributes
    ----------
    start, end
        Patient LPS mm.
    slices
        Numbers of the slices that hold start and end, in the series the line is read on;
        ``None`` for an end outside it.
    straight_mm, along_head_mm
        Straight, and along the circle on which its plane cuts the head.
    is_hidden
        Whether metal hides an end, or a longer part beside it: the line is then no more than
        what is seen of the gap.
    """

    start: Vector
    end: Vector
    slices: tuple[int | None, int | None]
    straight_mm: float
    along_head_mm: float
    is_hidden: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """One series about a click, ready for a gap to grow in.

    Attributes
    ----------
    click
        Shape ``(3,)``, patient LPS mm.
    volume
        The series.
    head
        The head beneath the click.
    voids, levels
        What metal hides, and the signal of fluid and dark tissue.
    """

    click: Points
    volume: Volume
    head: Head
    voids: Voids
    levels: Levels

    @classmethod
    def of(cls, click: Points, volume: Volume, head: Head) -> Scene:
        """Return a series about a click."""
        voids = voids_in(volume, head)
        return cls(click, volume, head, voids, levels_near(volume, click, voids))

    def ground(self, layer_at: LayerAt) -> Ground:
        """Return layers of this series as ground for a gap."""
        return Ground(layer_at, self.levels, self.voids)

    def slices(self) -> Ground:
        """Return its slices as ground for a gap."""

        def slice_at(number: int) -> Layer | None:
            if not 0 <= number < len(self.volume.stack.planes):
                return None
            return roll_out(self.volume, number, self.head, first_axis=SUPERIOR)

        return self.ground(slice_at)


def on_slices(scene: Scene) -> Region:
    """Return the gap on the slices of a series."""
    start = scene.volume.stack.slice_of(scene.click)
    if start is None:
        return Region((), is_clear=False)
    return grown(scene.click, start, scene.slices())


def retraction_line(coronal: Scene, sagittal: Scene, lateral: Points) -> Line | None:
    """Return the longest line along the fibres from the lateral end of the gap to the stump.

    The coronal series shows the ends finest. A limb narrower than its slices is lost there but
    may be seen on the sagittal series, whose line is taken when it is longer by a slice.
    """

    def line_of(cut: Cut) -> Line:
        return _fibre_line(cut, coronal.volume.stack)

    grounds = [_along_fibres(scene, lateral) for scene in (coronal, sagittal)]
    fine, coarse = (_longest(grown(coronal.click, 0, ground), line_of) for ground in grounds)
    by_mm = sagittal.volume.stack.pitch_mm
    if fine is None or coarse is None:
        return fine or coarse
    return coarse if coarse.straight_mm > fine.straight_mm + by_mm else fine


def width_line(on_sagittal: Region, coronal: Scene, sagittal: Scene) -> Line | None:
    """Return the longest line from front to back of the gap, in mid-thickness.

    The sagittal slices show its ends finest. Where the gap is widest over less than a slice they
    may show no more than the limb of an L; then it is far wider on the coronal series, cut the
    same way, and that line is taken. Not beside metal, which spoils signal between slices; and
    what goes on beneath metal may be wider there.
    """
    stack = sagittal.volume.stack

    def line_of(cut: Cut) -> Line:
        return _width(cut, stack)

    fine = _longest(on_sagittal, line_of)
    if coronal.voids.are_any or sagittal.voids.are_any:
        goes_on = fine is not None and _goes_on_hidden(on_sagittal, sagittal.slices())
        return replace(fine, is_hidden=True) if fine and goes_on else fine
    coarse = _longest(grown(coronal.click, 0, _across_fibres(coronal, stack)), line_of)
    if fine is None or coarse is None:
        return fine
    return coarse if coarse.straight_mm > FAR_WIDER * fine.straight_mm else fine


def _along_fibres(scene: Scene, lateral: Points) -> Ground:
    """Return planes turned about the lateral axis, the way the fibres run.

    A gap behind the top of the head runs obliquely through the coronal slices, so that its
    lateral end and its stump lie on different ones.
    """
    up = as_direction(SUPERIOR - (SUPERIOR @ lateral) * lateral, "up")
    across = np.cross(lateral, up)
    away = scene.click - np.array(scene.head.centre)
    middle = float(np.arctan2(away @ across, away @ up))
    step = FIBRES_MM / scene.head.radius_mm

    def plane_at(number: int) -> Layer | None:
        if abs(number) * step > np.radians(FARTHEST_TURN_DEG):
            return None
        turn = middle + number * step
        axes = np.array([np.cos(turn) * up + np.sin(turn) * across, -lateral])
        return roll_out_along(scene.volume, number, scene.head, axes=axes)

    return scene.ground(plane_at)


def _across_fibres(scene: Scene, sagittal: Stack) -> Ground:
    """Return planes parallel to the sagittal slices, closer than these."""
    normal = sagittal.planes[0].normal
    first = as_direction(SUPERIOR - (SUPERIOR @ normal) * normal, "up")
    axes = np.array([first, np.cross(normal, first)])
    middle = float((scene.click - np.array(scene.head.centre)) @ normal)

    def plane_at(number: int) -> Layer | None:
        off = middle + number * ACROSS_MM
        return roll_out_along(scene.volume, number, scene.head, axes=axes, off_mm=off)

    return scene.ground(plane_at)


def _fibre_line(cut: Cut, coronal: Stack) -> Line:
    """Return the line on the bone from the lateral to the medial end of a cut along the fibres."""
    piece = max(int(END_PIECE_MM / cut.layer.step_mm), 1)
    lateral_floor = floor_height(cut.layer, cut.first, min(cut.first + piece, cut.last))
    medial_floor = floor_height(cut.layer, max(cut.last - piece, cut.first), cut.last)
    angles = (
        crossing(cut.layer, cut.first, outwards=-1, height_mm=lateral_floor + LATERAL_AT_MM),
        crossing(cut.layer, cut.last, outwards=+1, height_mm=MEDIAL_AT_MM),
    )
    start = cut.layer.point(angles[0], lateral_floor)
    end = cut.layer.point(angles[1], medial_floor)
    slices = coronal.slice_of(start), coronal.slice_of(end)
    return _line(cut, start, end, slices)


def _width(cut: Cut, sagittal: Stack) -> Line:
    """Return the line from front to back of a cut across the fibres, in mid-thickness."""
    front, back = sorted(
        (
            cut.layer.point(
                crossing(cut.layer, end, outwards=way, height_mm=WIDTH_AT_MM), WIDTH_AT_MM
            )
            for end, way in ((cut.first, -1), (cut.last, +1))
        ),
        key=lambda point: float(point[1]),
    )
    number = sagittal.slice_of(front)
    return _line(cut, front, back, (number, number))


def _line(cut: Cut, start: Points, end: Points, slices: tuple[int | None, int | None]) -> Line:
    layer = cut.layer
    arms = start - layer.centre, end - layer.centre
    radii = [float(np.linalg.norm(arm)) for arm in arms]
    turn = abs(layer.angle_of(end) - layer.angle_of(start))
    return Line(
        start=as_vector(start),
        end=as_vector(end),
        slices=slices,
        straight_mm=float(np.linalg.norm(end - start)),
        along_head_mm=turn * sum(radii) / 2,
    )


def _longest(region: Region, line_of: Callable[[Cut], Line]) -> Line | None:
    """Return the longest line of a gap, or one as long that metal leaves clear.

    It is hidden when metal hides an end of it, or of the gap on the layer before or after, where
    it may be longer.
    """
    lines = sorted(
        ((line_of(cut), place) for place, cut in enumerate(region.cuts)),
        key=lambda each: -each[0].straight_mm,
    )
    if not lines:
        return None
    longest = lines[0][0]
    as_long = (each for each in lines if each[0].straight_mm > longest.straight_mm - AS_LONG_MM)
    clear = (line for line, place in as_long if not _is_hidden(region, place))
    return next(clear, replace(longest, is_hidden=True))


def _is_hidden(region: Region, place: int) -> bool:
    """Return whether metal hides an end of a cut or of its neighbours."""
    cuts = region.cuts
    beside = cuts[max(place - 1, 0) : place + 2]
    return any(any(each.hidden_ends) for each in beside)


def _goes_on_hidden(region: Region, ground: Ground) -> bool:
    """Return whether metal hides the layer before the first or after the last that shows a gap."""
    if not region.cuts:
        return False
    first, last = region.cuts[0], region.cuts[-1]
    return ground.hides(first, first.layer.number - 1) or ground.hides(last, last.layer.number + 1)
