"""Which material is where: point by point, or block by block on a lattice.

On a lattice, blocks of points are decided from their middle wherever every
layer is further away than the block is large. Only blocks that a surface
crosses are looked at point by point, and only for the layers concerned.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeVar

import numpy as np

from synthetic_scans.phantom.layers import EMPTY, Layer

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from synthetic_scans.phantom.shapes import Floats

Scalar = TypeVar("Scalar", bound=np.generic)

COARSE = 4
"""Fine blocks per coarse block along each in-plane direction."""


def paint_points(layers: Sequence[Layer], q: Floats) -> NDArray[np.uint8]:
    """Codes at points ``q`` (3, N)."""
    codes = np.zeros(q.shape[1], dtype=np.uint8)
    waiting = np.arange(q.shape[1])
    for layer in layers:
        found = layer.paint(q[:, waiting])
        codes[waiting] = found
        waiting = waiting[found == EMPTY]
        if waiting.size == 0:
            break
    return codes


@dataclass(frozen=True, slots=True, eq=False)
class Blocks:
    """A lattice cut into equal blocks; padded at the far ends to whole ones.

    Attributes
    ----------
    middles : (3, B)
        Middle of each block, joint mm.
    offsets : (3, M)
        Points of a block relative to its middle.
    radius
        Distance from the middle to the furthest point.
    counts, sizes
        Blocks along, and points per block along, each lattice direction.
    """

    middles: Floats
    offsets: Floats
    radius: float
    counts: tuple[int, int, int]
    sizes: tuple[int, int, int]

    def points(self, chosen: NDArray[np.intp]) -> Floats:
        """Points (3, len(chosen), M) of the chosen blocks."""
        value: Floats = self.middles[:, chosen, None] + self.offsets[:, None, :]
        return value

    def unfold(self, values: NDArray[Scalar], shape: tuple[int, int, int]) -> NDArray[Scalar]:
        """Turn per-block values (B, M) into lattice order, cut to ``shape``, flat."""
        split = values.reshape(*self.counts, *self.sizes).transpose(0, 3, 1, 4, 2, 5)
        whole = split.reshape([c * s for c, s in zip(self.counts, self.sizes, strict=True)])
        return whole[: shape[0], : shape[1], : shape[2]].reshape(-1)


def cut(
    origin: NDArray[np.float64],
    steps: NDArray[np.float64],
    shape: tuple[int, int, int],
    size_mm: float,
) -> Blocks:
    """Cut the lattice ``origin + index @ steps`` (steps: (3, 3) rows) into blocks."""
    lengths = np.linalg.norm(steps, axis=1)
    sizes = tuple(
        int(np.clip(round(size_mm / max(length, 1e-9)), 1, n))
        for length, n in zip(lengths, shape, strict=True)
    )
    counts = tuple(-(-n // s) for n, s in zip(shape, sizes, strict=True))
    inner = np.stack(
        np.meshgrid(*[np.arange(s) - 0.5 * (s - 1) for s in sizes], indexing="ij"), axis=-1
    ).reshape(-1, 3)
    outer = np.stack(
        np.meshgrid(
            *[np.arange(c) * s + 0.5 * (s - 1) for c, s in zip(counts, sizes, strict=True)],
            indexing="ij",
        ),
        axis=-1,
    ).reshape(-1, 3)
    offsets = inner @ steps
    return Blocks(
        middles=(origin + outer @ steps).T.astype(np.float32),
        offsets=np.ascontiguousarray(offsets.T, dtype=np.float32),
        radius=float(np.max(np.linalg.norm(offsets, axis=1))) + 1e-3,
        counts=(counts[0], counts[1], counts[2]),
        sizes=(sizes[0], sizes[1], sizes[2]),
    )


def _group(blocks: Blocks) -> tuple[Floats, float, NDArray[np.intp]]:
    """Coarse blocks: middles (3, C), radius, and the coarse index of every fine block."""
    index = np.stack(np.unravel_index(np.arange(blocks.middles.shape[1]), blocks.counts))
    coarse_counts = [-(-c // COARSE) for c in blocks.counts]
    parent = np.ravel_multi_index(tuple(index // COARSE), coarse_counts)
    total = int(np.prod(coarse_counts))
    share = 1.0 / np.bincount(parent, minlength=total)
    middles = np.stack([np.bincount(parent, row, total) * share for row in blocks.middles])
    reach = np.linalg.norm(blocks.middles - middles[:, parent], axis=0)
    return middles.astype(np.float32), float(reach.max()) + blocks.radius, parent


def paint_lattice(layers: Sequence[Layer], blocks: Blocks) -> NDArray[np.uint8]:
    """Codes (B, M) of all blocks."""
    count, size = blocks.middles.shape[1], blocks.offsets.shape[1]
    codes = np.zeros((count, size), dtype=np.uint8)
    middles, reach, parent = _group(blocks)
    undecided = np.ones(count, dtype=bool)
    for layer in layers:
        near = layer.bound(middles) <= reach
        chosen = np.flatnonzero(near[parent] & undecided)
        if chosen.size:
            _paint_blocks(layer, blocks, chosen, codes, undecided)
    return codes


def _paint_blocks(
    layer: Layer,
    blocks: Blocks,
    chosen: NDArray[np.intp],
    codes: NDArray[np.uint8],
    undecided: NDArray[np.bool_],
) -> None:
    """Paint one layer into the chosen blocks, in place."""
    distance = layer.bound(blocks.middles[:, chosen])
    crossed = distance <= blocks.radius
    if layer.fill is not None:
        code, depth = layer.fill
        whole = distance < -(blocks.radius + depth)
        filled = chosen[whole]
        block_codes = codes[filled]
        block_codes[block_codes == EMPTY] = code
        codes[filled] = block_codes
        undecided[filled] = False
        crossed &= ~whole
    open_blocks = chosen[crossed]
    if open_blocks.size == 0:
        return
    found = layer.paint(blocks.points(open_blocks))
    before = codes[open_blocks]
    after = np.where(before == EMPTY, found, before)
    codes[open_blocks] = after
    undecided[open_blocks] = (after == EMPTY).any(axis=1)
