"""Simulated people at the desk: they open, draft and sign as the window does."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np

from imgtrack.cli.demo.answers import fill_in
from imgtrack.desk.cases.lists import CaseState, my_cases
from imgtrack.desk.cases.opening import open_next
from imgtrack.desk.readings.drafts import save_draft
from imgtrack.desk.readings.signing import sign
from imgtrack.domain.cases import Case
from imgtrack.domain.form import names
from imgtrack.domain.imaging import Modality
from imgtrack.domain.reading import Reading
from synthetic_scans.readers.people import read

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from typing import Any

    from imgtrack.cli.demo.truths import ScanTruth
    from imgtrack.desk.cases.images import Shelf
    from imgtrack.desk.cases.screen import BlindCase
    from imgtrack.desk.study import Study
    from synthetic_scans.readers.people import Reader

    Report = Callable[[str, int, int], None]

MINUTES_A_CASE = 4


@dataclass
class DemoClock:
    """The invented study's own time; stands still until somebody works.

    Attributes
    ----------
    at
        The time now, UTC.
    """

    at: datetime = field(default_factory=lambda: datetime(2026, 5, 1, 8, 0, tzinfo=UTC))

    def __call__(self) -> datetime:
        """Return the time now."""
        return self.at

    def move(self, by: timedelta) -> None:
        """Let time pass."""
        self.at += by

    def catch_up(self, study: Study) -> None:
        """Go on after the last thing that was signed, where a study is taken up again."""
        with study.store.look() as look:
            signed: list[datetime] = look.values(Reading, "signed_at")
        self.at = max([self.at, *signed])


def desk_of(study: Study, who: str) -> Study:
    """Return the desk of somebody; it shares the database of the study."""
    return replace(study, who=who)


@dataclass(frozen=True, eq=False)
class SimulatedPerson:
    """One reader or adjudicator who works through a list.

    Attributes
    ----------
    study
        The study at this person's desk.
    reader
        How the person errs.
    truths
        What is true of each scan, by UID.
    seed
        The answers follow from it.
    clock
        Moved on with every case.
    phrase
        The person's pass phrase.
    began
        When the reading of the study began, for the reader's drift.
    shelf
        Where the images lie; the study's folder when ``None``.
    """

    study: Study
    reader: Reader
    truths: Mapping[str, ScanTruth]
    seed: int
    clock: DemoClock
    phrase: str
    began: datetime
    shelf: Shelf | None = None

    def work(self, report: Report = lambda *_: None, *, leave: int = 0) -> int:
        """Read every case that can be opened now and return how many were signed.

        Parameters
        ----------
        report
            Told who works, and how many of how many cases are signed.
        leave
            Cases at the end of the list that are not touched.
        """
        todo = max(self._open() - leave, 0)
        done = 0
        report(f"{self.reader.code} reads", 0, todo)
        while done < todo and (case := open_next(self.study, shelf=self.shelf)) is not None:
            with case:
                self._read(case)
            done += 1
            report(f"{self.reader.code} reads", done, todo)
        return done

    def _open(self) -> int:
        states = (CaseState.OPEN, CaseState.DRAFTED)
        return sum(each.state in states for each in my_cases(self.study))

    def _read(self, case: BlindCase) -> None:
        answers = self._answers(case)
        first = dict(list(answers.items())[: len(answers) // 2])
        save_draft(self.study, case, first)
        self.clock.move(timedelta(minutes=MINUTES_A_CASE / 2))
        save_draft(self.study, case, answers)
        self.clock.move(timedelta(minutes=MINUTES_A_CASE / 2))
        sign(self.study, case, self.phrase, shelf=self.shelf)

    def _answers(self, case: BlindCase) -> dict[str, Any]:
        if case.modality is not Modality.MR:
            return {names.ADEQUACY_RADIOGRAPH: {"value": names.ADEQUATE}}
        with self.study.store.look() as look:
            kept = look.get(Case, case.code)
        if kept is None:
            msg = f"no case {case.code}"
            raise LookupError(msg)
        truth = self.truths[kept.scan]
        day = (self.clock() - self.began) / timedelta(days=1)
        seen = replace(truth.cases, day=np.array([day]))
        what = kept.round.value if kept.attempt == 1 else f"{kept.round.value} {kept.attempt}"
        answers = read(self.reader, truth.name, seen, seed=self.seed, reading_round=what)
        return fill_in(case.form, case.series, truth, answers, pixels=case.pixels)
