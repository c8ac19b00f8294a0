"""A gap grown from one click, from layer to layer of the cuff."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from imgtrack.measure.suggest.layer import Layer, gaps

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from imgtrack.measure.points import Points
    from imgtrack.measure.suggest.void import Voids
    from imgtrack.measure.suggest.volume import Volume

LayerAt = Callable[[int], Layer | None]
"""The layer of a number, or ``None`` where there is none."""

FARTHEST_CLICK_MM = 3.0
"""How far beside a gap, along the head, a click may lie."""

SHORTEST_GAP_MM = 2.0
"""A gap that shows over less than this along the head is not counted on a slice; our choice."""

NEAR_MM = 60.0
"""Around the click, the piece of a series from which the signal of fluid and tendon is taken."""

CLEAR_SHARE, GROWN_SHARE = 0.72, 0.47
"""Shares of the way from dark to fluid: from the first up a click's place is fluid, from the
second up the gap grows on, where a slice shows gap and tendon mixed. Muscle lies below both on
fluid-sensitive images; our choice."""

FLUID_OVER_MUSCLE = 2.2
"""Fluid is at least so much brighter than muscle on fat-suppressed fluid-sensitive images; keeps
muscle and scar from being taken for fluid where there is hardly any. Our choice."""


BRIGHT_OVER_MUSCLE, FLUID_NEAR_MM = 1.5, 8.0
"""Beside metal: signal so much brighter than muscle, this near to the click, is fluid; its median
is taken for the fluid's signal. Our choice."""

PAST_END_MM = 1.5
"""An end of a gap is hidden when metal hides the cuff from so little past it on."""

HALF = 0.5
HIDDEN_AT_MM = 2.0
"""Height above the head at which it is asked whether metal hides the cuff."""


@dataclass(frozen=True, slots=True)
class Levels:
    """Signal of fluid and of dark tissue in one series around a click."""

    fluid: float
    dark: float

    def share(self, of: float) -> float:
        """Return the signal at a share of the way from dark to fluid."""
        return self.dark + of * (self.fluid - self.dark)


def levels_near(volume: Volume, click: Points, voids: Voids) -> Levels:
    """Return the signal of fluid and dark tissue around a click within a series.

    The brightest signal is fluid, but not where there is metal: it piles signal up and leaves fat
    unsuppressed. There the fluid at the click tells.
    """
    around = np.concatenate(list(_around(volume, click)))
    dark, muscle, brightest = np.quantile(around, (0.02, 0.9, 0.9998)).tolist()
    if voids.are_any:
        brightest = _fluid_at(volume, click, BRIGHT_OVER_MUSCLE * muscle)
    return Levels(fluid=max(brightest, FLUID_OVER_MUSCLE * muscle), dark=dark)


def _around(volume: Volume, click: Points) -> Iterator[Points]:
    """Yield, slice by slice, the signal of a square about a click."""
    for number, plane in enumerate(volume.stack.planes):
        depth = abs(float(plane.distance(click[np.newaxis])[0]))
        if depth < NEAR_MM:
            middle = plane.to_pixels(click[np.newaxis])[0]
            reach = np.sqrt(NEAR_MM**2 - depth**2) / np.array(plane.spacing)
            low = np.clip(middle - reach, 0, None).astype(int)
            high = np.clip(middle + reach, 0, None).astype(int) + 1
            yield volume.image(number)[low[0] : high[0], low[1] : high[1]].ravel()


def _fluid_at(volume: Volume, click: Points, at_least: float) -> float:
    """Return the median of what is bright near a click; ``at_least`` when nothing is."""
    steps = np.arange(-FLUID_NEAR_MM, FLUID_NEAR_MM + 1)
    cube = np.stack(np.meshgrid(steps, steps, steps), axis=-1).reshape(-1, 3)
    ball = cube[np.linalg.norm(cube, axis=1) <= FLUID_NEAR_MM]
    near = volume.at(click + ball)
    bright = near[near >= at_least]
    return float(np.median(bright)) if bright.size else at_least


