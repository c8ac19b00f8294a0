"""What becomes of a repair: its tendon, muscles and implants on any day of the follow-up.

The courses are invented. Their general run follows the trade: the gap closes or opens within
the first half year, signal in a healing tendon falls over the year, the bursa thins over 24
weeks (Tham ER et al., J Shoulder Elbow Surg 2013), fluid round anchors is common
at 6 months and rare at 18 (Am J Sports Med 2019;47:165-72), and fat in the muscle of a torn
tendon grows while that of a healed one stands still.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from synthetic_scans.cohort.records import Course, Repair, Technique
from synthetic_scans.phantom.cuff import cuff
from synthetic_scans.phantom.lesions import Gap, LesionFrame, measuring_reach
from synthetic_scans.spec import (
    Anchor,
    Condition,
    DefectShape,
    FullThicknessDefect,
    MuscleState,
    PartialDefect,
    ShoulderSpec,
    SignalChange,
)

KEY_DAYS = (0.0, 91.0, 183.0, 365.0, 730.0)
GAP_FILLED_ON_DAY = 140
DAYS_TO_GROW = 200.0
FRONT_RIM_MM = 2.0
BLOOM_MM = 5.0
ANCHOR_MM = 4.75
ANCHOR_LENGTH_MM = 15.0
LEAST_FLUID = 0.3
LEAST_FILM_MM = 0.4

Curve = tuple[float, float, float, float, float]


@dataclass(frozen=True, slots=True)
class IntactCurves:
    """How a repair looks while it is continuous, at each of `KEY_DAYS`.

    Attributes
    ----------
    signal
        Fluid-like share inside the tendon, 0 to 1, above what scar shines by itself.
    thickness
        Thickness as a share of the patient's own healthy tendon.
    partial
        Share of the thickness lost on the articular side.
    """

    signal: Curve
    thickness: Curve = (1.0, 1.0, 1.0, 1.0, 1.0)
    partial: Curve = (0.0, 0.0, 0.0, 0.0, 0.0)


_FADING: Curve = (0.25, 0.20, 0.15, 0.0, 0.0)
_BRIGHT: Curve = (0.30, 0.25, 0.25, 0.30, 0.35)

INTACT = {
    Course.HEALS: IntactCurves(_FADING),
    Course.STAYS_BRIGHT: IntactCurves(_BRIGHT),
    Course.THINS: IntactCurves(_BRIGHT, thickness=(1.0, 0.85, 0.65, 0.42, 0.38)),
    Course.TEARS_PARTLY: IntactCurves(_BRIGHT, partial=(0.0, 0.0, 0.40, 0.58, 0.62)),
    Course.FILLS_IN: IntactCurves(_BRIGHT, thickness=(0.6, 0.5, 0.42, 0.45, 0.45)),
    Course.STAYS_FAILED: IntactCurves(_BRIGHT),
    Course.RETEARS_EARLY: IntactCurves(_BRIGHT),
    Course.RETEARS: IntactCurves(_BRIGHT, thickness=(1.0, 0.8, 0.7, 0.7, 0.7)),
    Course.RETEARS_LATE: IntactCurves(_BRIGHT, thickness=(1.0, 0.75, 0.45, 0.4, 0.4)),
    Course.FAILS_MEDIALLY: IntactCurves(_BRIGHT),
}
"""For every course, the tendon as it is while no gap has opened."""


def condition(repair: Repair, day: int) -> Condition:
    """Return the state of a shoulder on a day counted from the operation; before it, torn."""
    defect = _defect(repair, day)
    years = max(day, 0) / 365.25
    torn_share = min(repair.tear_size_mm / 45.0, 1.0)
    return Condition(
        defect=defect,
        partial=_partial(repair, day) if defect is None else None,
        signal=_signal(repair, day) if defect is None else None,
        thickness_mm=_thickness(repair, day) if defect is None else None,
        scar_mm=_scar(repair, day),
        bursal_fluid_mm=_bursa(day, torn=defect is not None),
        joint_fluid_mm=0.9 if defect is not None else 0.5,
        head_migration_mm=_migration(defect),
        supraspinatus=_muscle(repair.fat_fraction, 1.0 - 0.45 * torn_share, defect, years, 1.0),
        infraspinatus=_muscle(
            0.5 * repair.fat_fraction, 1.0 - 0.25 * torn_share, defect, years, 0.5
        ),
        subscapularis=MuscleState(fat_fraction=0.03),
        anchors=_anchors(repair, day) if day >= 0 else (),
    )


def is_torn(repair: Repair, day: int) -> bool:
    """Return whether the tendon has a gap through its thickness on a day."""
    if day < 0:
        return True
    if repair.failed_on_day is None or day < repair.failed_on_day:
        return False
    return repair.course is not Course.FILLS_IN or day < GAP_FILLED_ON_DAY


def _at(curve: Curve, day: int) -> float:
    return float(np.interp(day, KEY_DAYS, curve))


def _defect(repair: Repair, day: int) -> FullThicknessDefect | None:
    if not is_torn(repair, day):
        return None
    if day < 0 or repair.failed_on_day is None:
        width, retraction, remnant = repair.tear_width_mm, repair.tear_retraction_mm, 0.0
    else:
        width, retraction, remnant = _retear_size(repair, day - repair.failed_on_day)
    defect = FullThicknessDefect(
        width_mm=width,
        retraction_mm=retraction,
        shape=_shape(width, retraction),
        remnant_mm=remnant,
    )
    behind = FRONT_RIM_MM + 2.0 * repair.severity
    return replace(defect, centre_mm=_centre(repair.healthy, defect, behind))


def _centre(healthy: ShoulderSpec, defect: FullThicknessDefect, behind_mm: float) -> float:
    """Return where the middle of a gap lies when its front wall leaves a rim of tendon, mm."""
    sheet = cuff(healthy)
    frame = LesionFrame(sheet, 0.0)
    laid = Gap(frame, defect, frame.arc_of_chord(defect.retraction_mm))
    half = 0.5 * defect.width_mm
    _, back, up = frame.wall_point(-half, measuring_reach(laid), 0.5 * sheet.thickness)
    wall = float(np.arctan2(back - sheet.head[1], up - sheet.head[2]))
    return sheet.mid_radius * (sheet.borders.supraspinatus_front - wall) + behind_mm


def _retear_size(repair: Repair, days_torn: int) -> tuple[float, float, float]:
    """Return width, retraction and remnant in mm of a gap that opened some days ago."""
    grown = 0.6 + 0.4 * (1.0 - np.exp(-days_torn / DAYS_TO_GROW))
    if repair.course is Course.FILLS_IN:
        return 5.0 + 2.0 * repair.severity, 4.5 + 1.5 * repair.severity, 0.0
    full = 0.3 + 0.7 * repair.severity
    width = max(float(repair.tear_width_mm * full * grown), 4.0)
    retraction = max(float(repair.tear_retraction_mm * full * grown), 4.0)
    if repair.course is Course.FAILS_MEDIALLY:
        remnant = repair.healthy.footprint_length_mm - 2.0
        return width, min(remnant + max(retraction, 6.0), 48.0), remnant
    return width, retraction, 0.0


def _shape(width: float, retraction: float) -> DefectShape:
    """Return the outline that goes with the proportions (Davidson and Burkhart 2010)."""
    if retraction <= width:
        return "crescent"
    return "u" if retraction < 1.4 * width else "l"


def _signal(repair: Repair, day: int) -> SignalChange | None:
    level = _at(INTACT[repair.course].signal, day)
    if level <= 0.02:
        return None
    return SignalChange(
        level=level, width_mm=8.0 + 6.0 * repair.severity, length_mm=7.0 + 5.0 * repair.severity
    )


def _thickness(repair: Repair, day: int) -> float | None:
    share = _at(INTACT[repair.course].thickness, day)
    return None if share >= 1.0 else share * repair.healthy.tendon_mm


def _partial(repair: Repair, day: int) -> PartialDefect | None:
    share = _at(INTACT[repair.course].partial, day)
    if share <= 0.05:
        return None
    return PartialDefect(
        side="articular",
        depth_mm=share * repair.healthy.tendon_mm,
        width_mm=8.0 + 6.0 * repair.severity,
        length_mm=8.0 + 4.0 * repair.severity,
    )


def _scar(repair: Repair, day: int) -> float:
    """Return how much of the tendon is still scar, mm: gone in a year where healing is easy."""
    if day < 0:
        return 0.0
    after_a_year = max(0.0, 9.0 * (repair.severity - 0.4))
    return float(np.interp(day, KEY_DAYS, (18.0, 16.0, 12.0, after_a_year, 0.0)))


def _bursa(day: int, *, torn: bool) -> float:
    """Return the fluid in the bursa, mm: what swelling leaves, or what a gap lets through."""
    if torn:
        return 1.2
    swelling = float(np.interp(day, (0, 168, 300), (1.2, 0.6, 0.0)))
    return swelling if swelling >= LEAST_FILM_MM else 0.0


def _migration(defect: FullThicknessDefect | None) -> float:
    """Return how far a wide gap lets the head rise, mm (this cohort's own rule)."""
    return 0.0 if defect is None else max(0.0, 0.12 * (defect.width_mm - 15.0))


def _muscle(
    fat: float, bulk: float, defect: FullThicknessDefect | None, years: float, share: float
) -> MuscleState:
    """Return a muscle after some years; ``share`` is how much of the gap's retraction it takes."""
    torn = defect is not None
    gained = (0.06 if torn else 0.01) * years
    wasted = -0.05 * years if torn else 0.03 * min(years, 1.0)
    slid = share * 0.6 * defect.retraction_mm if defect is not None else 0.0
    return MuscleState(
        bulk=float(np.clip(bulk + wasted, 0.25, 1.1)),
        fat_fraction=float(np.clip(fat + gained, 0.01, 0.7)),
        retraction_mm=min(slid, 40.0),
    )


def _anchors(repair: Repair, day: int) -> tuple[Anchor, ...]:
    """Return two anchors of a single row, or a medial and a lateral pair of a bridge.

    A second operation puts its anchors between those of the first, which are taken out.
    """
    shift = 5.0 if repair.sequence == 2 else 0.0
    spread = 5.0 if repair.tear_width_mm < 25 else 8.0
    front, back = shift - spread, shift + spread
    if repair.technique is Technique.SINGLE_ROW:
        places = [(front, 5.0), (back, 5.0)]
    else:
        medial = repair.healthy.footprint_length_mm - 1.0
        places = [(front, medial), (back, medial), (front, -7.0), (back, -7.0)]
    return tuple(
        _anchor(repair, day, ap_mm, lateral_mm, moves=place == 1)
        for place, (ap_mm, lateral_mm) in enumerate(places)
    )


def _anchor(repair: Repair, day: int, ap_mm: float, lateral_mm: float, *, moves: bool) -> Anchor:
    """Return an anchor on a day; fluid that would be a mere film is left out."""
    fluid = repair.anchor_fluid * float(np.interp(day, KEY_DAYS, (0.0, 0.8, 1.0, 0.5, 0.2)))
    wet = fluid >= LEAST_FLUID
    loose = float(np.interp(day, KEY_DAYS, (0.0, 0.7, 1.0, 1.0, 1.0)))
    return Anchor(
        ap_mm=ap_mm,
        lateral_mm=lateral_mm,
        diameter_mm=ANCHOR_MM,
        length_mm=ANCHOR_LENGTH_MM,
        material="titanium" if repair.titanium else "peek",
        bloom_mm=BLOOM_MM if repair.titanium else 0.0,
        tunnel_mm=ANCHOR_MM + (1.0 + fluid if wet else 0.0),
        fluid_mm=ANCHOR_MM + 1.5 + 4.0 * fluid if wet else 0.0,
        fluid_length_mm=ANCHOR_LENGTH_MM * (0.3 + 0.8 * fluid) if wet else 0.0,
        pull_out_mm=repair.pull_out_mm * loose if moves else 0.0,
    )
