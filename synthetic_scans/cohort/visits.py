"""Who came when: visits, missed visits, and the events that end or mark a follow-up.

Chances of missing a visit are invented and grow with time. Of the repairs still followed at two
years about 85 % are imaged, a little above the usual aim of 80 % (common practice, no source).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from synthetic_scans.cohort.people import weekday
from synthetic_scans.cohort.records import TIMEPOINTS, Event, EventKind, Repair, Timepoint, Visit
from synthetic_scans.seeds import generator

ENDING: tuple[EventKind, ...] = ("revision", "withdrawal", "death", "lost")

MISSED = {"preop": 0.0, "m03": 0.05, "m06": 0.08, "m12": 0.10, "m24": 0.14}
"""Chance that nobody came."""

ONLY_ONE_PART = 0.05
"""Chance that somebody came and was only scored, and as much that they were only scanned."""

TOO_LATE = 240
"""Day of a visit meant for 6 months that came behind every window."""


@dataclass(frozen=True, slots=True)
class _Share:
    """How many repairs in thirty meet an event, and between which days from operation."""

    kind: EventKind
    per_thirty: int
    first: int
    last: int
    note: str


SHARES = (
    _Share("infection", 1, 12, 40, "superficial, settled with oral antibiotics"),
    _Share("withdrawal", 2, 120, 500, "no longer wishes to take part"),
    _Share("death", 1, 400, 640, "unrelated to the shoulder"),
    _Share("lost", 1, 220, 360, "moved away, letters returned"),
)


def plan_events(repairs: list[Repair], seed: int) -> dict[str, list[Event]]:
    """Return the events of every repair by its code, in order of time.

    A revision stands at the repair it ends, on the day of the new operation. Everything else
    meets patients with one repair only, so that nobody is operated after they died or left.
    """
    rng = generator(seed, "events")
    events: dict[str, list[Event]] = {repair.code: [] for repair in repairs}
    revised = {repair.code.removesuffix("2"): repair for repair in repairs if repair.sequence == 2}
    for code, revision in revised.items():
        events[code].append(Event("revision", revision.operated_on, ""))
    of_patient = Counter(repair.patient.subject for repair in repairs)
    free = [repair for repair in repairs if of_patient[repair.patient.subject] == 1]
    order = [free[place] for place in rng.permutation(len(free))]
    for share in SHARES:
        n_met = min(round(share.per_thirty * len(repairs) / 30), len(order))
        for repair in [order.pop() for _ in range(n_met)]:
            day = repair.operated_on + timedelta(days=int(rng.integers(share.first, share.last)))
            events[repair.code].append(Event(share.kind, day, share.note))
    return {
        code: sorted(found, key=lambda event: event.happened_on) for code, found in events.items()
    }


def too_late(repairs: list[Repair], events: dict[str, list[Event]], seed: int) -> frozenset[str]:
    """Return the codes of repairs whose visit at 6 months comes too late: one in thirty.

    Only repairs without any event are met, so that the visit takes place.
    """
    calm = [repair.code for repair in repairs if not events[repair.code]]
    order = generator(seed, "late").permutation(len(calm))
    return frozenset(calm[place] for place in order[: round(len(repairs) / 30)])


def plan_visits(repair: Repair, events: list[Event], seed: int, *, late: bool) -> tuple[Visit, ...]:
    """Return the visits of one repair that take place before any ending event.

    Parameters
    ----------
    repair, events
        Whose, and what happened to it.
    seed
        Of the study.
    late
        Whether the visit meant for 6 months comes after its window.
    """
    rng = generator(seed, "visits", repair.code)
    ends = [event.happened_on for event in events if event.kind in ENDING]
    last_day = min(ends, default=date.max) - timedelta(days=1)
    planned = [
        _visit(repair, timepoint, rng, late=late and timepoint.name == "m06")
        for timepoint in TIMEPOINTS
    ]
    return until(planned, last_day)


def _visit(repair: Repair, timepoint: Timepoint, rng: np.random.Generator, *, late: bool) -> Visit:
    """Return a visit; every visit draws the same number of random numbers."""
    spread = (timepoint.last - timepoint.first) / 6.0
    normal, miss, part = rng.standard_normal(), rng.random(), rng.random()
    scored_before = int(rng.integers(0, 4))
    target = int(np.clip(timepoint.target + spread * normal, timepoint.first, timepoint.last - 2))
    scanned = weekday(repair.operated_on + timedelta(days=TOO_LATE if late else target))
    if timepoint.name == "preop":
        scanned = min(scanned, repair.operated_on - timedelta(days=1))
    if miss < MISSED[timepoint.name] and not late:
        return Visit(timepoint.name, None, None)
    whole = timepoint.name == "preop" or late
    return Visit(
        timepoint.name,
        scanned if whole or part >= ONLY_ONE_PART else None,
        _before(scanned, scored_before) if whole or part <= 1 - ONLY_ONE_PART else None,
        in_window=not late,
    )


def _before(day: date, days: int) -> date:
    """Return a working day a few days earlier."""
    earlier = day - timedelta(days=days)
    return earlier - timedelta(days=max(0, earlier.weekday() - 4))


def until(visits: Iterable[Visit], last_day: date) -> tuple[Visit, ...]:
    """Return visits without what was after a day, and without those of which nothing is left."""
    kept = (_visit_until(visit, last_day) for visit in visits)
    return tuple(visit for visit in kept if visit.scanned_on or visit.assessed_on)


def _visit_until(visit: Visit, last_day: date) -> Visit:
    scanned, assessed = visit.scanned_on, visit.assessed_on
    return Visit(
        visit.timepoint,
        scanned if scanned and scanned <= last_day else None,
        assessed if assessed and assessed <= last_day else None,
        visit.in_window,
    )
