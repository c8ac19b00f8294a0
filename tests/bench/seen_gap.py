"""What is seen of a gap beside metal: where the metal leaves the whole thickness of the cuff."""

from __future__ import annotations

import numpy as np

from imgtrack.measure.suggest.volume import Volume
from synthetic_scans.phantom.cuff import cuff
from synthetic_scans.phantom.implants import Implant, implants
from synthetic_scans.phantom.lesions import gap
from synthetic_scans.planes import joint_frame
from synthetic_scans.scanner import Acquisition, rod
from synthetic_scans.scanner.field import PROTON_MHZ_PER_TESLA
from synthetic_scans.spec import ShoulderSpec

STEP_MM = 0.5
HEIGHTS_MM = (0.5, 1.5, 2.5, 3.5)
SHORTEST_MM = 2.0
"""A slice shows a gap that is seen over so much of it; as the tool counts slices."""

BESIDE_METAL_T = 1.5
PRESCRIBED = Acquisition(plane="coronal_oblique")


def seen_places(spec: ShoulderSpec) -> np.ndarray:
    """Return places of a gap, in mid-thickness, that no metal hides; (n, 3) patient LPS mm."""
    columns = _columns(spec)
    hidden = np.zeros(columns.shape[:2], dtype=bool)
    for implant in implants(spec):
        hidden |= is_void(implant, columns)
    return columns[~hidden.any(axis=1)][:, 1:3].mean(axis=1)


def is_hidden(spec: ShoulderSpec, points) -> bool:
    """Return whether metal empties the image at any of some points."""
    return any(bool(is_void(each, np.asarray(points)).any()) for each in implants(spec))


def slices_seen(volume: Volume, places: np.ndarray) -> frozenset[int]:
    """Return the numbers of the slices that show some of the gap, of its seen places."""
    if not len(places):
        return frozenset()
    return frozenset(
        number
        for number, plane in enumerate(volume.stack.planes)
        if (np.abs(plane.distance(places)) < 0.5).sum() * STEP_MM**2 >= SHORTEST_MM
    )


def _columns(spec: ShoulderSpec) -> np.ndarray:
    """Return columns of points through the gap; (n, heights, 3) patient LPS mm."""
    laid, joint = gap(cuff(spec), spec.condition.defect), joint_frame(spec)
    half, remnant = STEP_MM / 2, spec.condition.defect.remnant_mm
    points = [
        [laid.frame.wall_point(across, reach, height) for height in HEIGHTS_MM]
        for across in np.arange(-laid.half_width + half, laid.half_width, STEP_MM)
        for reach in np.arange(
            laid.frame.edge_reach(across, remnant) + half,
            float(laid.medial_edge(np.array(across))),
            STEP_MM,
        )
    ]
    flat = np.array(points).reshape(-1, 3)
    return joint.to_patient(flat).reshape(-1, len(HEIGHTS_MM), 3)


def is_void(implant: Implant, points: np.ndarray) -> np.ndarray:
    """Return where an anchor's bloom or its field empties the image.

    The field is that of ``synthetic_scans.scanner.field``: at 3 T, or at 1.5 T without bloom.
    """
    axis = implant.tip - implant.head
    share = np.clip((points - implant.head) @ axis / (axis @ axis), 0, 1)
    away = np.linalg.norm(points - implant.head - share[..., None] * axis, axis=-1)
    offset = np.zeros(points.shape[:-1])
    radius = implant.diameter / 2
    for metal in rod(tuple(implant.head), tuple(implant.tip), radius):
        off = points - np.array(metal.centre_mm)
        far = np.maximum(np.linalg.norm(off, axis=-1), metal.radius_mm)
        dipole = metal.susceptibility_ppm / 3 * (metal.radius_mm / far) ** 3
        offset += dipole * (3 * (off[..., 2] / far) ** 2 - 1)
    field_t = PRESCRIBED.field_t if implant.bloom > 0 else BESIDE_METAL_T
    lost = np.abs(offset) * PROTON_MHZ_PER_TESLA * field_t > PRESCRIBED.rf_bandwidth_hz / 2
    return lost | (away < radius + implant.bloom)
