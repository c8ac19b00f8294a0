"""A phantom whose arm is turned in its socket: the humerus moves, the shoulder blade does not.

The bone is turned about the centre of its head. Soft tissue follows in layers that slip on each
other, less the farther they lie from the bone, and not at all from `REACH_MM` on; the blade keeps
its place. Where the blade was before there is muscle. Rough, and meant to be: no tissue outside
the bone may help to find how the bone has turned.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.spatial.transform import Rotation

from synthetic_scans.phantom import scapula as anatomy_scapula
from synthetic_scans.phantom.cuff import cuff
from synthetic_scans.phantom.humerus import humerus
from synthetic_scans.phantom.shapes import Union
from synthetic_scans.phantom.shoulder import Phantom
from synthetic_scans.phantom.tissue import Sample, Tissue
from synthetic_scans.planes import JointFrame
from synthetic_scans.spec import ShoulderSpec

HELD_MM, REACH_MM = 1.0, 22.0
"""Tissue this near to the bone turns with it; tissue farther than the second stays."""

LAYERS = 4
"""How many layers turn."""

AXIS_OF_THE_ARM = (0.05, -0.05, 1.0)
"""Along the shaft: lateral, posterior, superior."""


@dataclass(frozen=True)
class TurnedArm:
    """Satisfies :class:`synthetic_scans.phantom.tissue.Sampled`; ``turn`` is in the joint frame."""

    spec: ShoulderSpec
    turn: Rotation

    @property
    def joint(self) -> JointFrame:
        return self._still.joint

    @property
    def head(self) -> np.ndarray:
        """Its centre, joint mm."""
        return np.array(cuff(self.spec).head)

    def sample(self, points_mm) -> Sample:
        here = self.joint.to_joint(points_mm)
        turned = [each.apply(here - self.head) + self.head for each in self._back]
        samples = [self._still.sample(self.joint.to_patient(points)) for points in turned]
        return self._layered(here, samples)

    def sample_lattice(self, origin, step_i, step_j, step_k, shape) -> Sample:
        steps = np.array([step_i, step_j, step_k]) @ self.joint.axes.T
        start = self.joint.to_joint(origin)
        samples = []
        for back in self._back:
            begin = self.joint.to_patient(back.apply(start - self.head) + self.head)
            turned = back.apply(steps) @ self.joint.axes
            samples.append(self._still.sample_lattice(begin, *turned, shape))
        here = start + np.indices(shape).reshape(3, -1).T @ steps
        return self._layered(here, samples)

    @cached_property
    def _still(self) -> Phantom:
        return Phantom(self.spec)

    @cached_property
    def _back(self) -> list[Rotation]:
        """Turns back to where the tissue of each layer came from, the bone's last."""
        whole = self.turn.as_rotvec()
        return [Rotation.from_rotvec(-whole * layer / LAYERS) for layer in range(LAYERS + 1)]

    @cached_property
    def _shapes(self):
        spec = self.spec
        labrum = anatomy_scapula.Labrum(
            anatomy_scapula.neck(spec), anatomy_scapula.glenoid_radius(spec)
        )
        cartilage = anatomy_scapula.glenoid_cartilage(spec)
        return humerus(spec, cuff(spec)), Union((*anatomy_scapula.bones(spec), cartilage, labrum))

    def _layered(self, here, samples: list[Sample]) -> Sample:
        """Return for each point what its layer brings there; ``here`` in joint mm."""
        bone, blade = self._shapes
        away = (here - self.head).astype(np.float32)
        turns = [(away @ back.as_matrix().T.astype(np.float32) + self.head) for back in self._back]
        turns = [points.astype(np.float32) for points in turns]
        far = bone.distance(turns[-1].T)
        share = np.clip((REACH_MM - far) / (REACH_MM - HELD_MM), 0.0, 1.0)
        layer = np.rint(share * LAYERS).astype(np.intp)
        layer[(far > 0) & (blade.distance(turns[0].T) <= 0)] = 0
        tissue, fat, signal = (
            np.choose(layer, [getattr(each, name) for each in samples])
            for name in ("tissue", "fat_fraction", "tendon_signal")
        )
        slipping = np.flatnonzero((layer > 0) & (far > 0))
        came = np.choose(layer[slipping], [points[slipping].T for points in turns])
        tissue[slipping[blade.distance(came) <= 0]] = Tissue.MUSCLE
        return Sample(tissue, fat, signal)
