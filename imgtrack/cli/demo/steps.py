"""The steps of the invented study; each can be taken again and does only what is left to do."""

from __future__ import annotations

import os
from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING

from imgtrack.cli.demo.people import DemoClock, SimulatedPerson, desk_of
from imgtrack.cli.demo.truths import truths_of
from imgtrack.desk import study as studies
from imgtrack.desk.cases.allot import allot
from imgtrack.desk.cases.lists import CaseState, my_cases
from imgtrack.desk.cases.shelf import FolderShelf
from imgtrack.desk.intake import correcting
from imgtrack.desk.intake.outcome import Fate
from imgtrack.desk.intake.run import take_in
from imgtrack.desk.people.pass_phrases import STANDARD, needs_old, set_pass_phrase
from imgtrack.desk.registry.enrol import enrol
from imgtrack.desk.registry.events import take_events
from imgtrack.desk.registry.scores import take_scores
from imgtrack.desk.results import gather, require_results
from imgtrack.domain.cases import Case
from imgtrack.domain.imaging import Modality, Scan
from imgtrack.domain.reading import Reading, Round
from imgtrack.domain.series import ScanProblem, ScanProblemKind
from imgtrack.domain.subjects import Repair
from imgtrack.outcomes.compute import compute
from imgtrack.report.places import Places as ReportPlaces
from imgtrack.report.sheets import write_sheets
from imgtrack.report.writing import write_report
from synthetic_scans.cohort.run import Settings, make_cohort

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from argon2 import PasswordHasher

    from imgtrack.cli.demo.people import Report
    from imgtrack.desk.cases.images import Shelf
    from imgtrack.desk.study import Study
    from imgtrack.domain.protocol import Role
    from imgtrack.domain.subjects import Side
    from imgtrack.outcomes.compute import Results
    from imgtrack.report.writing import Written
    from synthetic_scans.readers.people import Reader

COORDINATOR = "C1"
NAME = "Two techniques (invented)"
WASHOUT = timedelta(days=29)
"""One more day than the protocol's washout, after which hidden repeats open."""
SHEETS = (
    (enrol, "enrolment.csv", "repairs enrolled"),
    (take_scores, "scores.csv", "clinical scores taken"),
    (take_events, "events.csv", "events taken"),
)
CHANGES = (
    ("sites = []", 'sites = ["H", "Q"]'),
    ("max_pixel_mm = 0.7", "max_pixel_mm = 1.4"),
    ('["retraction along the head"]', '["retraction along the head", "fat fraction"]'),
)
"""What the invented study says otherwise than the starter's protocol: two hospitals, pixels as
coarse as the small scans have, and the fat fraction where a scan has Dixon images."""


@dataclass(frozen=True, slots=True)
class Places:
    """Where the parts of the invented study lie."""

    folder: Path

    @property
    def sheets(self) -> Path:
        """What the hospitals sent, and what is true of it."""
        return self.folder / "sheets"

    @property
    def study(self) -> Path:
        """The study folder."""
        return self.folder / "study"

    @property
    def report(self) -> Path:
        """The report."""
        return self.folder / "report"


def make_scans(places: Places, settings: Settings, report: Report) -> int:
    """Make sheets and scans; those that are there already stay. Returns how many scans exist."""
    made = make_cohort(
        places.sheets,
        settings,
        jobs=os.cpu_count() or 1,
        progress=lambda done, total: report("making scans", done, total),
    )
    return made.scans


def begin(places: Places, clock: DemoClock) -> Study:
    """Start the study, or open the one that is there."""
    if not (places.study / studies.PROTOCOL_FILE).exists():
        studies.start(places.study, name=NAME, who=COORDINATOR, now=clock).close()
        _edit(places.study / studies.PROTOCOL_FILE)
    study = studies.open_study(places.study, who=COORDINATOR, now=clock)
    clock.catch_up(study)
    return study


def _edit(protocol: Path) -> None:
    text = protocol.read_text("utf-8")
    for old, new in CHANGES:
        text = text.replace(old, new)
    protocol.write_text(text, "utf-8")


def take_sheets(study: Study, sheets: Path, report: Report) -> list[str]:
    """Enrol, take scores and events; return what was filed in words."""
    words = []
    for act, name, what in SHEETS:
        if len((sheets / name).read_text("utf-8").splitlines()) < 2:
            continue  # a few repairs may have no event
        filed = act(study, sheets / name, progress=report)
        words.append(f"{filed.added + filed.unchanged} {what} from {name}")
    return words


def take_scans(study: Study, scans: Path, report: Report) -> int:
    """Send the scans through intake, de-identified; return how many studies came in just now."""
    return take_in(study, [scans], progress=report).count(Fate.TAKEN_IN)


