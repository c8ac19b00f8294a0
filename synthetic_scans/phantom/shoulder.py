"""The phantom: a shoulder that can be asked what is where, in patient LPS mm."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from synthetic_scans.phantom.assembly import assemble
from synthetic_scans.phantom.implants import Implant, implants
from synthetic_scans.phantom.layers import Palette
from synthetic_scans.phantom.painter import cut, paint_lattice, paint_points
from synthetic_scans.phantom.texture import Texture
from synthetic_scans.phantom.tissue import Sample
from synthetic_scans.planes import JointFrame, joint_frame

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from synthetic_scans.phantom.layers import Layer
    from synthetic_scans.phantom.shapes import Floats
    from synthetic_scans.spec import ShoulderSpec

LATTICE_MM = 3.0
"""Size of the blocks in which a lattice is decided."""


class Phantom:
    """A shoulder in patient LPS mm; satisfies :class:`tissue.Sampled`.

    The answer is a pure function of position: lattice and points agree.

    Parameters
    ----------
    spec
        The shoulder and its condition.

    Raises
    ------
    ValueError
        If a lesion cannot be laid on this cuff with its stated size.
    """

    spec: ShoulderSpec
    joint: JointFrame
    implants: tuple[Implant, ...]
    _layers: tuple[Layer, ...]
    _texture: Texture

    def __init__(self, spec: ShoulderSpec) -> None:
        palette = Palette()
        self.spec = spec
        self.joint = joint_frame(spec)
        self.implants = implants(spec)
        self._layers = assemble(spec, palette)
        self._texture = Texture.of(spec, palette)

    def sample(self, points_mm: NDArray[np.float64]) -> Sample:
        """Tissue at ``points_mm``, (N, 3) patient LPS mm."""
        q = self.joint.to_joint(points_mm).T.astype(np.float32)
        return self._dress(paint_points(self._layers, q), q)

    def sample_lattice(
        self,
        origin: NDArray[np.float64],
        step_i: NDArray[np.float64],
        step_j: NDArray[np.float64],
        step_k: NDArray[np.float64],
        shape: tuple[int, int, int],
    ) -> Sample:
        """Tissue on ``origin + i step_i + j step_j + k step_k``, C order (k fastest)."""
        steps = np.stack([step_i, step_j, step_k]).astype(np.float64) @ self.joint.axes.T
        blocks = cut(self.joint.to_joint(np.asarray(origin)), steps, shape, LATTICE_MM)
        codes = paint_lattice(self._layers, blocks)
        tissue, fat, signal = self._texture.dress_blocks(codes, blocks)
        return Sample(
            blocks.unfold(tissue, shape), blocks.unfold(fat, shape), blocks.unfold(signal, shape)
        )

    def _dress(self, codes: NDArray[np.uint8], q: Floats) -> Sample:
        tissue, fat, signal = self._texture.dress(codes, q)
        return Sample(tissue, fat, signal)
