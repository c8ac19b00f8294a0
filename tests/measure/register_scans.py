"""Two scans of one phantom between which the patient was moved in a known way.

The follow-up's planes are set anew, a few degrees and millimetres off as by hand, so that its
slices cut the shoulder elsewhere; then its geometry is carried by the known motion. The phantom
and its truth know nothing of `imgtrack`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial.transform import Rotation

from imgtrack.domain.subjects import Side
from imgtrack.measure.motion import RigidTransform
from imgtrack.measure.plane import PlaneGeometry
from imgtrack.measure.registration.likeness import SeriesPair
from imgtrack.measure.stack import Stack
from imgtrack.measure.suggest.volume import Volume
from synthetic_scans.phantom.shoulder import Phantom
from synthetic_scans.planes import PLANES, frames, joint_frame
from synthetic_scans.scanner import Acquisition, acquire
from synthetic_scans.spec import Condition, FullThicknessDefect, ShoulderSpec
from synthetic_scans.study_series import SIZES

SNR = 20.0
HOW = SIZES | {"fair": replace(SIZES["full"], matrix=176, samples=3)}
"""Between quick and full: slices of 3 mm, pixels of 0.85 mm."""

STILL = RigidTransform.about((0, 0, 0), axis=(0, 0, 1), degrees=0)
HEALED = Condition(joint_fluid_mm=0.6)
TORN = Condition(
    defect=FullThicknessDefect(width_mm=18, retraction_mm=20),
    joint_fluid_mm=1.5,
    bursal_fluid_mm=1.0,
)
RAISED = replace(TORN, head_migration_mm=3.0)
"""Torn, and the head has risen by 3 mm against the shoulder blade."""


@dataclass(frozen=True)
class Moved:
    """Scans before and after a known motion of the humerus.

    ``truth`` lays the follow-up on the first scan, patient LPS mm.
    """

    pairs: list[SeriesPair]
    side: Side
    centre: np.ndarray
    truth: RigidTransform

    def error(self, found: RigidTransform) -> tuple[float, float]:
        """How far the head's centre, in mm, and the turn, in degrees, are off."""
        off = self.truth.inverse.then(found)
        return float(np.linalg.norm(off.apply([self.centre])[0] - self.centre)), off.degrees


def moved_scans(seed: int, *, size="quick", later=TORN, planes=PLANES) -> Moved:
    """Scan a drawn shoulder; then in another state, turned by 3 to 12 degrees and shifted."""
    spec = ShoulderSpec.vary(seed, "right" if seed % 2 else "left").with_condition(HEALED)
    rng = np.random.default_rng(seed)
    centre = np.array(spec.head_centre_mm)
    turn = {"axis": rng.normal(size=3), "degrees": rng.uniform(3, 12)}
    move = RigidTransform.about(centre, **turn, shift=rng.normal(0, 5, 3))
    first = _scan(spec, size, planes, STILL, seed)
    follow = _scan(spec.with_condition(later), size, planes, move, seed + 100)
    risen = joint_frame(spec).axes[2] * later.head_migration_mm
    back = RigidTransform.about((0, 0, 0), axis=(0, 0, 1), degrees=0, shift=-risen)
    pairs = [SeriesPair(*each) for each in zip(first, follow, strict=True)]
    return Moved(pairs, Side(spec.side), centre, move.inverse.then(back))


def _scan(spec, size, planes, move, seed) -> list[Volume]:
    rng, phantom = np.random.default_rng(seed), Phantom(spec)
    volumes = []
    for name in planes:
        frame = frames(spec)[name]
        turn = Rotation.from_rotvec(np.deg2rad(rng.normal(0, 2.0, 3)))
        frame = replace(
            frame,
            row=turn.apply(frame.row),
            column=turn.apply(frame.column),
            centre=frame.centre + rng.normal(0, 2.5, 3),
        )
        acquisition = _acquisition(name, size)
        stack = acquire(phantom, acquisition, frame, np.random.default_rng(seed + 7))
        volumes.append(carried(stack, move))
    return volumes


def _acquisition(name, size) -> Acquisition:
    how, wanted = HOW[size], HOW[size].stack(name)
    return Acquisition(
        plane=name,
        n_slices=wanted.n_slices,
        thickness_mm=wanted.thickness_mm,
        gap_mm=wanted.gap_mm,
        matrix=(how.matrix, how.matrix),
        samples=how.samples,
        snr=SNR,
    )


def carried(stack, move: RigidTransform) -> Volume:
    """Return a scanned stack where the patient lies after a motion."""
    planes = tuple(
        PlaneGeometry.from_attributes(
            position=move.apply([position])[0].tolist(),
            orientation=[*move.turn(stack.row), *move.turn(stack.column)],
            pixel_spacing=stack.pixel_spacing,
            rows=stack.pixels.shape[1],
            columns=stack.pixels.shape[2],
            thickness=stack.thickness,
        )
        for position in stack.positions
    )
    return Volume(stack.pixels, Stack(planes))
