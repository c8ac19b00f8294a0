"""A gap grown from one click, from layer to layer of the cuff."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from imgtrack.measure.suggest.layer import Layer, gaps

if TYPE_CHECKING:
    from imgtrack.measure.points import Points
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


@dataclass(frozen=True, slots=True)
class Levels:
    """Signal of fluid and of dark tissue in one series around a click."""

    fluid: float
    dark: float

    def share(self, of: float) -> float:
        """Return the signal at a share of the way from dark to fluid."""
        return self.dark + of * (self.fluid - self.dark)


def levels_near(volume: Volume, click: Points) -> Levels:
    """Return the signal of fluid and dark tissue around a click within a series."""
    near = []
    for number, plane in enumerate(volume.stack.planes):
        depth = abs(float(plane.distance(click[np.newaxis])[0]))
        if depth < NEAR_MM:
            middle = plane.to_pixels(click[np.newaxis])[0]
            reach = np.sqrt(NEAR_MM**2 - depth**2) / np.array(plane.spacing)
            low = np.clip(middle - reach, 0, None).astype(int)
            high = np.clip(middle + reach, 0, None).astype(int) + 1
            near.append(volume.image(number)[low[0] : high[0], low[1] : high[1]].ravel())
    dark, muscle, brightest = np.quantile(np.concatenate(near), (0.02, 0.9, 0.9998)).tolist()
    return Levels(fluid=max(brightest, FLUID_OVER_MUSCLE * muscle), dark=dark)


@dataclass(frozen=True, slots=True, eq=False)
class Cut:
    """The gap on one layer: its first and last angle number."""

    layer: Layer
    first: int
    last: int

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
    """The gap on every layer it reaches.

    Attributes
    ----------
    cuts
        In order of the layers; empty when there is no gap at the click.
    is_clear
        Whether fluid is seen there unmixed with tendon.
    """

    cuts: tuple[Cut, ...]
    is_clear: bool


def grown(click: Points, start: int, layer_at: LayerAt, levels: Levels) -> Region:
    """Return the gap that a click lies in.

    Parameters
    ----------
    click
        Shape ``(3,)``, patient LPS mm.
    start
        Number of the layer that holds the click; its two neighbours are tried too.
    layer_at
        Layers by number; neighbours in number must be neighbours in space, with one angle
        meaning one direction on all.
    levels
        Signal of fluid and dark tissue.
    """
    numbers = (start, start - 1, start + 1)
    near = [layer for layer in map(layer_at, numbers) if layer is not None]
    seeds = (_hit(_cuts(layer, levels.share(GROWN_SHARE)), click) for layer in near)
    seed = next((cut for cut in seeds if cut is not None), None)
    if seed is None:
        return Region((), is_clear=False)
    before = reversed(list(_followed(seed, layer_at, -1, levels)))
    return Region(
        cuts=(*before, seed, *_followed(seed, layer_at, +1, levels)),
        is_clear=any(_hit(_cuts(layer, levels.share(CLEAR_SHARE)), click) for layer in near),
    )


def _cuts(layer: Layer, at_least: float) -> tuple[Cut, ...]:
    cuts = (Cut(layer, first, last) for first, last in gaps(layer, at_least))
    return tuple(cut for cut in cuts if cut.length_mm >= SHORTEST_GAP_MM)


def _hit(cuts: tuple[Cut, ...], click: Points) -> Cut | None:
    """Return the cut nearest to a click, when it is near enough."""
    nearest = min(cuts, key=lambda cut: cut.beside_mm(click), default=None)
    is_near = nearest is not None and nearest.beside_mm(click) <= FARTHEST_CLICK_MM
    return nearest if is_near else None


def _followed(seed: Cut, layer_at: LayerAt, step: int, levels: Levels) -> Iterator[Cut]:
    """Yield the gap on the layers that follow one way, until it no longer overlaps."""
    current = seed
    while (layer := layer_at(current.layer.number + step)) is not None:
        cuts = _cuts(layer, levels.share(GROWN_SHARE))
        touching = [cut for cut in cuts if cut.overlaps(current)]
        if not touching:
            return
        current = max(touching, key=lambda cut: cut.length_mm)
        yield current
