"""Constant scores that go with healing.

Parts and their limits: Constant CR, Murley AH, Clin Orthop 1987;214:160-4 (pain 15, activities
20, motion 40, strength 25). The run over time is invented; the difference at two years between
healed and torn repairs is set near the pooled 8.6 points of a meta-analysis (Shoulder Elbow
2018, 12 studies), most of it in strength, as Lichtenberg S et al. found (Knee Surg Sports
Traumatol Arthrosc 2006).
"""

from __future__ import annotations

from datetime import date

import numpy as np

from synthetic_scans.cohort.courses import is_torn
from synthetic_scans.cohort.records import Constant, Repair, Visit
from synthetic_scans.seeds import generator

KEY_DAYS = (-21, 91, 183, 365, 730)

LIMITS = {"pain": 15, "activities": 20, "motion": 40, "strength": 25}

HEALED = {
    "pain": (6.0, 10.0, 12.0, 13.2, 13.6),
    "activities": (9.0, 11.5, 15.0, 17.5, 18.2),
    "motion": (24.0, 22.0, 31.0, 35.5, 36.5),
    "strength": (6.5, 4.0, 9.5, 13.5, 15.0),
}
"""Mean of each part on each of `KEY_DAYS` while the tendon is continuous."""

LOST_WHEN_TORN = {"pain": 0.9, "activities": 1.4, "motion": 2.0, "strength": 4.6}
"""Points lost a year after the tendon gave way; half of them at once."""

PERSON_SD = {"pain": 1.4, "activities": 1.8, "motion": 3.0, "strength": 3.0}
VISIT_SD = {"pain": 1.0, "activities": 1.0, "motion": 2.0, "strength": 1.2}


def plan_scores(repair: Repair, visits: tuple[Visit, ...], seed: int) -> tuple[Constant, ...]:
    """Return the scores of one repair at the visits on which it was assessed."""
    rng = generator(seed, "scores", repair.code)
    person = dict(zip(LIMITS, rng.normal(size=4) * 0.6 + rng.normal() * 0.8, strict=True))
    assessed = [(visit, visit.assessed_on) for visit in visits if visit.assessed_on is not None]
    return tuple(
        Constant(visit.timepoint, day, **_parts(repair, day, person, seed, visit.timepoint))
        for visit, day in assessed
    )


def _parts(
    repair: Repair, assessed: date, person: dict[str, float], seed: int, timepoint: str
) -> dict[str, int]:
    rng = generator(seed, "scores", repair.code, timepoint)
    day = (assessed - repair.operated_on).days
    return {
        name: _part(name, repair, day, person[name] * PERSON_SD[name] + rng.normal() * sd)
        for name, sd in VISIT_SD.items()
    }


def _part(name: str, repair: Repair, day: int, deviation: float) -> int:
    """Return one part as it is scored: whole points, motion in steps of two."""
    expected = float(np.interp(day, KEY_DAYS, HEALED[name])) + deviation
    if name == "strength" and repair.patient.sex == "female":
        expected *= 0.75
    if day >= 0 and is_torn(repair, day) and repair.failed_on_day is not None:
        share = 0.5 + 0.5 * min((day - repair.failed_on_day) / 365.25, 1.0)
        expected -= LOST_WHEN_TORN[name] * share
    step = 2 if name == "motion" else 1
    return int(np.clip(step * round(expected / step), 0, LIMITS[name]))
