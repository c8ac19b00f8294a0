"""A study of many weeks, without images: who reads what gives the same answers in every run.

Run as a program it is one reader at the desk who can be killed: ``long_study.py STUDY READER``
prints the code of each case once it is signed.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable
from datetime import date, timedelta
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "desk"))

from argon2 import PasswordHasher
from reading_desk import PHRASE, Clock, InventedShelf, healed, series_of, torn

from imgtrack.desk import study as studies
from imgtrack.desk.cases.opening import open_next
from imgtrack.desk.people.pass_phrases import set_pass_phrase
from imgtrack.desk.readings.drafts import save_draft
from imgtrack.desk.readings.signing import sign
from imgtrack.domain.cases import Case
from imgtrack.domain.imaging import Modality, Scan
from imgtrack.domain.subjects import Repair, Side
from synthetic_scans.seeds import generator

QUICK = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
"""The least Argon2 allows (RFC 9106, section 3.1), so that tests do not wait for it."""
SHELF = InventedShelf()
READERS = ("R1", "R2", "R3")
PEOPLE = (*READERS, "A1")
CHANGES = {
    "readers_per_scan = 2": "readers_per_scan = 3",
    "repeat_share = 0.1": "repeat_share = 0.0",
}
RETEAR_SHARE, ERROR_SHARE, UNREADABLE_SHARE = 0.2, 0.1, 0.05


def prepare(folder: Path, repairs: int) -> Path:
    """Start a study with three readers and enrol repairs; nothing is imaged yet."""
    studies.start(folder, name="Many weeks", who="C1", now=Clock()).close()
    path = folder / studies.PROTOCOL_FILE
    text = path.read_text("utf-8")
    for old, new in CHANGES.items():
        assert old in text
        text = text.replace(old, new)
    path.write_text(text + '\n[[person]]\ncode = "R3"\nrole = "reader"\n', "utf-8")
    with opened(folder, "C1") as study, study.store.change(who="C1", now=study.now) as change:
        change.add([_repair(number) for number in range(repairs)])
    for who in PEOPLE:
        with opened(folder, who) as study:
            set_pass_phrase(study, PHRASE, hasher=QUICK)
    return folder


def _repair(number: int) -> Repair:
    operated = date(2028, 1, 10) + timedelta(days=number % 300)
    return Repair(f"S{number:03}-R", f"S{number:03}", Side.RIGHT, operated, arm="AB"[number % 2])


def opened(folder: Path, who: str, clock: Clock | None = None) -> studies.Study:
    """Open the study at somebody's desk."""
    return studies.open_study(folder, who=who, now=clock or Clock())


def bring(study: studies.Study, repairs: Iterable[int], timepoints: Iterable[str]) -> list[Scan]:
    """Record scans of repairs at timepoints, each on its target day."""
    days = {point.name: point.target_day for point in study.protocol.timepoint}
    places = {name: place for place, name in enumerate(days)}
    scans = [
        Scan(
            f"2.25.{number + 1}{places[name]}",
            f"S{number:03}-R",
            name,
            _repair(number).operated_on + timedelta(days=days[name]),
            Modality.MR,
        )
        for number in repairs
        for name in timepoints
    ]
    with study.store.change(who=study.who, now=study.now) as change:
        change.add([record for scan in scans for record in (scan, *series_of(scan))])
    return scans


def answers_of(scan: Scan, who: str) -> dict[str, object]:
    """Return what a person answers on a scan: the same in every run."""
    truth = generator(1, scan.repair).random() < RETEAR_SHARE and scan.timepoint not in ("m03",)
    rng = generator(2, scan.repair, scan.timepoint, who)
    if who != "A1" and rng.random() < UNREADABLE_SHARE:
        parts = ("tendon", "thickness", "muscle")
        return {f"adequacy {part}": {"not_assessable": "motion"} for part in parts}
    is_torn = bool(truth) != (who != "A1" and rng.random() < ERROR_SHARE)
    return torn() if is_torn or scan.timepoint == "preop" else healed()


def read_list(study: studies.Study, clock: Clock, *, tell: bool = False) -> int:
    """Read, draft and sign everything on a list; return how many cases that were."""
    done = 0
    while (case := open_next(study, shelf=SHELF)) is not None:
        with case:
            with study.store.look() as look:
                scan = look.get(Scan, look.get(Case, case.code).scan)
            given = answers_of(scan, study.who)
            asked = {name: each for name, each in given.items() if name in case.form.names}
            save_draft(study, case, asked)
            clock.move(minutes=1)
            sign(study, case, PHRASE)
        done += 1
        if tell:
            print(case.code, flush=True)
    return done


if __name__ == "__main__":
    at = Clock()
    with opened(Path(sys.argv[1]), sys.argv[2], at) as desk:
        read_list(desk, at, tell=True)
