"""A whole study as records, invented: repairs, scans, readings with errors, verdicts, scores.

Truth is drawn first: about one repair in five tears between two visits. Readers see the grade or
a neighbour of it and lengths with 1.5 mm of error; where they differ by the protocol's rule, an
adjudicator sees the truth. Nothing here is meant to be like patients.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np

from imgtrack.domain.form import form_for
from imgtrack.domain.imaging import Modality, Scan, Stage
from imgtrack.domain.reading import Reading, Round, Verdict
from imgtrack.domain.subjects import Event, EventKind, Repair, Score, Sex, Side
from imgtrack.domain.verdicts import decide, settling_needed

GRADES = ("I", "II", "III", "IV", "V")
ADEQUATE = {"value": "adequate"}
FIRST_DAY = date(2027, 1, 4)
READ_AT = datetime(2031, 3, 1, 9, tzinfo=UTC)


@dataclass(frozen=True)
class Course:
    """What is true of one repair: its grade at each visit, and its width and retraction."""

    grades: tuple[int, ...]
    width: float
    retraction: float


def records(protocol: Any, repairs: int, seed: int = 7) -> list[Any]:
    """Return the records of a study: two repairs of every twelfth patient, some scans missed."""
    rng = np.random.default_rng(seed)
    forms = {
        before: form_for(protocol, Modality.MR, before_repair=before) for before in (True, False)
    }
    found: list[Any] = []
    for number in range(repairs):
        repair = _repair(rng, number)
        course = _course(rng, len(protocol.timepoint), repair.tear_size_mm or 0)
        found.append(repair)
        found += _events(rng, repair)
        for place, point in enumerate(protocol.timepoint):
            found += _score(rng, repair, point, course.grades[place])
            if rng.random() < 0.06 + 0.03 * place:
                continue
            found += _visit(rng, protocol, forms, repair, point=point, course=course, place=place)
    return found


def _repair(rng: np.random.Generator, number: int) -> Repair:
    twice = number % 12 == 11
    subject = f"S{number - 1 if twice else number:04}"
    side = Side.LEFT if twice else Side.RIGHT
    return Repair(
        f"{subject}-{side.value[0].upper()}",
        subject,
        side,
        FIRST_DAY + timedelta(days=int(rng.integers(0, 500))),
        site="",
        sex=Sex.FEMALE if rng.random() < 0.45 else Sex.MALE,
        age_years=int(rng.integers(45, 78)),
        tear_size_mm=float(np.round(rng.gamma(6, 3.6), 1)),
        tendons=("supraspinatus",),
        technique=("single row", "double row")[number % 2],
        arm=("single row", "double row")[number % 2],
    )


def _course(rng: np.random.Generator, visits: int, size: float) -> Course:
    grade = int(rng.integers(0, 3))
    torn_from = int(rng.integers(1, visits)) if rng.random() < 0.08 + size / 120 else visits
    torn = 3 + int(rng.random() < 0.4)
    grades = tuple(torn if place >= torn_from else grade for place in range(visits))
    return Course(grades, 8 + 16 * rng.random(), 8 + 18 * rng.random())


def _events(rng: np.random.Generator, repair: Repair) -> Iterator[Event]:
    if rng.random() < 0.04:
        day = repair.operated_on + timedelta(days=int(rng.integers(100, 700)))
        yield Event(repair.code, EventKind.LOST, day)


def _score(rng: np.random.Generator, repair: Repair, point: Any, grade: int) -> Iterator[Score]:
    if rng.random() < 0.1:
        return
    total = 45 + 35 * min(1, max(0, point.target_day) / 365) - 7 * (grade >= 3)
    day = repair.operated_on + timedelta(days=point.target_day)
    value = float(np.clip(np.round(rng.normal(total, 9)), 0, 100))
    yield Score(repair.code, "constant", point.name, day, value, {})


def _visit(rng, protocol, forms, repair, *, point, course, place) -> Iterator[Any]:
    low, high = point.window
    day = int(np.clip(point.target_day + rng.normal(0, 8), low, high))
    uid = f"2.25.{int(repair.operated_on.strftime('%Y%m%d'))}{abs(hash_of(repair.code))}{place}"
    scan = Scan(uid, repair.code, point.name, repair.operated_on + timedelta(days=day), Modality.MR)
    form = forms[point.target_day < 0]
    how = {"course": course, "place": place, "protocol": protocol}
    readings = [_reading(rng, scan, reader, **how) for reader in ("R1", "R2")]
    if settling_needed(form, readings, protocol) is not None:
        readings.append(_reading(rng, scan, "A1", **how, round_=Round.SETTLING))
    if rng.random() < protocol.reading.repeat_share:
        readings.append(_reading(rng, scan, "R1", **how, round_=Round.REPEAT))
    decision = decide(form, readings, protocol)
    yield Scan(*_fields(scan), Stage.FINAL)
    yield from readings
    if decision is not None:
        yield Verdict(
            f"{uid}/1",
            uid,
            decision.rule.value,
            decision.answers,
            decision.readings,
            "A1" if len(decision.readings) > 2 else "protocol",
            READ_AT + timedelta(days=9),
        )


def hash_of(code: str) -> int:
    return int.from_bytes(code.encode(), "big") % 10**12


def _fields(scan: Scan) -> tuple[Any, ...]:
    return scan.uid, scan.repair, scan.timepoint, scan.acquired_on, scan.modality


def _reading(rng, scan, reader, *, course, place, protocol, round_=Round.FIRST) -> Reading:
    grade = course.grades[place]
    if round_ is not Round.SETTLING and rng.random() < 0.15:
        grade = int(np.clip(grade + rng.choice([-1, 1]), 0, 4))
    later = {Round.FIRST: 0, Round.SETTLING: 5, Round.REPEAT: 45}[round_]
    at = READ_AT + timedelta(days=later, minutes=int(rng.integers(0, 5000)))
    answers = _answers(rng, grade, course, place == 0)
    return Reading(
        key=f"{scan.uid}-{reader}-{round_.value}",
        scan=scan.uid,
        reader=reader,
        round=round_,
        answers=answers,
        protocol_hash=protocol.hash,
        software_version="0",
        began_at=at,
        signed_at=at + timedelta(minutes=6),
        source="invented",
        proposals=_proposed(answers) if reader == "R1" else None,
    )


def _proposed(answers: dict[str, Any]) -> dict[str, Any]:
    """Return a width that was proposed 1 mm too short, and moved."""
    if "mm" not in answers.get("tear width", {}):
        return {}
    short = answers["tear width"] | {"mm": answers["tear width"]["mm"] - 1}
    shown = {"value": short, "before": {}, "decision": "accepted", "fate": "accepted and moved"}
    return {"tear width": [shown]}


def _answers(rng: np.random.Generator, grade: int, course: Course, before: bool) -> dict[str, Any]:
    unseen = not before and rng.random() < 0.03
    answers: dict[str, Any] = {
        "adequacy tendon": {"not_assessable": "motion"} if unseen else ADEQUATE,
        "goutallier supraspinatus": {"value": str(int(rng.integers(0, 4)))},
    }
    if unseen:
        return answers | {"sugaya": {"not_assessable": "motion", "because": "adequacy tendon"}}
    is_torn = before or grade >= 3
    words = "full-thickness defect" if is_torn else "no full-thickness defect"
    answers["tendon defect"] = {"value": words}
    if not before:
        answers["sugaya"] = {"value": GRADES[grade]}
    if is_torn:
        answers |= {
            "tear width": _length(rng, course.width),
            "straight retraction": _length(rng, course.retraction),
            "patte_stage": {"value": "1" if course.retraction < 16 else "2"},
        }
        if not before:
            answers["retear_pattern"] = {"value": "1" if course.width < 14 else "2"}
    else:
        answers["tendon thickness"] = _length(rng, 6 - grade, 0.4)
    return answers


def _length(rng: np.random.Generator, mm: float, error: float = 1.5) -> dict[str, Any]:
    value = float(max(0.5, rng.normal(mm, error)))
    return {"mm": value, "points": [], "images": [], "origin": "imported"}
