"""True measurements of the muscles on the Y-view."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from synthetic_scans.phantom.assembly import WAVES, junctions
from synthetic_scans.phantom.muscles import Belly, bellies, junction_shift
from synthetic_scans.phantom.scapula import CORNER_MM, YView, rounded_contour, y_view
from synthetic_scans.phantom.shapes import polygon_distance
from synthetic_scans.phantom.texture import streak_fat, streak_phase
from synthetic_scans.spec import MUSCLES
from synthetic_scans.truth.measurements import Measurement, patient_points

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from synthetic_scans.phantom.cuff import Cuff
    from synthetic_scans.planes import JointFrame
    from synthetic_scans.spec import Muscle, ShoulderSpec

OUTLINE_POINTS = 180
FAT_GRID_MM = 0.25
Y_PLANE = "sagittal_oblique (Y-view)"


def muscle_measurements(
    spec: ShoulderSpec, sheet: Cuff, joint: JointFrame
) -> tuple[Measurement, ...]:
    """Areas, occupation ratio, tangent distance, fat and retraction."""
    view, lofted = y_view(spec), bellies(spec, sheet)
    return (
        *_areas(view, lofted["supraspinatus"], joint),
        _tangent(view, lofted["supraspinatus"], joint),
        *(_fat(spec, name, lofted[name], view) for name in MUSCLES),
        _junction(spec, sheet, joint),
    )


def _on_view(view: YView, outline: NDArray[np.float64]) -> list[tuple[float, ...]]:
    """(posterior, superior) places of the Y-view as joint points."""
    return [(view.lateral, float(p), float(s)) for p, s in outline]


def _areas(view: YView, belly: Belly, joint: JointFrame) -> tuple[Measurement, ...]:
    muscle, fossa = belly.area(view.lateral), view.fossa_area
    outline = belly.contour(view.lateral, OUTLINE_POINTS)
    cortex = rounded_contour(view.fossa, CORNER_MM, OUTLINE_POINTS)
    return (
        Measurement(
            "supraspinatus_area", muscle, "mm2", patient_points(joint, _on_view(view, outline)),
            Y_PLANE, "outer contour of the supraspinatus",
        ),
        Measurement(
            "fossa_area", fossa, "mm2", patient_points(joint, _on_view(view, cortex)), Y_PLANE,
            "fossa between spine, body and coracoid base, roofed by the fascia",
        ),
        Measurement(
            "occupation_ratio", muscle / fossa, "1", (), Y_PLANE,
            "supraspinatus area over fossa area, fascia as roof",
        ),
    )  # fmt: skip


def _tangent(view: YView, belly: Belly, joint: JointFrame) -> Measurement:
    """Height of the muscle above the line from spine to coracoid; negative below."""
    line = view.spine_top - view.coracoid_top
    upwards = np.array([-line[1], line[0]]) / np.linalg.norm(line)
    outline = belly.contour(view.lateral, 3600)
    heights = (outline - view.coracoid_top) @ upwards
    top = outline[int(np.argmax(heights))]
    points = np.array([view.coracoid_top, view.spine_top, top])
    return Measurement(
        "tangent_height", float(heights.max()), "mm",
        patient_points(joint, _on_view(view, points)), Y_PLANE,
        "highest point of the supraspinatus above the line through the tops of coracoid and spine",
    )  # fmt: skip


def _fat(spec: ShoulderSpec, name: Muscle, belly: Belly, view: YView) -> Measurement:
    """Mean over the belly's section on the Y-view, by summation over a fine grid."""
    low, high = belly.box()
    p, s = np.meshgrid(
        *(np.arange(a, b, FAT_GRID_MM) for a, b in zip(low, high, strict=True)), indexing="ij"
    )
    anchor, scale = belly.at(view.lateral)
    x, y = (p - anchor[0]) / scale[0], (s - anchor[1]) / scale[1]
    inside = polygon_distance(x, y, belly.outline) <= belly.rounding
    q = np.stack([np.full_like(p, view.lateral), p, s])[:, inside]
    stated = np.array(spec.condition.muscle(name).fat_fraction)
    fat = streak_fat(streak_phase(q, np.array(WAVES[name])[:, None]), stated)
    return Measurement(
        f"{name}_fat_fraction", float(fat.mean()), "1", (), Y_PLANE,
        "mean fat fraction of the muscle's section",
    )  # fmt: skip


def _junction(spec: ShoulderSpec, sheet: Cuff, joint: JointFrame) -> Measurement:
    v = junctions(spec, sheet)["supraspinatus"]
    shift = junction_shift(spec, sheet)
    path = [sheet.point(v - shift, 0.0), sheet.point(v, 0.0)]
    return Measurement(
        "supraspinatus_junction_retraction", shift, "mm", patient_points(joint, path),
        "coronal_oblique",
        "medial shift of the muscle-tendon junction along the sheet, in the plane of the crest",
    )  # fmt: skip
