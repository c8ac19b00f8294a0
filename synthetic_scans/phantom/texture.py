"""What varies inside a material: fat streaks in muscle, bright signal in tendon."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from synthetic_scans.phantom.cuff import cuff
from synthetic_scans.phantom.lesions import Patch, patch

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from synthetic_scans.phantom.layers import Palette
    from synthetic_scans.phantom.painter import Blocks
    from synthetic_scans.phantom.shapes import Floats
    from synthetic_scans.spec import ShoulderSpec

BENDS = (((0.007, 0.021, -0.013), 5.0), ((0.012, -0.031, 0.043), 1.3))
"""Wave vectors, cycles per mm, and depths of the two bendings of the streaks."""


def triangle(x: Floats) -> Floats:
    """Triangle wave of period 1 between 0 and 0.5, zero at half-integers."""
    value: Floats = np.abs(x - np.floor(x) - np.float32(0.5))
    return value


def streak_phase(q: Floats, wave: Floats) -> Floats:
    """Phase of the streaks at ``q`` (3, N) for wave vectors (3, N) or (3, 1)."""
    phase: Floats = q[0] * wave[0] + q[1] * wave[1] + q[2] * wave[2]
    for (a, p, s), depth in BENDS:
        half = triangle(q[0] * a + q[1] * p + q[2] * s)
        phase = phase + half * half * (3 - 4 * half) * depth
    return phase


def streak_fat(phase: Floats, mean: Floats) -> Floats:
    """Fat fraction at a phase of the streaks.

    Pulses of triangular shape with height ``min(1, 0.4 + 1.2 m)``, where m is
    the smaller of fat and lean share; their mean over a period is exactly
    ``mean``. Above one half the pulses are the lean tissue.
    """
    lesser = np.minimum(mean, 1 - mean)
    height = np.minimum(np.float32(0.4) + np.float32(1.2) * lesser, np.float32(1.0))
    half_width = np.maximum(lesser / height, np.float32(1e-6))
    pulse = height * np.maximum(1 - triangle(phase) / half_width, 0)
    value: Floats = np.where(mean <= 0.5, pulse, 1 - pulse)
    return value


def brightness(bright: Patch, peak: float, q: Floats) -> NDArray[np.float32]:
    """Fluid-like share of a bright patch at points ``q`` (3, N): half its peak on the outline."""
    return (peak / (1.0 + bright.level(q) ** 4)).astype(np.float32)


@dataclass(frozen=True, slots=True, eq=False)
class Texture:
    """Tables by material code.

    Attributes
    ----------
    tissue : (C,) uint8
    mean_fat : (C,) float32
        Zero for materials without streaks.
    wave : (3, C) float32
        Wave vectors of the streaks.
    patchy : (C,) bool
        Materials that carry the bright patch.
    bright, level
        The patch and its peak, if any.
    """

    tissue: NDArray[np.uint8]
    mean_fat: NDArray[np.float32]
    wave: NDArray[np.float32]
    patchy: NDArray[np.bool_]
    bright: Patch | None
    level: float

    @classmethod
    def of(cls, spec: ShoulderSpec, palette: Palette) -> Texture:
        """Tables of a shoulder's palette."""
        streaks = [material.streaks for material in palette.materials]
        change = spec.condition.signal
        return cls(
            tissue=np.array([m.tissue for m in palette.materials], dtype=np.uint8),
            mean_fat=np.array([s.mean if s else 0.0 for s in streaks], dtype=np.float32),
            wave=np.array([s.wave if s else (0.0, 0.0, 0.0) for s in streaks], dtype=np.float32).T,
            patchy=np.array([m.patchy for m in palette.materials], dtype=bool),
            bright=patch(cuff(spec), change) if change else None,
            level=change.level if change else 0.0,
        )

    def fat(self, codes: NDArray[np.uint8], q: Floats) -> NDArray[np.float32]:
        """Fat fraction of streaky materials at points ``q`` (3, N)."""
        phase = streak_phase(q, self.wave[:, codes])
        return streak_fat(phase, self.mean_fat[codes]).astype(np.float32)

    def dress(
        self, codes: NDArray[np.uint8], q: Floats
    ) -> tuple[NDArray[np.uint8], NDArray[np.float32], NDArray[np.float32]]:
        """Tissue, fat fraction and tendon signal of points ``q`` (3, N)."""
        fat = np.zeros(codes.shape, dtype=np.float32)
        signal = np.zeros(codes.shape, dtype=np.float32)
        streaky = np.flatnonzero(self.mean_fat[codes] > 0)
        fat[streaky] = self.fat(codes[streaky], q[:, streaky])
        if self.bright is not None:
            patchy = np.flatnonzero(self.patchy[codes])
            signal[patchy] = brightness(self.bright, self.level, q[:, patchy])
        return self.tissue[codes], fat, signal

    def dress_blocks(
        self, codes: NDArray[np.uint8], blocks: Blocks
    ) -> tuple[NDArray[np.uint8], NDArray[np.float32], NDArray[np.float32]]:
        """Tissue, fat fraction and tendon signal of blocks (B, M)."""
        fat = np.zeros(codes.shape, dtype=np.float32)
        signal = np.zeros(codes.shape, dtype=np.float32)
        block, place = np.nonzero((self.mean_fat > 0)[codes])
        q = blocks.middles[:, block] + blocks.offsets[:, place]
        fat[block, place] = self.fat(codes[block, place], q)
        if self.bright is not None:
            block, place = np.nonzero(self.patchy[codes])
            q = blocks.middles[:, block] + blocks.offsets[:, place]
            signal[block, place] = brightness(self.bright, self.level, q)
        return self.tissue[codes], fat, signal
