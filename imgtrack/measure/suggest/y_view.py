"""The Y view proposed: the slice on which the muscles of the cuff are judged.

It is the most lateral oblique sagittal slice on which the scapular spine joins the body of the
scapula (Lee, Clin Orthop Surg 2018;10(1)). Medial to it the three arms of the scapula meet in a
fork; lateral to it the notch below the spine opens and the spine's arm is interrupted near the
fork.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from imgtrack.domain.errors import Fault, Refused
from imgtrack.domain.subjects import Side
from imgtrack.measure.points import Vector, as_vector
from imgtrack.measure.suggest.fork import (
    GRID_MM,
    Arm,
    Fork,
    Lines,
    fork_near,
    lines_of,
    rest_near,
    strongest_fork,
)
from imgtrack.measure.suggest.volume import sample

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from numpy.typing import ArrayLike

    from imgtrack.measure.plane import PlaneGeometry
    from imgtrack.measure.points import Points
    from imgtrack.measure.suggest.volume import Volume

FEWEST_SLICES = 4

COARSEST_MM = 1.4
"""Largest pixels on which forks are told from other lines: cortex is little thicker than 1 mm."""

ACROSS = 0.5
"""Least share of the patient's left-right direction in the normal of sagittal slices."""

WEAKEST, FINE_MM, FADING_PER_MM = 0.28, 0.6, 0.15
"""A fork weaker than this is none, on pixels of 0.6 mm; thin lines fade on larger ones. Our
choice: on phantoms it lies between the forks of slices that show the Y and those that do not."""

SHARED = 0.6
"""A fork is believed when a slice beside shows it with this share of its strength; our choice."""

LEFT_OVER = 0.5
"""Coracoid base and body stay lateral of the Y view; medial to it spine and body do. A fork of
which less than this share of their strength is left there is something else, as ribs or the edge
of the glenoid; our choice."""

MEDIAL_MM = 11.0
"""How far to medial the fork must stay, where there are slices; our choice."""

KEPT = 0.7
"""The spine is joined on a slice whose fork has this share of the clearest fork's strength; our
choice."""

CLEAR = 0.35
"""Share by which the fork must fade to the next slice for a proposal to be clear; our choice."""


@dataclass(frozen=True, slots=True)
class YView:
    """The slice proposed as the Y view, and what that rests on.

    Attributes
    ----------
    slice
        Its number in the stack, from 0.
    fork
        Where spine, coracoid base and body meet on it; patient LPS mm.
    strength
        Of the clearest fork of the stack, in logarithms of brightness. Below ``WEAKEST`` it is
        seen on coarse pixels only.
    joined
        Strength on the proposed slice, as share of the clearest.
    parted
        The same on the next slice to lateral, where the notch is open.
    spacing_mm
        Between slices: the least by which the proposal can be wrong.
    """

    slice: int
    fork: Vector
    strength: float
    joined: float
    parted: float
    spacing_mm: float

    @property
    def is_clear(self) -> bool:
        """Whether the fork is strong and the next slice to lateral clearly another."""
        return self.strength >= WEAKEST and self.joined - self.parted >= CLEAR


def y_view(volume: Volume, side: Side, *, watch: Callable[[], None] = lambda: None) -> YView:
    """Return the slice proposed as the Y view.

    Parameters
    ----------
    volume
        One oblique sagittal series on which fat is bright, as T1 or PD without fat suppression.
    side
        The shoulder.
    watch
        Called again and again; may raise to end the search.

    Raises
    ------
    Refused
        When the slices do not show the fork, or do not reach lateral of it.

    References
    ----------
    Lee, Clin Orthop Surg 2018;10(1) (which slice is the Y view).
    """
    numbers = _medial_to_lateral(volume, side)
    lines = []
    for number in numbers:
        watch()
        plane = volume.stack.planes[number]
        lines.append(lines_of(_upright(volume.image(number), plane)))
    for start, clearest in _believed(lines, _weakest(volume), watch):
        place, fork, parted = _most_lateral(lines, start, clearest)
        reach = round(MEDIAL_MM / volume.stack.pitch_mm)
        if _goes_on(lines, start, clearest, reach) and _fades(lines, place, fork):
            break
    else:
        raise Refused(_none("no slices show spine, coracoid base and body meeting clearly"))
    number = numbers[place]
    return YView(
        slice=number,
        fork=_in_patient(fork, volume.stack.planes[number]),
        strength=clearest.strength,
        joined=fork.strength / clearest.strength,
        parted=parted / clearest.strength,
        spacing_mm=volume.stack.pitch_mm,
    )


def _weakest(volume: Volume) -> float:
    """Return how strong a fork must be on the pixels of a series."""
    coarse_mm = max(*volume.stack.planes[0].spacing, FINE_MM) - FINE_MM
    return WEAKEST - FADING_PER_MM * coarse_mm


