"""Analytic test objects with which the scanner itself is checked, as a service engineer would."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from synthetic_scans.phantom.tissue import Sample, Tissue

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import ArrayLike, NDArray


@dataclass(frozen=True, slots=True)
class Target:
    """An object told by a function of position; satisfies :class:`~.tissue.Sampled`.

    Attributes
    ----------
    tell
        Turns (N, 3) patient LPS mm into the sample at these points.
    """

    tell: Callable[[NDArray[np.float64]], Sample]

    def sample(self, points_mm: NDArray[np.float64]) -> Sample:
        """Answer at ``points_mm``, (N, 3) patient LPS mm."""
        return self.tell(points_mm)

    def sample_lattice(
        self,
        origin: NDArray[np.float64],
        step_i: NDArray[np.float64],
        step_j: NDArray[np.float64],
        step_k: NDArray[np.float64],
        shape: tuple[int, int, int],
    ) -> Sample:
        """Answer on a regular lattice in patient LPS mm, last index fastest."""
        i, j, k = (np.arange(n, dtype=np.float64)[:, None] for n in shape)
        points = (i * step_i)[:, None, None] + (j * step_j)[:, None] + k * step_k + origin
        return self.tell(points.reshape(-1, 3))


def uniform(tissue: Tissue, fat_fraction: float = 0.0, tendon_signal: float = 0.0) -> Target:
    """Return an endless block of one tissue."""

    def tell(points: NDArray[np.float64]) -> Sample:
        n = len(points)
        return Sample(
            np.full(n, tissue, dtype=np.uint8),
            np.full(n, fat_fraction, dtype=np.float32),
            np.full(n, tendon_signal, dtype=np.float32),
        )

    return Target(tell)


def half_space(
    point_mm: ArrayLike, normal: ArrayLike, below: Tissue, above: Tissue = Tissue.AIR
) -> Target:
    """Return two tissues that meet in a plane; `above` is the side the normal points to."""
    direction = np.asarray(normal, dtype=np.float64)
    level = float(np.asarray(point_mm, dtype=np.float64) @ direction)
    return _two_tissues(lambda points: points @ direction < level, below, above)


def ball(
    centre_mm: ArrayLike, radius_mm: float, inside: Tissue, outside: Tissue = Tissue.AIR
) -> Target:
    """Return a ball of one tissue in another."""
    centre = np.asarray(centre_mm, dtype=np.float64)

    def within(points: NDArray[np.float64]) -> NDArray[np.bool_]:
        inner: NDArray[np.bool_] = np.square(points - centre).sum(axis=1) < radius_mm**2
        return inner

    return _two_tissues(within, inside, outside)


def fatty_ramp(point_mm: ArrayLike, gradient_per_mm: ArrayLike, middle: float = 0.5) -> Target:
    """Return muscle whose fat fraction rises linearly, from `middle` at a point, within [0, 1]."""
    start = np.asarray(point_mm, dtype=np.float64)
    gradient = np.asarray(gradient_per_mm, dtype=np.float64)

    def tell(points: NDArray[np.float64]) -> Sample:
        fat = np.clip(middle + (points - start) @ gradient, 0, 1).astype(np.float32)
        tissue = np.full(len(points), Tissue.MUSCLE, dtype=np.uint8)
        return Sample(tissue, fat, np.zeros_like(fat))

    return Target(tell)


def _two_tissues(
    choose: Callable[[NDArray[np.float64]], NDArray[np.bool_]], chosen: Tissue, other: Tissue
) -> Target:
    def tell(points: NDArray[np.float64]) -> Sample:
        tissue = np.where(choose(points), np.uint8(chosen), np.uint8(other))
        nothing = np.zeros(len(points), dtype=np.float32)
        return Sample(tissue, nothing, nothing)

    return Target(tell)
