"""Make a study of the phantom's scans and let simulated people read it at the desk."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pytest
from argon2 import PasswordHasher

from imgtrack.cli.demo import steps
from imgtrack.cli.demo.people import DemoClock
from imgtrack.cli.demo.truths import truths_of
from imgtrack.desk import safety
from imgtrack.desk.results import gather, require_results
from imgtrack.domain.protocol import Role
from imgtrack.outcomes.study_data import study_data
from synthetic_scans.cohort import run as cohort_run
from synthetic_scans.cohort.run import Settings
from synthetic_scans.study_series import Size, StackSize

SEED = 26
"""Four repairs of this seed are few scans with every kind of course, a retear among them."""

QUICK = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
"""The least Argon2 allows (RFC 9106, section 3.1), so that tests do not wait for it."""
COARSE = Size(
    matrix=28,
    samples=1,
    coronal=StackSize(15, 4.0, 0.4),
    sagittal=StackSize(19, 4.0, 0.4),
    axial=StackSize(2, 4.0, 8.0),
    radiograph_matrix=16,
    radiograph_step_mm=10.0,
)
"""Slices as thick and as far apart as those of a clinical series, and pixels as few as will do:
simulated people measure from the truth and not from the grey values."""


@dataclass(frozen=True)
class Whole:
    """A study that was read: its tables, what is true of its scans, and how its log stands."""

    data: object
    truths: dict
    faults: list
    sheets: Path


def silent(*_):
    """Tell nobody."""


def run_whole(folder, people, *, repairs, seed=SEED):
    """Return a whole study; the same steps as `imgtrack demo`."""
    places, clock = steps.Places(folder), DemoClock()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(cohort_run, "SIZES", {"quick": COARSE})
        patch.setattr("os.cpu_count", lambda: 1)
        patch.setattr(
            steps, "CHANGES", (*steps.CHANGES, ("max_pixel_mm = 1.4", "max_pixel_mm = 9"))
        )
        steps.make_scans(places, Settings(seed=seed, repairs=repairs, size="quick"), silent)
        with steps.begin(places, clock) as study:
            steps.take_sheets(study, places.sheets, silent)
            steps.take_scans(study, places.sheets / "scans", silent)
            steps.settle_problems(study)
            phrases = steps.phrases_of(study, (Role.READER, Role.ADJUDICATOR))
            steps.give_phrases(study, phrases, hasher=QUICK)
            time = steps.ReadingTime(study, clock, places.sheets, people, phrases, seed)
            time.run(silent)
            require_results(study, "test")
            _, _, faults = safety.verify(study)
            truths = truths_of(study, places.sheets)
            return Whole(study_data(gather(study)), truths, faults, places.sheets)
