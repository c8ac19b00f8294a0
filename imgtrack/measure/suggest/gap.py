"""What one click in a fluid gap proposes: slices that show it, width and retraction."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from imgtrack.domain.errors import Fault, InvalidInput
from imgtrack.domain.subjects import Side
from imgtrack.measure.points import Vector, as_direction, as_point, as_vector
from imgtrack.measure.suggest.growth import Cut, Region, grown, levels_near
from imgtrack.measure.suggest.head import Head, head_near
from imgtrack.measure.suggest.layer import (
    Layer,
    crossing,
    floor_height,
    roll_out,
    roll_out_along,
)
from imgtrack.measure.suggest.void import is_hidden

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from imgtrack.measure.points import Points
    from imgtrack.measure.suggest.volume import Volume

FIBRES_MM = 1.0
FARTHEST_TURN_DEG = 100.0
"""Distance on the head from one plane along the fibres to the next, and how far they are turned
from the click at most."""

WIDTH_AT_MM = 3.0
LATERAL_AT_MM = 1.0
MEDIAL_AT_MM = 3.0
"""Heights at which the ends are sought: in mid-thickness for width and stump; low above the bone
at the footprint, where the tendon is thin."""

END_PIECE_MM = 2.0
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
    """

    start: Vector
    end: Vector
    slices: tuple[int | None, int | None]
    straight_mm: float
    along_head_mm: float


@dataclass(frozen=True, slots=True)
class GapProposal:
    """What one click proposes.

    Attributes
    ----------
    head
        The sphere the cuff was followed on.
    coronal_slices, sagittal_slices
        Numbers of the slices that show the gap, in order; empty when there is none.
    retraction
        Along the fibres where it is longest, on the bone: from the lateral end of the gap (edge
        of the bare footprint, or lateral stump) to the medial stump, read on the coronal series.
        Its ends lie on different slices when the gap runs obliquely through them. ``None``
        without a gap, and where metal hides an end.
    width
        On the sagittal slice where it is longest, in mid-thickness, from front to back. A gap
        wider between two slices than on any is measured too small. ``None`` without a gap, and
        where metal hides an end or part of the gap.
    is_hidden
        Whether metal hides an end of the gap, so that the lines were withheld, or the cuff at
        the click, so that no gap does not mean an uninterrupted cuff.
    """

    head: Head
    coronal_slices: tuple[int, ...]
    sagittal_slices: tuple[int, ...]
    retraction: Line | None
    width: Line | None
    is_hidden: bool = False


def gap_at(click: ArrayLike, *, coronal: Volume, sagittal: Volume, side: Side) -> GapProposal:
    """Return the full-thickness gap that a click lies in, as a proposal.

    The humeral head is found, the cuff followed along it slice by slice, and the gap grown from
    the click to neighbouring slices as long as it overlaps.

    Parameters
    ----------
    click
        Shape ``(3,)``, patient LPS mm: a place within the gap, or up to 3 mm beside it.
    coronal, sagittal
        Fat-suppressed fluid-sensitive series of one scan in the two oblique planes.
    side
        The shoulder.

    Returns
    -------
    GapProposal
        With empty slices and no lines when the cuff is not seen to be interrupted at the click.

    Raises
    ------
    InvalidInput
        If the two series are exchanged.
    Refused
        If no humeral head is found beneath the click.

    Notes
    -----
    Full thickness means: fluid 3 mm high or more on the bone or cartilage. That is wrong where
    repair tissue is as bright as fluid, beside metal, and for a partial tear deeper than that;
    the reader decides.
    """
    start = as_point(click, "click")
    if _leftwards(coronal) > _leftwards(sagittal):
        what = "the coronal and the sagittal series are exchanged"
        raise InvalidInput(Fault(what, next_step="name each by its plane"))
    head = head_near(start, (coronal, sagittal))
    on_coronal = _on_slices(start, coronal, head)
    on_sagittal = _on_slices(start, sagittal, head)
    if not (on_coronal.is_clear or on_sagittal.is_clear):
        return GapProposal(head, (), (), None, None, is_hidden(start, coronal, head))
    retraction = _retraction(start, coronal, sagittal, head, _lateral(sagittal, side))
    width = _longest(_width(cut) for cut in on_sagittal.cuts)
    # A gap that goes on beneath a void may be wider there: an end of either line hides both.
    ends = ((retraction, coronal), (width, sagittal))
    hidden = any(_has_hidden_end(line, volume, head) for line, volume in ends)
    return GapProposal(
        head=head,
        coronal_slices=tuple(cut.layer.number for cut in on_coronal.cuts),
        sagittal_slices=tuple(cut.layer.number for cut in on_sagittal.cuts),
        retraction=None if hidden else retraction,
        width=None if hidden else width,
        is_hidden=hidden,
    )


