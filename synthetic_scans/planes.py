"""The scapula's own frame and the three imaging planes set from it.

Joint frame: right-handed or left-handed as the side demands, millimetres, origin
at the resting humeral head centre, axes *lateral* (along the scapula from its
medial border to the glenoid), *posterior* (normal to the scapular plane) and
*superior*. A left and a right shoulder of the same numbers are mirror images
because their patient coordinates differ in the sign of x only.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, get_args

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from synthetic_scans.spec import ShoulderSpec

PlaneName = Literal["coronal_oblique", "sagittal_oblique", "axial"]
PLANES: tuple[PlaneName, ...] = get_args(PlaneName)


@dataclass(frozen=True, slots=True)
class PlaneFrame:
    """Orientation of one stack of slices, patient LPS.

    Attributes
    ----------
    name
        Plane.
    row
        (3,) unit direction of increasing column index.
    column
        (3,) unit direction of increasing row index.
    centre
        (3,) middle of the stack, mm.
    """

    name: PlaneName
    row: NDArray[np.float64]
    column: NDArray[np.float64]
    centre: NDArray[np.float64]

    @property
    def normal(self) -> NDArray[np.float64]:
        """(3,) unit direction of increasing slice index: row x column."""
        return np.cross(self.row, self.column)


@dataclass(frozen=True, slots=True)
class JointFrame:
    """Rigid link between patient LPS and the joint frame.

    Attributes
    ----------
    origin
        (3,) resting head centre, patient LPS mm.
    axes
        (3, 3) unit rows: lateral, posterior, superior in patient LPS.
    """

    origin: NDArray[np.float64]
    axes: NDArray[np.float64]

    def to_patient(self, local: NDArray[np.float64]) -> NDArray[np.float64]:
        """Joint (..., 3) mm to patient LPS mm."""
        return self.origin + np.asarray(local, dtype=np.float64) @ self.axes

    def to_joint(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Patient LPS (..., 3) mm to joint mm."""
        return (np.asarray(points, dtype=np.float64) - self.origin) @ self.axes.T


def _turn(angle_deg: float, first: int, second: int) -> NDArray[np.float64]:
    """Rotation that takes axis ``first`` towards axis ``second``."""
    cosine, sine = np.cos(np.deg2rad(angle_deg)), np.sin(np.deg2rad(angle_deg))
    turned = np.eye(3)
    turned[first, first] = turned[second, second] = cosine
    turned[first, second], turned[second, first] = sine, -sine
    return turned


def joint_frame(spec: ShoulderSpec) -> JointFrame:
    """Joint frame of a shoulder.

    Rows are built on a left shoulder, where lateral is +x, and mirrored for a
    right one. The scapular angle turns the lateral axis forwards, upward
    rotation lifts it, anterior tilt leans the superior axis forwards.
    """
    tilt = _turn(-spec.anterior_tilt_deg, 2, 1)
    lift = _turn(spec.upward_rotation_deg, 0, 2)
    protract = _turn(-spec.scapular_angle_deg, 0, 1)
    axes = tilt @ lift @ protract
    if spec.side == "right":
        axes = axes * np.array([-1.0, 1.0, 1.0])
    return JointFrame(np.array(spec.head_centre_mm, dtype=np.float64), axes)


def frames(spec: ShoulderSpec) -> dict[str, PlaneFrame]:
    """Imaging planes of a shoulder, keyed by :data:`PLANES`.

    Rows run towards patient left on the coronal oblique and axial planes and
    towards posterior on the sagittal oblique; columns run towards inferior,
    on the axial towards posterior. The sagittal oblique stack is centred so
    that it reaches from the tuberosity past the Y-view.
    """
    joint = joint_frame(spec)
    lateral, posterior, superior = joint.axes
    leftwards = lateral if spec.side == "left" else -lateral
    x, y = np.eye(3)[:2]
    return {
        "coronal_oblique": PlaneFrame(
            "coronal_oblique", leftwards, -superior, joint.to_patient(np.array([-14.0, 0.0, -4.0]))
        ),
        "sagittal_oblique": PlaneFrame(
            "sagittal_oblique", posterior, -superior, joint.to_patient(np.array([-16.0, 0.0, -2.0]))
        ),
        "axial": PlaneFrame("axial", x, y, joint.to_patient(np.array([-8.0, 0.0, -2.0]))),
    }
