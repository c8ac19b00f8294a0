"""Grades that each scale's own criteria imply for what is true of a shoulder.

Criteria in our words; where a scale gives no number, the rule used is named as
the phantom's own. A scale that does not apply gives no grade.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from synthetic_scans.phantom.cuff import cuff
from synthetic_scans.phantom.lesions import gap
from synthetic_scans.spec import MUSCLES

if TYPE_CHECKING:
    from synthetic_scans.spec import FullThicknessDefect, ShoulderSpec
    from synthetic_scans.truth.implants import AnchorTruth

BRIGHT = 0.15
"""Fluid-like share from which a patch counts as an area of high signal (phantom's own)."""

FAT_LIMITS = (0.05, 0.15, 0.45, 0.55)
"""Upper fat fractions of Goutallier grades 0 to 3. The grades compare fat with muscle by
eye and have no accepted cut-offs: these are the phantom's own, with equality (grade 3)
taken as 45 to 55 percent."""

GradeValue = str | int | float | bool | None


@dataclass(frozen=True, slots=True)
class Grade:
    """A grade on one scale; None where the criteria give none. ``rule`` says why."""

    scale: str
    value: GradeValue
    rule: str


@dataclass(frozen=True, slots=True)
class Evidence:
    """What the criteria look at.

    Attributes
    ----------
    spec
        The shoulder.
    values
        Measurements by name.
    places
        Landmarks, patient LPS mm.
    gap_slices
        Slices that show the defect, by plane, of the acquired stacks.
    anchors
        Truth of the anchors.
    """

    spec: ShoulderSpec
    values: dict[str, float]
    places: dict[str, tuple[float, ...]]
    gap_slices: dict[str, int]
    anchors: tuple[AnchorTruth, ...]


def implied_grades(evidence: Evidence) -> tuple[Grade, ...]:
    """Grades on every scale that applies."""
    defect = evidence.spec.condition.defect
    return (
        *_integrity(evidence),
        *(_tear(evidence, defect) if defect else ()),
        *_partial(evidence),
        *_muscle(evidence),
        _hamada(evidence),
        *(
            Grade(f"peri_anchor_fluid_{number}", anchor.fluid_grade, "see AnchorTruth.fluid_grade")
            for number, anchor in enumerate(evidence.anchors, 1)
        ),
    )


def _integrity(evidence: Evidence) -> tuple[Grade, ...]:
    grade, rule = sugaya_2007(evidence)
    types = ("I", "II", "III", "IV", "V")
    known = grade in types
    return (
        Grade("sugaya_2007", grade, f"Sugaya, J Bone Joint Surg Am 2007;89:953: {rule}"),
        Grade("retear_iv_v", types.index(grade) >= 3 if known else None, "Sugaya IV or V"),
        Grade("failure_iii_v", types.index(grade) >= 2 if known else None, "Sugaya III to V"),
    )


def sugaya_2007(evidence: Evidence) -> tuple[str | None, str]:
    """Sugaya type of the acquired slices and the criterion that decided."""
    if evidence.spec.condition.defect is not None:
        return _discontinuity(evidence.gap_slices)
    healthy = evidence.spec.tendon_mm
    left = min(
        evidence.values["tendon_thickness"],
        evidence.values.get("remaining_thickness", np.inf),
    )
    if left < 0.5 * healthy:
        return "III", "continuous, thinner than half of this patient's healthy tendon"
    if has_high_signal(evidence.spec):
        return "II", "continuous, thick enough, with an area of high signal"
    return "I", "continuous, thick enough, low signal throughout"


def _discontinuity(slices: dict[str, int]) -> tuple[str | None, str]:
    if not {"coronal_oblique", "sagittal_oblique"} <= slices.keys():
        return None, "needs a coronal and a sagittal oblique stack"
    coronal, sagittal = slices["coronal_oblique"], slices["sagittal_oblique"]
    seen = f"gap on {coronal} coronal and {sagittal} sagittal oblique slices"
    if min(coronal, sagittal) == 0:
        return None, f"{seen}: the criteria ask for both series"
    if max(coronal, sagittal) <= 2:
        return "IV", seen
    discordant = " (planes disagree; more than two in either counts)"
    return "V", seen + (discordant if min(coronal, sagittal) <= 2 else "")


def has_high_signal(spec: ShoulderSpec) -> bool:
    """Whether continuous tendon holds an area brighter than tendon."""
    condition = spec.condition
    bright = condition.signal is not None and condition.signal.level >= BRIGHT
    return bright or condition.partial is not None or condition.scar_mm >= 1.0


def _tear(evidence: Evidence, defect: FullThicknessDefect) -> tuple[Grade, ...]:
    width = evidence.values["defect_width"]
    length = evidence.values["defect_retraction"]
    remnant = evidence.values.get("footprint_remnant", 0.0)
    return (
        Grade(
            "cho_pattern", 2 if remnant > 0 else 1,
            "Cho, Am J Sports Med 2010;38:664: 1 bare tuberosity, 2 remnant on the footprint",
        ),
        Grade(
            "patte", patte(evidence),
            "Patte, Clin Orthop 1990;254:81: stump along the axis footprint edge to glenoid rim",
        ),
        Grade(
            "davidson_burkhart", davidson_burkhart(length, width),
            "Davidson, Arthroscopy 2010;26:417: length and width, straight; arthropathy not judged",
        ),
        Grade(
            "deorio_cofield", deorio_cofield(max(length, width)),
            "DeOrio, J Bone Joint Surg Am 1984;66:563: greatest diameter, lower limit included",
        ),
        Grade(
            "tendons", _tendons(evidence.spec, defect),
            "tendons that the back wall has reached at mid-footprint",
        ),
    )  # fmt: skip


def patte(evidence: Evidence) -> int:
    """Retraction stage from landmarks: lateral to the apex 1, to the rim 2, medial 3."""
    edge, rim, apex, stump = (
        np.array(evidence.places[name])
        for name in ("footprint_lateral_edge", "glenoid_superior_rim", "head_apex", "medial_stump")
    )
    axis = (rim - edge) / np.linalg.norm(rim - edge)
    reached, at_apex, at_rim = ((place - edge) @ axis for place in (stump, apex, rim))
    if reached < at_apex:
        return 1
    return 2 if reached < at_rim else 3


def davidson_burkhart(length: float, width: float) -> int:
    """Geometric type of a defect (mm): 1 crescent, 2 longitudinal, 3 massive contracted."""
    if length >= 20.0 and width >= 20.0:
        return 3
    return 1 if length <= width else 2


def deorio_cofield(diameter: float) -> str:
    """Size class of a defect by its greatest diameter, mm."""
    for limit, name in ((10.0, "small"), (30.0, "medium"), (50.0, "large")):
        if diameter < limit:
            return name
    return "massive"


def _tendons(spec: ShoulderSpec, defect: FullThicknessDefect) -> str:
    sheet = cuff(spec)
    laid = gap(sheet, defect)
    _, back, up = laid.frame.wall_point(laid.half_width, 0.5 * sheet.footprint_mm, 0.0)
    turn = np.arctan2(back - sheet.head[1], up - sheet.head[2])
    reached = turn > sheet.borders.supraspinatus_back
    return "supraspinatus+infraspinatus" if reached else "supraspinatus"


def _partial(evidence: Evidence) -> tuple[Grade, ...]:
    partial = evidence.spec.condition.partial
    if partial is None or evidence.spec.condition.defect is not None:
        return ()
    letter = {"articular": "A", "bursal": "B", "intratendinous": "C"}[partial.side]
    depth = round(evidence.values["partial_depth"], 6)
    number = 1 if depth < 3.0 else 2 if depth <= 6.0 else 3
    rule = "Ellman, Clin Orthop 1990;254:64: side and depth below 3, 3 to 6, above 6 mm"
    return (Grade("ellman", f"{letter}{number}", rule),)


def goutallier(fat_fraction: float) -> int:
    """Fatty infiltration grade by the phantom's own limits."""
    return int(np.searchsorted(FAT_LIMITS, fat_fraction, side="right"))


def _muscle(evidence: Evidence) -> tuple[Grade, ...]:
    rule = "Goutallier, Clin Orthop 1994;304:78, by the phantom's own fat fraction limits"
    values = evidence.values
    fatty = {name: goutallier(values[f"{name}_fat_fraction"]) for name in MUSCLES}
    three = [fatty[name] for name in ("supraspinatus", "infraspinatus", "subscapularis")]
    ratio = values["occupation_ratio"]
    return (
        *(Grade(f"goutallier_{name}", grade, rule) for name, grade in fatty.items()),
        Grade(
            "global_fatty_degeneration_index", sum(three) / 3.0,
            "Goutallier, J Shoulder Elbow Surg 2003;12:550: mean of three muscles",
        ),
        Grade(
            "thomazeau", 1 if ratio >= 0.60 else 2 if ratio >= 0.40 else 3,
            "Thomazeau, Acta Orthop Scand 1996;67:264: ratio 0.60 and more, 0.40 and more, less",
        ),
        Grade(
            "tangent_sign_positive", values["tangent_height"] <= 0.0,
            "Zanetti, Invest Radiol 1998;33:163: supraspinatus does not cross the tangent",
        ),
    )  # fmt: skip


def _hamada(evidence: Evidence) -> Grade:
    distance = evidence.values["acromiohumeral_distance"]
    value = 1 if distance >= 6.0 else 2 if distance <= 5.0 else None
    rule = "Hamada, Clin Orthop 1990;254:92: 6 mm and more, 5 mm and less; no grade between"
    return Grade("hamada", value, rule)