def _has_hidden_end(line: Line | None, volume: Volume, head: Head) -> bool:
    return line is not None and any(is_hidden(end, volume, head) for end in (line.start, line.end))


def _on_slices(click: Points, volume: Volume, head: Head) -> Region:
    """Return the gap on the slices of a series."""
    start = volume.stack.slice_of(click)
    if start is None:
        return Region((), is_clear=False)

    def slice_at(number: int) -> Layer | None:
        if not 0 <= number < len(volume.stack.planes):
            return None
        return roll_out(volume, number, head, first_axis=SUPERIOR)

    return grown(click, start, slice_at, levels_near(volume, click))


def _along_fibres(click: Points, volume: Volume, head: Head, lateral: Points) -> Region:
    """Return the gap in planes turned about the lateral axis, the way the fibres run.

    A gap behind the top of the head runs obliquely through the coronal slices, so that its
    lateral end and its stump lie on different ones.
    """
    up = as_direction(SUPERIOR - (SUPERIOR @ lateral) * lateral, "up")
    across = np.cross(lateral, up)
    away = click - np.array(head.centre)
    middle = float(np.arctan2(away @ across, away @ up))
    step = FIBRES_MM / head.radius_mm

    def plane_at(number: int) -> Layer | None:
        if abs(number) * step > np.radians(FARTHEST_TURN_DEG):
            return None
        turn = middle + number * step
        axes = np.array([np.cos(turn) * up + np.sin(turn) * across, -lateral])
        return roll_out_along(volume, number, head, axes=axes)

    return grown(click, 0, plane_at, levels_near(volume, click))


def _leftwards(volume: Volume) -> float:
    """Return how far a series is cut from side to side: 1 for a true sagittal one."""
    return abs(float(volume.stack.planes[0].normal[0]))


def _lateral(sagittal: Volume, side: Side) -> Points:
    """Return the direction, normal to the sagittal series, that points out of the body."""
    normal = sagittal.stack.planes[0].normal
    outwards = 1.0 if side is Side.LEFT else -1.0
    lateral: Points = normal * np.sign(normal[0] * outwards)
    return lateral


def _retraction(
    click: Points, coronal: Volume, sagittal: Volume, head: Head, lateral: Points
) -> Line | None:
    """Return the longest line along the fibres from the lateral end of the gap to the stump.

    The coronal series shows the ends finest. A limb narrower than its slices is lost there but
    may be seen on the sagittal series, whose line is taken when it is longer by a slice.
    """
    fine, coarse = (
        _longest(
            _fibre_line(cut, coronal) for cut in _along_fibres(click, volume, head, lateral).cuts
        )
        for volume in (coronal, sagittal)
    )
    if fine is None or coarse is None:
        return fine or coarse
    is_lost = coarse.straight_mm > fine.straight_mm + sagittal.stack.pitch_mm
    return coarse if is_lost else fine


def _fibre_line(cut: Cut, coronal: Volume) -> Line:
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
    slices = coronal.stack.slice_of(start), coronal.stack.slice_of(end)
    return _line(cut.layer, start, end, slices)


def _width(cut: Cut) -> Line:
    """Return the line from front to back of a sagittal cut, in mid-thickness."""
    front, back = sorted(
        (
            cut.layer.point(
                crossing(cut.layer, end, outwards=way, height_mm=WIDTH_AT_MM), WIDTH_AT_MM
            )
            for end, way in ((cut.first, -1), (cut.last, +1))
        ),
        key=lambda point: float(point[1]),
    )
    return _line(cut.layer, front, back, (cut.layer.number, cut.layer.number))


def _line(layer: Layer, start: Points, end: Points, slices: tuple[int | None, int | None]) -> Line:
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


def _longest(lines: Iterable[Line]) -> Line | None:
    return max(lines, key=lambda line: line.straight_mm, default=None)
