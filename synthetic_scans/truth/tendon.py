"""True measurements of tendon and subacromial space."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from synthetic_scans.phantom.cuff import Cuff
from synthetic_scans.phantom.layers import lost_heights
from synthetic_scans.phantom.lesions import Gap, loss, measuring_reach
from synthetic_scans.phantom.scapula import acromion, superior_rim, y_view
from synthetic_scans.phantom.shapes import Vector, vector
from synthetic_scans.truth.measurements import Measurement, patient_points, span

if TYPE_CHECKING:
    from synthetic_scans.planes import JointFrame
    from synthetic_scans.spec import PartialDefect, ShoulderSpec

DEEPEST = "plane through the deepest point of the defect, turned about the lateral axis"
MIDDLE = "middle plane of the lesion (coronal oblique turned about the lateral axis)"


def tendon_measurements(
    spec: ShoulderSpec, sheet: Cuff, joint: JointFrame, laid: Gap | None
) -> tuple[Measurement, ...]:
    """Sizes of the defect, or thickness and partial loss of a continuous tendon."""
    if laid is not None:
        return _gap_measurements(joint, laid)
    partial = spec.condition.partial
    if partial is None:
        return (_thickness(spec, sheet, joint),)
    return (_thickness(spec, sheet, joint), *_partial_measurements(sheet, joint, partial))


def _gap_measurements(joint: JointFrame, laid: Gap) -> tuple[Measurement, ...]:
    frame, across = laid.frame, laid.deepest_across
    edge = frame.edge_reach(across)
    path = frame.path(across, edge, laid.arc)
    across_gap = frame.path(across, laid.lateral, laid.arc)
    walls = width_points(laid)
    found = [
        Measurement(
            "defect_width", span(walls), "mm", patient_points(joint, walls), "sagittal_oblique",
            "front to back between the torn side walls at mid-thickness, straight",
        ),
        Measurement(
            "defect_retraction", span(path), "mm", patient_points(joint, [path[0], path[-1]]),
            DEEPEST, "lateral footprint edge to medial stump on the head surface, straight",
        ),
        Measurement(
            "defect_retraction_arc", _length(frame.path(across, edge, laid.arc, 4001)), "mm",
            patient_points(joint, path), DEEPEST,
            "lateral footprint edge to medial stump along the head surface",
        ),
        Measurement(
            "defect_gap", span(across_gap), "mm",
            patient_points(joint, [across_gap[0], across_gap[-1]]), DEEPEST,
            "lateral stump, or footprint edge where it is bare, to medial stump, straight",
        ),
    ]  # fmt: skip
    if laid.defect.remnant_mm > 0:
        left = frame.path(across, edge, laid.lateral)
        found.append(
            Measurement(
                "footprint_remnant", _length(frame.path(across, edge, laid.lateral, 4001)), "mm",
                patient_points(joint, left), DEEPEST,
                "tendon left on the footprint, along the head surface",
            )
        )  # fmt: skip
    return tuple(found)


def _length(path: list[Vector]) -> float:
    """Length of a path of points."""
    return float(np.sum(np.linalg.norm(np.diff(np.array(path), axis=0), axis=1)))


def width_points(laid: Gap) -> tuple[Vector, Vector]:
    """Return the ends of the width: on the walls, half-way up the tendon, in one sagittal plane."""
    frame, reach = laid.frame, measuring_reach(laid)
    surface = frame.wall_point(laid.half_width, reach, 0.0)
    height = 0.5 * frame.cuff.thickness_at(surface)
    return (
        frame.wall_point(-laid.half_width, reach, height),
        frame.wall_point(laid.half_width, reach, height),
    )


def thickness_place(spec: ShoulderSpec, sheet: Cuff) -> float:
    """Reach, mm, at which thickness is measured in the plane through the crest.

    At the articular margin of the footprint; medial to a partial loss that
    covers it.
    """
    place = sheet.footprint_mm
    partial = spec.condition.partial
    if partial is None:
        return place
    outline, _ = loss(sheet, partial)
    v = sheet.radius * sheet.edge_turn(0.0)
    while float(outline.level(np.array(sheet.point(v + place, 0.0))[:, None])[0]) < 1.05:
        place += 0.5
    return place


def _thickness(spec: ShoulderSpec, sheet: Cuff, joint: JointFrame) -> Measurement:
    v = sheet.radius * sheet.edge_turn(0.0) + thickness_place(spec, sheet)
    inner = sheet.point(v, 0.0)
    outer = sheet.point(v, sheet.thickness_at(inner))
    return Measurement(
        "tendon_thickness", span([inner, outer]), "mm", patient_points(joint, [inner, outer]),
        "coronal_oblique",
        "normal to the sheet above the head's crest, at the articular margin of the footprint",
    )  # fmt: skip


def _partial_measurements(
    sheet: Cuff, joint: JointFrame, partial: PartialDefect
) -> tuple[Measurement, ...]:
    outline, whole = loss(sheet, partial)
    low, high = (
        float(v[0]) for v in lost_heights(partial.side, partial.depth_mm, np.array([whole]))
    )
    lost = [outline.middle(low), outline.middle(high)]
    ends = [outline.frame.point(partial.lateral_mm + v, low) for v in (0.0, partial.length_mm)]
    path = [
        outline.frame.point(partial.lateral_mm + float(v), 0.0)
        for v in np.linspace(0.0, partial.length_mm, 65)
    ]
    reach = partial.lateral_mm + 0.5 * partial.length_mm
    sides = [outline.frame.wall_point(s * outline.half_width, reach, low) for s in (-1.0, 1.0)]
    return (
        Measurement(
            "partial_depth", span(lost), "mm", patient_points(joint, lost), MIDDLE,
            "thickness lost in the middle of the lesion, normal to the sheet",
        ),
        Measurement(
            "remaining_thickness", whole - span(lost), "mm", (), MIDDLE,
            "thickness left in the middle of the lesion",
        ),
        Measurement(
            "partial_length", span(ends), "mm", patient_points(joint, ends), MIDDLE,
            "side to side at the lesion's lower surface, straight",
        ),
        Measurement(
            "partial_length_arc", partial.length_mm, "mm", patient_points(joint, path), MIDDLE,
            "side to side along the head surface",
        ),
        Measurement(
            "partial_width", span(sides), "mm", patient_points(joint, sides), "sagittal_oblique",
            "front to back at the lesion's lower surface, straight",
        ),
    )  # fmt: skip


def acromion_foot(spec: ShoulderSpec) -> tuple[Vector, float]:
    """Point of the acromion nearest the head centre, joint mm, and its distance.

    The flat undersurface reaches several millimetres beyond the foot of the
    perpendicular on all sides, for every migration that a condition accepts.
    """
    plate = acromion(spec)
    head = np.array([0.0, 0.0, spec.condition.head_migration_mm])
    normal = np.array(plate.normal)
    depth = float((head - plate.origin) @ normal)
    reach = abs(depth) - plate.half_thickness - plate.rounding
    return vector(head - np.sign(depth) * reach * normal), reach


def acromiohumeral(spec: ShoulderSpec, joint: JointFrame) -> Measurement:
    """Shortest distance from the acromion to the bony head."""
    foot, reach = acromion_foot(spec)
    head = np.array([0.0, 0.0, spec.condition.head_migration_mm])
    towards = (np.array(foot) - head) / reach
    top = vector(head + spec.head_radius_mm * towards)
    return Measurement(
        "acromiohumeral_distance", reach - spec.head_radius_mm, "mm",
        patient_points(joint, [foot, top]), "any",
        "undersurface of the acromion to the bony head, shortest",
    )  # fmt: skip


def landmarks(
    spec: ShoulderSpec, sheet: Cuff, joint: JointFrame, laid: Gap | None
) -> dict[str, tuple[float, ...]]:
    """Named places, patient LPS mm."""
    view = y_view(spec)
    head = np.array(sheet.head)
    edge = sheet.point(sheet.radius * sheet.edge_turn(0.0), 0.0)
    if laid:
        across = laid.deepest_across
        edge = laid.frame.wall_point(across, laid.frame.edge_reach(across), 0.0)
    places: dict[str, Vector] = {
        "head_centre": sheet.head,
        "head_apex": vector(np.add(head, (0.0, 0.0, spec.head_radius_mm))),
        "footprint_lateral_edge": edge,
        "glenoid_superior_rim": superior_rim(spec),
        "y_view_fork": (view.lateral, float(view.fork[0]), float(view.fork[1])),
        "y_view_spine_top": (view.lateral, float(view.spine_top[0]), float(view.spine_top[1])),
        "y_view_coracoid_top": (
            view.lateral,
            float(view.coracoid_top[0]),
            float(view.coracoid_top[1]),
        ),
    }
    if laid:
        places["medial_stump"] = laid.frame.wall_point(laid.deepest_across, laid.arc, 0.0)
    return dict(zip(places, patient_points(joint, places.values()), strict=True))
