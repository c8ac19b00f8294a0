"""The demo study: an invented comparison of two techniques, planned from a seed alone.

Nothing here touches a file or a pixel: a plan of any size is made in moments and is the same on
every machine.
"""

from __future__ import annotations

from datetime import date

from synthetic_scans.cohort.people import plan_repairs
from synthetic_scans.cohort.records import Cohort, RepairRecord, ScanPlan
from synthetic_scans.cohort.scans import plan_scans, plant_troubles
from synthetic_scans.cohort.scores import plan_scores
from synthetic_scans.cohort.visits import plan_events, plan_visits, too_late, until

AS_OF = date(2026, 4, 30)
"""The day on which the invented study is looked at: late operations have no two-year visit."""


def plan_cohort(seed: int, n_repairs: int, *, as_of: date = AS_OF) -> Cohort:
    """Return the whole study as it stood on a day.

    Parameters
    ----------
    seed
        Everything follows from it.
    n_repairs
        Operations, revisions among them; at least 1.
    as_of
        Day after which nothing has happened yet. Operations run from September 2022 into 2025.
        An earlier day gives the same study with its later part missing.

    Raises
    ------
    ValueError
        When fewer than one repair is asked for.
    """
    repairs = plan_repairs(seed, n_repairs)
    events = plan_events(repairs, seed)
    late = too_late(repairs, events, seed)
    visits = {r.code: plan_visits(r, events[r.code], seed, late=r.code in late) for r in repairs}
    planned = [scan for r in repairs for scan in plan_scans(r, visits[r.code], seed)]
    scans: dict[str, list[ScanPlan]] = {r.code: [] for r in repairs}
    for scan in plant_troubles(planned, seed, before=AS_OF):
        scans[scan.repair].append(scan)
    return Cohort(
        seed=seed,
        as_of=as_of,
        records=tuple(
            RepairRecord(
                repair=r,
                visits=until(visits[r.code], as_of),
                events=tuple(e for e in events[r.code] if e.happened_on <= as_of),
                scores=plan_scores(r, until(visits[r.code], as_of), seed),
                scans=tuple(scan for scan in scans[r.code] if scan.scanned_on <= as_of),
            )
            for r in repairs
            if r.operated_on <= as_of
        ),
    )
