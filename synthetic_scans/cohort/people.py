"""Invented patients and their repairs: who, when, how torn, how fixed, and which course.

Courses are dealt from a deck with fixed shares, so that even a small demo shows most of them;
the larger tears of older patients fixed by a single row draw the worse cards more often. All
shares and weights are invented; together they give about 3 retears in 10 repairs, inside the
range of published series (McElvany MD et al., Am J Sports Med 2015;43:491-500: mean 26.6 %).
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from synthetic_scans.cohort.courses import GAP_FILLED_ON_DAY, condition
from synthetic_scans.cohort.records import RETEARING, Course, Patient, Repair, Technique
from synthetic_scans.seeds import generator, number
from synthetic_scans.spec import FullThicknessDefect, ShoulderSpec, Side
from synthetic_scans.writing.identities import invent

FIRST_OPERATION = date(2022, 9, 5)
RECRUITMENT_DAYS = 830

SITES = ("H", "Q")

SITE_NAMES = {"H": "Harrowmere Orthopaedic Hospital", "Q": "Quillbrook Infirmary"}
"""Hospitals that do not exist, by code."""

SHARES = {
    Course.HEALS: 0.27,
    Course.STAYS_BRIGHT: 0.20,
    Course.THINS: 0.10,
    Course.TEARS_PARTLY: 0.08,
    Course.FILLS_IN: 0.05,
    Course.RETEARS: 0.10,
    Course.RETEARS_EARLY: 0.06,
    Course.STAYS_FAILED: 0.05,
    Course.FAILS_MEDIALLY: 0.05,
    Course.RETEARS_LATE: 0.04,
}

FAILS_BETWEEN = {
    Course.FILLS_IN: (20, 70),
    Course.STAYS_FAILED: (2, 14),
    Course.RETEARS_EARLY: (21, 70),
    Course.RETEARS: (108, 152),
    Course.FAILS_MEDIALLY: (108, 152),
    Course.RETEARS_LATE: (216, 318),
}
"""First and last possible day on which the repair of each failing course gives way."""

RIGHT_SHARE = 0.62
REVISED_AFTER = (240, 310)
PATIENT_SD = 0.8


def plan_repairs(seed: int, n_repairs: int) -> list[Repair]:
    """Return the repairs of the study in order of operation, revisions among them.

    Of 30 repairs two are second shoulders of the same patients and one is a revision.

    Raises
    ------
    ValueError
        When fewer than one repair is asked for.
    """
    if n_repairs < 1:
        raise ValueError(f"repairs: expected at least 1, found {n_repairs}")
    n_revised = round(n_repairs / 30) if n_repairs >= 15 else int(n_repairs >= 8)
    n_second = round(n_repairs * 0.07)
    n_patients = n_repairs - n_revised - n_second
    rng = generator(seed, "people")
    patients = _patients(seed, n_patients, rng)
    first = _first_operations(seed, patients, rng)
    repairs = _deal_courses(first + _second_shoulders(first, n_second, rng), rng)
    repairs += _revisions(repairs, n_revised, rng)
    return sorted(repairs, key=lambda repair: (repair.operated_on, repair.code))


def _patients(seed: int, n: int, rng: np.random.Generator) -> list[Patient]:
    width = max(2, len(str(n)))
    return [_patient(seed, place, width, rng) for place in range(1, n + 1)]


def _patient(seed: int, place: int, width: int, rng: np.random.Generator) -> Patient:
    site = SITES[int(rng.random() < 0.4)]
    age_days = float(np.clip(rng.normal(61.0, 8.5), 41.0, 79.0)) * 365.25
    invented = invent(generator(seed, "identity", str(place)))
    return Patient(
        subject=f"{site}{place:0{width}d}",
        site=site,
        identity=replace(
            invented,
            patient_id=f"{invented.patient_id[:8]}-{place:0{width}d}",
            birth_date=FIRST_OPERATION + timedelta(days=RECRUITMENT_DAYS / 2 - age_days),
            institution=SITE_NAMES[site],
        ),
    )


def _first_operations(seed: int, patients: list[Patient], rng: np.random.Generator) -> list[Repair]:
    days = np.sort(rng.integers(0, RECRUITMENT_DAYS, len(patients)))
    techniques = _blocks(len(patients), rng)
    return [
        _repair(
            patient,
            _shoulder(seed, patient, rng),
            operated_on=weekday(FIRST_OPERATION + timedelta(days=int(day))),
            technique=technique,
            rng=rng,
        )
        for patient, day, technique in zip(patients, days, techniques, strict=True)
    ]


def _shoulder(seed: int, patient: Patient, rng: np.random.Generator) -> ShoulderSpec:
    side: Side = "right" if rng.random() < RIGHT_SHARE else "left"
    return ShoulderSpec.vary(number(seed, "anatomy", patient.subject), side)


def _blocks(n: int, rng: np.random.Generator) -> list[Technique]:
    """Return techniques in randomised blocks of four."""
    block = [Technique.SINGLE_ROW, Technique.SUTURE_BRIDGE] * 2
    order = [block[place] for _ in range(-(-n // 4)) for place in rng.permutation(4)]
    return order[:n]


def _repair(
    patient: Patient,
    healthy: ShoulderSpec,
    *,
    operated_on: date,
    technique: Technique,
    rng: np.random.Generator,
) -> Repair:
    """Return a first operation whose course is not yet dealt."""
    width = float(np.clip(rng.lognormal(np.log(20.0), 0.38), 8.0, 38.0))
    retraction = float(np.clip(width * rng.uniform(0.55, 1.25), 7.0, 36.0))
    large = max(width, retraction) / 40.0
    return Repair(
        patient=patient,
        side=healthy.side,
        sequence=1,
        operated_on=operated_on,
        technique=technique,
        healthy=healthy,
        tear_width_mm=round(width, 2),
        tear_retraction_mm=round(retraction, 2),
        fat_fraction=float(np.clip(rng.normal(0.04 + 0.22 * large**2, 0.03), 0.01, 0.5)),
        titanium=bool(rng.random() < 0.25),
        anchor_fluid=float(rng.random()) if rng.random() < 0.6 else 0.0,
        pull_out_mm=round(float(rng.uniform(1.5, 5.0)), 2) if rng.random() < 0.15 else 0.0,
        course=Course.HEALS,
        severity=round(float(rng.random()), 3),
        failed_on_day=None,
    )


def weekday(day: date) -> date:
    """Return the day itself, or the Monday after it when it falls on a weekend."""
    return day + timedelta(days=7 - day.weekday() if day.weekday() > 4 else 0)


def _second_shoulders(first: list[Repair], n: int, rng: np.random.Generator) -> list[Repair]:
    """Return operations on the other shoulder of some patients, 5 to 14 months later."""
    early = first[: max(n, len(first) * 2 // 3)]
    chosen = sorted(int(place) for place in rng.permutation(len(early))[:n])
    return [_second_shoulder(early[place], rng) for place in chosen]


def _second_shoulder(one: Repair, rng: np.random.Generator) -> Repair:
    other: Side = "left" if one.side == "right" else "right"
    day = weekday(one.operated_on + timedelta(days=int(rng.integers(150, 420))))
    x, y, z = one.healthy.head_centre_mm
    mirrored = replace(one.healthy, side=other, head_centre_mm=(-x, y, z))
    return _repair(one.patient, mirrored, operated_on=day, technique=one.technique, rng=rng)


def _deal_courses(repairs: list[Repair], rng: np.random.Generator) -> list[Repair]:
    """Deal a deck with fixed shares; the repairs most at risk get the retearing courses."""
    deck = _deck(len(repairs))
    good = [course for course in deck if course not in RETEARING]
    bad = [course for course in deck if course in RETEARING]
    order = np.argsort(_risk(repairs, rng), kind="stable")
    safe, at_risk = order[: len(good)], order[len(good) :]
    bridged_first = sorted(
        rng.permutation(at_risk),
        key=lambda place: repairs[place].technique is Technique.SINGLE_ROW,
    )
    bad.sort(key=lambda course: course is not Course.FAILS_MEDIALLY)
    dealt = dict(zip(rng.permutation(safe).tolist(), good, strict=True))
    dealt |= dict(zip((int(place) for place in bridged_first), bad, strict=True))
    return [_on_course(repair, dealt[place], rng) for place, repair in enumerate(repairs)]


def _deck(n: int) -> list[Course]:
    """Return n courses in their shares, rounded by the largest remainders."""
    exact = {course: share * n for course, share in SHARES.items()}
    counts = {course: int(value) for course, value in exact.items()}
    by_remainder = sorted(exact, key=lambda course: counts[course] - exact[course])
    for course in by_remainder[: n - sum(counts.values())]:
        counts[course] += 1
    return [course for course, count in counts.items() for _ in range(count)]


def _risk(repairs: list[Repair], rng: np.random.Generator) -> NDArray[np.float64]:
    """Return a score that rises with size, age and single row; shoulders of one person share."""
    people = {repair.patient.subject: rng.normal(0.0, PATIENT_SD) for repair in repairs}
    return np.array(
        [
            0.06 * (repair.tear_size_mm - 22.0)
            + 0.04 * (repair.age - 61)
            + 0.5 * (repair.technique is Technique.SINGLE_ROW)
            + people[repair.patient.subject]
            + rng.logistic()
            for repair in repairs
        ]
    )


def _on_course(repair: Repair, course: Course, rng: np.random.Generator) -> Repair:
    first, last = FAILS_BETWEEN.get(course, (0, 0))
    failed = int(rng.integers(first, last + 1)) if last else None
    return replace(repair, course=course, failed_on_day=failed)


def _revisions(repairs: list[Repair], n: int, rng: np.random.Generator) -> list[Repair]:
    """Return second operations of the earliest n repairs that are torn when it is decided."""
    revisions = []
    for repair in sorted(repairs, key=lambda repair: (repair.operated_on, repair.code)):
        after = int(rng.integers(*REVISED_AFTER))
        torn = condition(repair, after).defect
        if torn is not None:
            revisions.append(_revision(repair, after, torn))
    return revisions[:n]


def _revision(repair: Repair, after: int, torn: FullThicknessDefect) -> Repair:
    return replace(
        repair,
        sequence=2,
        operated_on=weekday(repair.operated_on + timedelta(days=after)),
        technique=Technique.SUTURE_BRIDGE,
        tear_width_mm=round(torn.width_mm, 2),
        tear_retraction_mm=round(torn.retraction_mm, 2),
        course=Course.STAYS_BRIGHT,
        failed_on_day=None,
        pull_out_mm=0.0,
    )


def seen_torn_from(repair: Repair) -> tuple[int, int] | None:
    """Return the days from which and until which the tendon is truly discontinuous.

    ``None`` when it never is. The second day is -1 when the gap never closes.
    """
    if repair.failed_on_day is None:
        return None
    closes = GAP_FILLED_ON_DAY if repair.course is Course.FILLS_IN else -1
    return repair.failed_on_day, closes