def settle_problems(study: Study) -> int:
    """Settle what keeps scans from being read, as a coordinator who asked the ward."""
    doubts = _doubts(study)
    for scan, kind, side in doubts:
        if kind is ScanProblemKind.SIDE:
            correcting.relabel(study, scan, side=side, reason="the ward says so (invented)")
        else:
            correcting.accept(study, scan, kind, reason="the best there is (invented)")
    return len(doubts)


def _doubts(study: Study) -> list[tuple[str, ScanProblemKind, Side]]:
    """Return scan, kind and operated side of every open problem that blocks a reading."""
    with study.store.look() as look:
        scans = {scan.uid: scan.repair for scan in look.all(Scan)}
        sides = {repair.code: repair.side for repair in look.all(Repair)}
        blocking = {(each.scan, each.kind) for each in look.all(ScanProblem) if each.blocks_reading}
    return [(scan, kind, sides[scans[scan]]) for scan, kind in sorted(blocking)]


def give_phrases(
    study: Study, phrases: dict[str, str], *, hasher: PasswordHasher = STANDARD
) -> None:
    """Set the pass phrase of everyone who has none."""
    for code, phrase in phrases.items():
        desk = desk_of(study, code)
        if not needs_old(desk):
            set_pass_phrase(desk, phrase, hasher=hasher)


def phrases_of(study: Study, roles: Sequence[Role]) -> dict[str, str]:
    """Return the pass phrases of the invented people; no secret, they are told at the end."""
    people = [each for role in roles for each in study.protocol.people(role)]
    return {person.code: f"demo phrase {person.code}" for person in people}


@dataclass(frozen=True, eq=False)
class ReadingTime:
    """The reading of the study by simulated people.

    Attributes
    ----------
    study
        With the coordinator at the desk.
    clock
        The invented time.
    sheets
        Folder with the truth.
    readers
        Two readers and an adjudicator.
    phrases
        Pass phrases by code.
    seed
        The answers follow from it.
    shelf
        Where the images lie; the study's folder when ``None``.
    """

    study: Study
    clock: DemoClock
    sheets: Path
    readers: Sequence[Reader]
    phrases: dict[str, str]
    seed: int
    shelf: Shelf | None = None

    def run(self, report: Report, *, leave: int = 0) -> int:
        """Read, settle, wait for the washout, and read the hidden repeats.

        Parameters
        ----------
        report
            Told who works and how far.
        leave
            Hidden repeats of MR the first reader leaves unread, with what comes after the first of
            them on the list: the next case to be opened is one with something to measure.

        Returns
        -------
        int
            How many readings were signed just now.
        """
        allot(self.study)
        signed = self._everyone(report, leave)
        allot(self.study)  # adds the hidden repeats
        self.clock.move(WASHOUT)
        return signed + self._everyone(report, leave)

    def _everyone(self, report: Report, leave: int) -> int:
        truths = truths_of(self.study, self.sheets)
        began = DemoClock().at
        return sum(
            SimulatedPerson(
                desk_of(self.study, reader.code),
                reader,
                truths,
                self.seed,
                self.clock,
                self.phrases[reader.code],
                began,
                self.shelf,
            ).work(report, leave=self._spared(reader.code, leave))
            for reader in self.readers
        )

    def _spared(self, code: str, leave: int) -> int:
        """Return how many cases, all of them repeats at the end of the list, stay unread."""
        if code != self.readers[0].code or not leave:
            return 0
        with self.study.store.look() as look:
            signed = set(look.values(Reading, "case_code", reader=code))
            modality = {scan.uid: scan.modality for scan in look.all(Scan)}
            repeats = look.where(Case, reader=code, round=Round.REPEAT)
        unread = sorted(
            (case for case in repeats if case.code not in signed),
            key=lambda case: (case.batch, case.place),
        )
        of_mr = [place for place, case in enumerate(unread) if modality[case.scan] is Modality.MR]
        return len(unread) - of_mr[-leave:][0] if of_mr else min(leave, len(unread))

    def left(self) -> int:
        """Return how many cases the first reader has not read."""
        listed = my_cases(desk_of(self.study, self.readers[0].code))
        return sum(case.state is not CaseState.SIGNED for case in listed)


def write_results(study: Study, folder: Path, report: Report) -> tuple[Written, str]:
    """Write the report with all healing sheets; return it, and a repair worth a look."""
    require_results(study, "write the report")
    records, shelf = gather(study), FolderShelf(study.folder)
    with ReportPlaces(folder).writing() as places:
        results = compute(records)
        written = write_report(study, results, folder, shelf=shelf, progress=report)
        write_sheets(study, places.sheets, day=records.today, shelf=shelf, progress=report)
    return written, _worth_a_look(results)


def _worth_a_look(results: Results) -> str:
    """Return the repair with the most assessable scans, one that tore before one that did not."""
    told = results.tables["first_retears"]
    told = told[told["rule"] == "primary"].assign(torn=told["torn_by"] < float("inf"))
    told = told.sort_values(["torn", "assessable_scans"], ascending=False, kind="stable")
    return str(told["repair"].iloc[0])