def _believed(
    lines: list[Lines], weakest: float, watch: Callable[[], None]
) -> Iterator[tuple[int, Fork]]:
    """Yield the places of slices and their forks that a slice beside shows too, strongest first."""
    found = []
    for place, each in enumerate(lines):
        watch()
        found.append((place, strongest_fork(each)))
    strong = [(place, fork) for place, fork in found if fork and fork.strength >= weakest]
    for place, fork in sorted(strong, key=lambda each: each[1].strength, reverse=True):
        sides = [beside for beside in (place - 1, place + 1) if 0 <= beside < len(lines)]
        shared = max(fork_near(lines[beside], fork).strength for beside in sides)
        if shared >= SHARED * fork.strength:
            yield place, fork


def _none(found: str) -> Fault:
    return Fault(
        "no Y view was found",
        found=found,
        next_step="scroll the sagittal pane to the Y view",
    )


def _medial_to_lateral(volume: Volume, side: Side) -> list[int]:
    """Return the numbers of the slices, the most medial one first."""
    first, *_, last = planes = volume.stack.planes
    if len(planes) < FEWEST_SLICES:
        raise Refused(_none(f"only {len(planes)} slices"))
    if max(first.spacing) > COARSEST_MM:
        raise Refused(_none(f"pixels of {max(first.spacing):.1f} mm are too coarse"))
    if abs(first.normal[0]) < ACROSS:
        raise Refused(_none("the series is not sagittal"))
    leftwards = float(first.distance([last.origin])[0]) * float(first.normal[0])
    numbers = list(range(len(planes)))
    is_outwards = leftwards > 0 if side is Side.LEFT else leftwards < 0
    return numbers if is_outwards else numbers[::-1]


@dataclass(frozen=True, slots=True, eq=False)
class _Upright:
    """A grid on a slice: rows run to inferior, columns to posterior."""

    corner: Points
    down: Points
    back: Points
    shape: tuple[int, int]

    def place(self, row: ArrayLike, column: ArrayLike) -> Points:
        """Return grid places in patient LPS mm; shape ``(..., 3)``."""
        down, back = np.multiply.outer(row, self.down), np.multiply.outer(column, self.back)
        points: Points = self.corner + GRID_MM * (down + back)
        return points


def _grid(plane: PlaneGeometry) -> _Upright:
    """Return the upright grid that covers a slice."""
    back = np.array([0.0, 1.0, 0.0]) - plane.normal[1] * plane.normal
    back /= np.linalg.norm(back)
    down = np.cross(back, plane.normal)
    down *= -np.sign(down[2])
    axes = np.array([down, back])
    along = (plane.corners - plane.corners[0]) @ axes.T
    low, high = along.min(axis=0), along.max(axis=0)
    rows, columns = ((high - low) // GRID_MM).astype(int).tolist()
    return _Upright(plane.corners[0] + low @ axes, down, back, (rows, columns))


def _upright(image: Points, plane: PlaneGeometry) -> Points:
    """Return a slice on its upright grid, black beyond its edges."""
    grid = _grid(plane)
    rows, columns = np.indices(grid.shape)
    signal = sample(image, plane, grid.place(rows, columns).reshape(-1, 3))
    upright: Points = np.nan_to_num(signal).reshape(grid.shape)
    return upright


def _in_patient(fork: Fork, plane: PlaneGeometry) -> Vector:
    return as_vector(_grid(plane).place(fork.row, fork.column))


def _most_lateral(lines: list[Lines], start: int, clearest: Fork) -> tuple[int, Fork, float]:
    """Follow the fork to lateral; return the last slice it is on, and its strength beyond."""
    fork, least = clearest, KEPT * clearest.strength
    for place in range(start + 1, len(lines)):
        beside = fork_near(lines[place], fork)
        if beside.strength < least:
            return place - 1, fork, beside.strength
        fork = beside
    raise Refused(_none("the spine joins the body on every slice; none lies lateral of it"))


def _fades(lines: list[Lines], place: int, fork: Fork) -> bool:
    """Return whether coracoid base and body stay on the slice lateral of the last joined one."""
    here, beyond = (
        rest_near(each, fork, without=Arm.SPINE) for each in (lines[place], lines[place + 1])
    )
    return beyond >= LEFT_OVER * here


def _goes_on(lines: list[Lines], start: int, fork: Fork, reach: int) -> bool:
    """Return whether spine and body stay joined on the slices next to medial."""
    least = LEFT_OVER * rest_near(lines[start], fork, without=Arm.CORACOID)
    medial = lines[max(start - reach, 0) : start]
    return all(rest_near(each, fork, without=Arm.CORACOID) >= least for each in medial)