@dataclass(frozen=True, slots=True, eq=False)
class Cut:
    """The gap on one layer.

    Attributes
    ----------
    layer
        Where it is seen.
    first, last
        Its first and last angle number.
    hidden_ends
        Whether metal hides the cuff at the first and at the last.
    """

    layer: Layer
    first: int
    last: int
    hidden_ends: tuple[bool, bool] = (False, False)

    @property
    def length_mm(self) -> float:
        """Length along the head."""
        return (self.last - self.first + 1) * self.layer.step_mm

    def overlaps(self, other: Cut) -> bool:
        """Whether two cuts have an angle in common."""
        angles, others = self.layer.angles, other.layer.angles
        starts_before_end = angles[self.first] <= others[other.last]
        return bool(starts_before_end and others[other.first] <= angles[self.last])

    def beside_mm(self, click: Points) -> float:
        """How far along the head a click lies beside the cut; 0 within it."""
        angle, angles = self.layer.angle_of(click), self.layer.angles
        outside = max(angles[self.first] - angle, angle - angles[self.last], 0.0)
        return float(outside) * self.layer.radius_mm


@dataclass(frozen=True, slots=True, eq=False)
class Region:
    """The gap on every layer that shows it.

    Attributes
    ----------
    cuts
        In order of the layers; empty when there is no gap at the click.
    is_clear
        Whether fluid is seen there unmixed with tendon.
    """

    cuts: tuple[Cut, ...]
    is_clear: bool


@dataclass(frozen=True, slots=True, eq=False)
class Ground:
    """Layers in which a gap may grow.

    Attributes
    ----------
    layer_at
        Layers by number; neighbours in number must be neighbours in space, with one angle
        meaning one direction on all.
    levels
        Signal of fluid and dark tissue.
    voids
        What metal hides on them.
    """

    layer_at: LayerAt
    levels: Levels
    voids: Voids

    def cuts(self, layer: Layer, share: float) -> tuple[Cut, ...]:
        """Return where a layer shows fluid from a share of the way from dark to fluid up."""
        step = layer.step_mm
        hidden = self.hidden(layer)
        seen = [
            (first, last)
            for first, last in gaps(layer, self.levels.share(share))
            if (last - first + 1) * step >= SHORTEST_GAP_MM
        ]
        past = round(PAST_END_MM / step)
        return tuple(
            Cut(
                layer,
                first,
                last,
                (
                    bool(hidden[max(first - past, 0) : first + 1].any()),
                    bool(hidden[last : last + past + 1].any()),
                ),
            )
            for first, last in seen
        )

    def hidden(self, layer: Layer) -> NDArray[np.bool_]:
        """Return whether metal hides the cuff at each angle of a layer."""
        if not self.voids.are_any:
            return np.zeros(layer.angles.size, dtype=np.bool_)
        return self.voids.hide(layer.points(HIDDEN_AT_MM))

    def hides(self, cut: Cut, number: int) -> bool:
        """Return whether metal hides half or more of a cut's angles on another layer."""
        layer = self.layer_at(number) if self.voids.are_any else None
        if layer is None:
            return False
        first, last = cut.layer.angles[[cut.first, cut.last]]
        there = (layer.angles >= first) & (layer.angles <= last)
        return bool(there.any() and self.hidden(layer)[there].mean() >= HALF)


def grown(click: Points, start: int, ground: Ground) -> Region:
    """Return the gap that a click lies in.

    Parameters
    ----------
    click
        Shape ``(3,)``, patient LPS mm.
    start
        Number of the layer that holds the click; its two neighbours are tried too.
    ground
        The layers.
    """
    numbers = (start, start - 1, start + 1)
    near = [layer for layer in map(ground.layer_at, numbers) if layer is not None]
    seeds = (_hit(ground.cuts(layer, GROWN_SHARE), click) for layer in near)
    seed = next((cut for cut in seeds if cut is not None), None)
    if seed is None:
        return Region((), is_clear=False)
    before = reversed(list(_followed(seed, ground, -1)))
    return Region(
        cuts=(*before, seed, *_followed(seed, ground, +1)),
        is_clear=any(_hit(ground.cuts(layer, CLEAR_SHARE), click) for layer in near),
    )


def _hit(cuts: tuple[Cut, ...], click: Points) -> Cut | None:
    """Return the cut nearest to a click, when it is near enough."""
    nearest = min(cuts, key=lambda cut: cut.beside_mm(click), default=None)
    is_near = nearest is not None and nearest.beside_mm(click) <= FARTHEST_CLICK_MM
    return nearest if is_near else None


def _followed(seed: Cut, ground: Ground, step: int) -> Iterator[Cut]:
    """Yield the gap on the layers that follow one way, until it no longer overlaps."""
    current = seed
    while (layer := ground.layer_at(current.layer.number + step)) is not None:
        cuts = ground.cuts(layer, GROWN_SHARE)
        touching = [cut for cut in cuts if cut.overlaps(current)]
        if not touching:
            return
        current = max(touching, key=lambda cut: cut.length_mm)
        yield current
