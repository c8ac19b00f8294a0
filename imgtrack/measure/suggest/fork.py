"""Three thin dark lines that meet in a fork, as spine, coracoid base and body of the scapula do.

Everything is relative to the tissue around it: brightness to the fat nearby, a line to what lies
on both sides of it. No value of a tissue is assumed.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from imgtrack.measure.points import Points

    Floats = NDArray[np.float32]
    Numbers = NDArray[np.intp]

GRID_MM = 0.75
"""Pixel size of the images looked at."""

NEARBY_FAT_MM = 20.0
"""Fat is the brightest tenth of what lies as near as this in rows and columns."""

LINE_MM = 3.0
"""A line is darker than what lies as near as this on both sides."""

PLATE_MM = 1.2
"""Two cortices are one line when the marrow between them is within this distance of both."""

BESIDE_MM = 4.5
"""How far to each side of an arm the tissue is looked at that it must be darker than."""

STEP_MM = 1.25
PIECE_STEPS = 4
FIRST_MM = 1.5
"""Arms are looked at in pieces of four steps, from here outwards."""

BASE_MM = 5.0
"""Nearer to the fork than this the sides of one arm are another arm."""

DEGREES: Points = np.arange(0.0, 360.0, 5.0)
"""Directions from posterior towards superior."""


class Arm(IntEnum):
    """The arms of the scapula."""

    SPINE = 0
    CORACOID = 1
    BODY = 2


SECTORS = ((20.0, 75.0), (95.0, 160.0), (240.0, 300.0))
"""Where the arms point, in the same degrees (common practice, no source)."""

PIECES = (4, 3, 5)
"""How many pieces of spine, coracoid base and body are looked at: 20, 15 and 25 mm."""

APART_DEG = (50.0, 120.0)
FROM_SPINE_DEG = (115.0, 180.0)
FROM_CORACOID_DEG = (95.0, 170.0)
"""Angles between spine and coracoid base, and of the body with each (common practice, no
source)."""

TURNED_DEG = 15.0
MOVED_MM = 4.5
"""How far a fork turns and moves from one slice to the next at most."""

AIR_SHARE = 0.12
FROM_AIR_MM = 22.0
"""A fork lies at least this far from skin and lung: ribs between them are no scapula. Air is
darker than this share of fat."""

DIMMEST = 0.02


@dataclass(frozen=True, slots=True)
class Fork:
    """Three dark lines that meet.

    Attributes
    ----------
    row, column
        Where they meet, in pixels of ``GRID_MM``.
    directions
        Where spine, coracoid base and body point; degrees from posterior towards superior.
    strength
        How much darker than its sides every piece of every arm is, in logarithms of brightness;
        the weakest pieces count most.
    """

    row: int
    column: int
    directions: tuple[float, float, float]
    strength: float


@dataclass(frozen=True, slots=True, eq=False)
class Lines:
    """The thin dark lines of an image; all of shape ``(rows, columns)``.

    Attributes
    ----------
    core
        How dark a line is along its middle, both cortices of a plate taken as one.
    around
        The same, blurred and not widened: what lies beside a line.
    barred
        Where no fork is looked for.
    """

    core: Floats
    around: Floats
    barred: NDArray[np.bool_]


def lines_of(image: Points) -> Lines:
    """Return the dark lines of an image of ``GRID_MM`` per pixel, up being superior.

    Parameters
    ----------
    image
        Shape ``(rows, columns)``, signal without fat suppression; columns run to posterior.
    """
    relative = np.clip(image / _fat_nearby(image), 0.0, 1.2)
    smooth = ndimage.gaussian_filter(relative, 0.4 / GRID_MM)
    # On a scale of logarithms cortex beside muscle counts about as cortex beside fat does.
    scaled = np.log1p(smooth / 0.15) / np.log1p(1.0 / 0.15)
    closed = ndimage.grey_closing(scaled, footprint=_disk(LINE_MM))
    dark = np.clip(closed - scaled, 0.0, 1.0)
    plates = ndimage.grey_dilation(dark, footprint=_disk(PLATE_MM))
    core = ndimage.gaussian_filter(plates, 0.5 / GRID_MM)
    around = ndimage.gaussian_filter(dark, 1.0 / GRID_MM)
    return Lines(core.astype(np.float32), around.astype(np.float32), _near_air(relative))


def _fat_nearby(image: Points) -> Points:
    """Return the brightness of fat at every pixel, following the fall-off of a coil."""
    coarse = ndimage.gaussian_filter(image, 1.0)[::4, ::4]
    size = 2 * round(NEARBY_FAT_MM / GRID_MM / 4) + 1
    bright = ndimage.percentile_filter(coarse, 90, size=size)
    bright = ndimage.gaussian_filter(bright, 10.0 / GRID_MM / 4)
    factors = [large / small for large, small in zip(image.shape, bright.shape, strict=True)]
    least = max(0.25 * float(np.percentile(coarse, 95)), 1e-9)
    fat: Points = np.maximum(ndimage.zoom(bright, factors, order=1), least)
    return fat


def _near_air(relative: Points) -> NDArray[np.bool_]:
    air = ndimage.gaussian_filter(relative, 2.0 / GRID_MM) < AIR_SHARE
    air = ndimage.binary_opening(air, _disk(2.0))
    if not air.any():
        return air
    near: NDArray[np.bool_] = ndimage.distance_transform_edt(~air) * GRID_MM < FROM_AIR_MM
    return near


def _disk(radius_mm: float) -> NDArray[np.bool_]:
    reach = int(np.ceil(radius_mm / GRID_MM))
    rows, columns = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    disk: NDArray[np.bool_] = np.hypot(rows, columns) * GRID_MM <= radius_mm
    return disk


def strongest_fork(lines: Lines) -> Fork | None:
    """Return the strongest fork of an image; ``None`` where nothing is dark enough to be one."""
    edge = int((FIRST_MM + STEP_MM * PIECE_STEPS * PIECES[0]) / GRID_MM)
    rows, columns = (each.ravel() for each in np.indices(lines.core.shape)[:, ::3, ::3])
    height, width = lines.core.shape
    inside = (np.minimum(rows, height - rows) > edge) & (
        np.minimum(columns, width - columns) > edge
    )
    kept = inside & (lines.core[rows, columns] > 0.2) & ~lines.barred[rows, columns]
    if not kept.any():
        return None
    rough = _best(lines, rows[kept], columns[kept], None)
    down, right = (each.ravel() for each in np.mgrid[-3:4, -3:4])
    return _best(lines, rough.row + down, rough.column + right, None)


def fork_near(lines: Lines, fork: Fork) -> Fork:
    """Return the strongest fork about where one is on the slice beside."""
    return _best(lines, *_pixels_near(fork), fork.directions)


def rest_near(lines: Lines, fork: Fork, *, without: Arm) -> float:
    """Return the strength of two arms alone, about where a fork is."""
    rows, columns = _pixels_near(fork)
    kept = [arm for arm in Arm if arm is not without]
    weakness = sum(
        _arm(lines, rows, columns, _directions(arm, fork.directions[arm]), PIECES[arm]).min(axis=1)
        for arm in kept
    )
    return _strength(float(np.min(weakness)), sum(PIECES[arm] for arm in kept))


def _pixels_near(fork: Fork) -> tuple[Numbers, Numbers]:
    reach = int(MOVED_MM / GRID_MM)
    down, right = (each.ravel() for each in np.mgrid[-reach : reach + 1, -reach : reach + 1])
    near = np.hypot(down, right) * GRID_MM <= MOVED_MM
    return fork.row + down[near], fork.column + right[near]


def _best(
    lines: Lines, rows: Numbers, columns: Numbers, about: tuple[float, float, float] | None
) -> Fork:
    """Return the strongest of all forks at some pixels, in all directions or about given ones."""
    turns = [_directions(arm, about and about[arm]) for arm in Arm]
    spines, coracoids, bodies = (
        _arm(lines, rows, columns, degrees, pieces)
        for degrees, pieces in zip(turns, PIECES, strict=True)
    )
    pairs = spines[:, :, np.newaxis] + coracoids[:, np.newaxis, :]
    found: list[Fork] = []
    for which, body in enumerate(turns[2]):
        fitting = np.where(_plausible(turns[0], turns[1], body), pairs, np.inf)
        weakness = fitting.reshape(len(rows), -1).min(axis=1) + bodies[:, which]
        at = int(np.argmin(weakness))
        spine, coracoid = np.unravel_index(int(np.argmin(fitting[at])), pairs.shape[1:])
        directions = (float(turns[0][spine]), float(turns[1][coracoid]), float(body))
        strength = _strength(float(weakness[at]), sum(PIECES))
        found.append(Fork(int(rows[at]), int(columns[at]), directions, strength))
    return max(found, key=lambda fork: fork.strength)


def _strength(weakness: float, pieces: int) -> float:
    return float((weakness / pieces) ** -0.25)


def _plausible(spines: Points, coracoids: Points, body: float) -> NDArray[np.bool_]:
    """Return which pairs of directions suit a body; shape ``(spines, coracoids)``."""
    spine, coracoid = spines[:, np.newaxis], coracoids[np.newaxis, :]
    angles = (
        (coracoid - spine, APART_DEG),
        (spine + 360.0 - body, FROM_SPINE_DEG),
        (body - coracoid, FROM_CORACOID_DEG),
    )
    kept = [(angle >= low) & (angle <= high) for angle, (low, high) in angles]
    plausible: NDArray[np.bool_] = kept[0] & kept[1] & kept[2]
    return plausible


def _directions(arm: Arm, about: float | None) -> Points:
    low, high = SECTORS[arm]
    kept = (low <= DEGREES) & (high >= DEGREES)
    if about is not None:
        kept &= np.abs(DEGREES - about) <= TURNED_DEG
    return DEGREES[kept]


def _arm(lines: Lines, rows: Numbers, columns: Numbers, degrees: Points, pieces: int) -> Points:
    """Return how weak an arm is from every pixel in every direction; shape ``(n, directions)``.

    The sum over its pieces of the inverse fourth power of how much darker each is than its sides.
    """
    turn = np.deg2rad(degrees)
    up: Points = np.sin(turn)
    back: Points = np.cos(turn)
    steps: Points = np.arange(PIECE_STEPS * pieces, dtype=np.float64)[:, np.newaxis]
    out = FIRST_MM + STEP_MM * steps
    dark = _looked_up(lines.core, rows, columns, -out * up, out * back)
    for side in (-BESIDE_MM, BESIDE_MM):
        beside = _looked_up(
            lines.around, rows, columns, -out * up + side * back, out * back + side * up
        )
        dark -= np.where(out > BASE_MM, 0.5 * beside, 0.0)
    mean = dark.reshape(len(rows), pieces, PIECE_STEPS, len(degrees)).mean(axis=2)
    weak: Points = (np.maximum(mean, DIMMEST) ** -4.0).sum(axis=1)
    return weak


def _looked_up(
    values: Floats, rows: Numbers, columns: Numbers, down_mm: Points, right_mm: Points
) -> Points:
    """Return values at offsets from every pixel; shape ``(n, steps, directions)``."""
    height, width = values.shape
    down, right = (np.rint(each / GRID_MM).astype(np.intp) for each in (down_mm, right_mm))
    at_rows = np.clip(rows[:, np.newaxis, np.newaxis] + down, 0, height - 1)
    at_columns = np.clip(columns[:, np.newaxis, np.newaxis] + right, 0, width - 1)
    found: Points = values[at_rows, at_columns].astype(np.float64)
    return found
