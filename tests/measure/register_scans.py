"""Two scans of one phantom between which the humerus was moved in a known way.

The follow-up's planes are set anew, some degrees and millimetres off as by hand, so that its
slices cut the shoulder elsewhere; then its geometry is carried by the known motion of the whole
shoulder. The arm may be turned in its socket as well, and the scans may be made by other
protocols. The phantom and its truth know nothing of `imgtrack`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial.transform import Rotation
from turned_arm import AXIS_OF_THE_ARM, TurnedArm

from imgtrack.domain.subjects import Side
from imgtrack.measure.motion import RigidTransform
from imgtrack.measure.plane import PlaneGeometry
from imgtrack.measure.points import as_vector
from imgtrack.measure.registration.likeness import SeriesPair
from imgtrack.measure.stack import Stack
from imgtrack.measure.suggest.volume import Volume
from synthetic_scans.phantom.implants import implants
from synthetic_scans.phantom.shoulder import Phantom
from synthetic_scans.planes import PLANES, frames, joint_frame
from synthetic_scans.scanner import Acquisition, Artefacts, Metal, acquire, rod
from synthetic_scans.spec import Anchor, Condition, FullThicknessDefect, ShoulderSpec
from synthetic_scans.study_series import SIZES

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

ANCHORS = (
    Anchor(0.0, 3.0, material="titanium", bloom_mm=2.0),
    Anchor(12.0, 3.0, material="titanium", bloom_mm=2.0),
    Anchor(5.0, -6.0, material="titanium", bloom_mm=2.0),
)
"""Two medial anchors and a lateral one, of metal."""


@dataclass(frozen=True)
class Protocol:
    """How a scan is made: a size of the demo's, other noise, pixels, slices and planes.

    ``off_degrees`` and ``off_mm`` are standard deviations of how planes are set off by hand.
    """

    size: str = "quick"
    snr: float = 20.0
    fov_mm: float = 150.0
    matrix: int | None = None
    slices: float = 1.0
    off_degrees: float = 2.0
    off_mm: float = 2.5


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


def moved_scans(
    seed: int,
    *,
    size="quick",
    later=TORN,
    planes=PLANES,
    first=HEALED,
    arm_degrees=0.0,
    shift_mm=5.0,
    again: Protocol | None = None,
) -> Moved:
    """Scan a drawn shoulder; then in another state, turned by 3 to 12 degrees and shifted.

    ``arm_degrees``: how far the arm turns about its length; it tilts a little as well.
    ``again``: the protocol of the follow-up, if it is not that of the first scan.
    """
    spec = ShoulderSpec.vary(seed, "right" if seed % 2 else "left").with_condition(first)
    rng = np.random.default_rng(seed)
    centre = np.array(spec.head_centre_mm)
    turn = {"axis": rng.normal(size=3), "degrees": rng.uniform(3, 12)}
    move = RigidTransform.about(centre, **turn, shift=rng.normal(0, shift_mm, 3))
    arm = _arm(arm_degrees, rng)
    protocol = Protocol(size)
    before = _scan(TurnedArm(spec, Rotation.identity()), protocol, planes, STILL, seed)
    then = TurnedArm(spec.with_condition(later), arm)
    after = _scan(then, again or protocol, planes, move, seed + 100)
    pairs = [SeriesPair(*each) for each in zip(before, after, strict=True)]
    truth = move.inverse.then(_of_the_arm(then).inverse).then(_risen(spec, later).inverse)
    return Moved(pairs, Side(spec.side), centre, truth)


def other_protocol(rng: np.random.Generator, size="full") -> Protocol:
    """Draw another protocol: pixels of 0.44 to 0.8 mm, slices of 2.7 to 4 mm, SNR 12 to 30."""
    return Protocol(
        size,
        snr=rng.uniform(12, 30),
        fov_mm=rng.uniform(140, 180),
        matrix=int(rng.choice([224, 256, 320])),
        slices=rng.uniform(0.9, 1.25),
        off_degrees=4.0,
        off_mm=4.0,
    )


def _arm(degrees: float, rng: np.random.Generator) -> Rotation:
    if not degrees:
        return Rotation.identity()
    axis = np.array(AXIS_OF_THE_ARM) / np.linalg.norm(AXIS_OF_THE_ARM)
    tilt = [*rng.normal(0, 3.0, 2), 0.0]
    return Rotation.from_rotvec(np.deg2rad(degrees * axis + tilt))


def _risen(spec: ShoulderSpec, later: Condition) -> RigidTransform:
    risen = joint_frame(spec).axes[2] * later.head_migration_mm
    return RigidTransform.about((0, 0, 0), axis=(0, 0, 1), degrees=0, shift=risen)


def _of_the_arm(phantom: TurnedArm) -> RigidTransform:
    """Return the turn of the arm in patient LPS mm, about where the head then is."""
    frame = phantom.joint
    turn = frame.axes.T @ phantom.turn.as_matrix() @ frame.axes
    risen = phantom.spec.condition.head_migration_mm
    head = frame.to_patient(np.array([0.0, 0.0, risen]))
    rows = [as_vector(row) for row in turn]
    return RigidTransform((rows[0], rows[1], rows[2]), as_vector(head - turn @ head))


def _scan(arm: TurnedArm, protocol, planes, move, seed) -> list[Volume]:
    rng = np.random.default_rng(seed)
    is_turned = arm.turn.magnitude() > 0
    phantom = arm if is_turned else Phantom(arm.spec)
    volumes = []
    for name in planes:
        frame = frames(arm.spec)[name]
        turn = Rotation.from_rotvec(np.deg2rad(rng.normal(0, protocol.off_degrees, 3)))
        frame = replace(
            frame,
            row=turn.apply(frame.row),
            column=turn.apply(frame.column),
            centre=frame.centre + rng.normal(0, protocol.off_mm, 3),
        )
        acquisition = _acquisition(name, protocol, _metal(arm))
        stack = acquire(phantom, acquisition, frame, np.random.default_rng(seed + 7))
        volumes.append(carried(stack, move))
    return volumes


def _acquisition(name, protocol: Protocol, metal: tuple[Metal, ...]) -> Acquisition:
    how, wanted = HOW[protocol.size], HOW[protocol.size].stack(name)
    matrix = protocol.matrix or how.matrix
    return Acquisition(
        plane=name,
        n_slices=round(wanted.n_slices / protocol.slices),
        thickness_mm=wanted.thickness_mm * protocol.slices,
        gap_mm=wanted.gap_mm * protocol.slices,
        matrix=(matrix, matrix),
        fov_mm=(protocol.fov_mm, protocol.fov_mm),
        samples=how.samples,
        snr=protocol.snr,
        artefacts=Artefacts(metal=metal),
    )


def _metal(arm: TurnedArm) -> tuple[Metal, ...]:
    """Return the metal of the anchors where the arm has carried it."""
    turn = _of_the_arm(arm)
    return tuple(
        sphere
        for each in implants(arm.spec)
        if each.material == "titanium"
        for sphere in rod(
            *(tuple(end) for end in turn.apply([each.head, each.tip]).tolist()), each.diameter / 2
        )
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
