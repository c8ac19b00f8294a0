"""Which examinations were made, with which series, and what went wrong with a few of them."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np

from synthetic_scans.cohort.courses import condition
from synthetic_scans.cohort.records import Repair, ScanPlan, Technique, Trouble, Visit
from synthetic_scans.seeds import generator
from synthetic_scans.spec import LIMITS, ShoulderSpec

DIXON_SHARE = 0.25
ENHANCED_SHARE = 0.15

LIES_ELSEWHERE_MM = 6.0
TURNS_DEG = {"scapular_angle_deg": 2.5, "upward_rotation_deg": 2.0, "anterior_tilt_deg": 2.0}
"""Standard deviations of where and how a patient lies from one visit to the next."""

METAL_HIDES = {Technique.SINGLE_ROW: 0.55, Technique.SUTURE_BRIDGE: 0.85}
"""How much of the tendon two and four titanium anchors hide (this simulator's own figures)."""


def plan_scans(repair: Repair, visits: tuple[Visit, ...], seed: int) -> tuple[ScanPlan, ...]:
    """Return the examinations of one repair; a radiograph goes with the first after surgery."""
    rng = generator(seed, "scans", repair.code)
    imaged = [(visit, visit.scanned_on) for visit in visits if visit.scanned_on is not None]
    later = [visit.timepoint for visit, _ in imaged if visit.timepoint != "preop"]
    return tuple(
        _scan(repair, visit, scanned, rng, radiograph=visit.timepoint in later[:1])
        for visit, scanned in imaged
    )


def _scan(
    repair: Repair, visit: Visit, scanned: date, rng: np.random.Generator, *, radiograph: bool
) -> ScanPlan:
    day = (scanned - repair.operated_on).days
    dixon, enhanced = rng.random(2)
    metal = METAL_HIDES[repair.technique] if repair.titanium and day >= 0 else 0.0
    return ScanPlan(
        repair=repair.code,
        timepoint=visit.timepoint,
        in_window=visit.in_window,
        scanned_on=scanned,
        state=_lying(repair.healthy, rng).with_condition(condition(repair, day)),
        dixon=bool(dixon < DIXON_SHARE),
        enhanced=bool(enhanced < ENHANCED_SHARE),
        radiograph=radiograph,
        metal=metal,
        trouble=None,
    )


def _lying(healthy: ShoulderSpec, rng: np.random.Generator) -> ShoulderSpec:
    """Return a shoulder as it lies in the scanner this time."""
    x, y, z = np.array(healthy.head_centre_mm) + rng.normal(0.0, LIES_ELSEWHERE_MM, 3)
    turned = {
        name: float(np.clip(getattr(healthy, name) + rng.normal(0.0, sd), *LIMITS[name]))
        for name, sd in TURNS_DEG.items()
    }
    return replace(
        healthy,
        head_centre_mm=(float(x), float(y), float(z)),
        scapular_angle_deg=turned["scapular_angle_deg"],
        upward_rotation_deg=turned["upward_rotation_deg"],
        anterior_tilt_deg=turned["anterior_tilt_deg"],
    )


def plant_troubles(scans: list[ScanPlan], seed: int, *, before: date) -> list[ScanPlan]:
    """Spoil one scan in each of the ways of `Trouble`, of different repairs while they last.

    Only follow-up scans up to a day, without metal, Dixon and Enhanced multi-frame, are
    spoiled, so that every trouble can be told from its neighbours. A study too small for all
    of them has fewer.
    """
    rng = generator(seed, "troubles")
    plain = [
        place
        for place, scan in enumerate(scans)
        if scan.timepoint != "preop"
        and scan.scanned_on <= before
        and not (scan.metal or scan.dixon or scan.enhanced)
    ]
    spoiled = list(scans)
    used: set[str] = set()
    waiting = list(Trouble)
    for place in rng.permutation(np.array(plain, dtype=np.int64)):
        scan = scans[place]
        if waiting and scan.repair not in used:
            used.add(scan.repair)
            spoiled[place] = replace(scan, trouble=waiting.pop(0))
    return spoiled
