"""The course of one repair: its scans with their images, verdicts and scores, in order of time."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from imgtrack.desk.cases.images import Shelf, aliased, image_map, shown
from imgtrack.desk.cases.shelf import FolderShelf
from imgtrack.desk.results import require_results
from imgtrack.domain.errors import Fault, ImgtrackError, InvalidInput
from imgtrack.domain.first_retear import FirstRetear, first_retear
from imgtrack.domain.form import chosen, outcome_of
from imgtrack.domain.imaging import Modality, Scan, Stage
from imgtrack.domain.reading import Verdict
from imgtrack.domain.scales import Healing, retear_rule
from imgtrack.domain.series import Series
from imgtrack.domain.subjects import Event, Repair, Score

if TYPE_CHECKING:
    from imgtrack.desk.cases.images import Shelved, ShownPixels, ShownSeries
    from imgtrack.desk.study import Study
    from imgtrack.domain.protocol import Protocol
    from imgtrack.store.database import Look


@dataclass(frozen=True, slots=True)
class Stack:
    """One series of a visit: how it is shown, and where its pixels come from."""

    shown: ShownSeries
    shelved: Shelved

    def pixels(self) -> ShownPixels:
        """Read the pixels.

        Raises
        ------
        ImgtrackError
            When they cannot be read.
        """
        return self.shelved.load()


@dataclass(frozen=True, slots=True)
class Visit:
    """One MR scan of a repair.

    Attributes
    ----------
    scan
        The scan.
    label
        Its timepoint in the protocol's words, or that it is unscheduled.
    day
        Days from the operation; negative before it.
    verdict
        The verdict, while the reading of the scan is final.
    outcome
        Healed or retear by the primary rule; ``None`` without a final, assessable verdict.
    stacks
        Its series; empty when there are no images, or they cannot be read.
    trouble
        Why its images cannot be shown; empty when they can.
    grade
        Code on the scale of the primary rule; empty where none was given.
    outcome_sensitivity
        As ``outcome``, by the sensitivity rule.
    """

    scan: Scan
    label: str
    day: int
    verdict: Verdict | None
    outcome: Healing | None
    stacks: tuple[Stack, ...]
    trouble: str = ""
    grade: str = ""
    outcome_sensitivity: Healing | None = None

    @property
    def is_follow_up(self) -> bool:
        """Whether it was made after the operation."""
        return self.day > 0

    @property
    def drawn(self) -> dict[str, Any]:
        """Answers of the verdict with the aliases of its images, as figures are drawn from them.

        Answers on images that `stacks` do not hold are left out.
        """
        answers = self.verdict.answers if self.verdict else {}
        images: dict[str, dict[str, Any]] = {}
        for stack in self.stacks:
            images |= image_map(stack.shown, stack.shelved)
        found: dict[str, Any] = {}
        for name, answer in answers.items():
            with suppress(InvalidInput):
                found |= aliased({name: answer}, images)
        return found


@dataclass(frozen=True, slots=True)
class Course:
    """One repair along time.

    Attributes
    ----------
    repair, protocol
        Whose course, and by which rules.
    visits
        Its MR scans by day.
    events, scores
        By day.
    first_retear, first_retear_sensitivity
        When it tore, by the primary and by the sensitivity rule.
    """

    repair: Repair
    protocol: Protocol
    visits: tuple[Visit, ...]
    events: tuple[Event, ...]
    scores: tuple[Score, ...]
    first_retear: FirstRetear
    first_retear_sensitivity: FirstRetear

    def day_of(self, record: Score | Event) -> int:
        """Return the day of a score or an event, counted from the operation."""
        on = record.assessed_on if isinstance(record, Score) else record.happened_on
        return (on - self.repair.operated_on).days


def open_course(study: Study, code: str, *, shelf: Shelf | None = None) -> Course:
    """Open the course of a repair, and log that it was opened.

    Parameters
    ----------
    study
        Open, with a surgeon, analyst or coordinator at the desk.
    code
        Code of the repair.
    shelf
        Where the images lie; the study's folder when ``None``.

    Returns
    -------
    Course
        Scans whose images cannot be read are in it all the same, with why; the log says more.

    Raises
    ------
    Refused
        For readers and adjudicators; and while first readings are open, unless the protocol
        allows a look before the end. Logged.
    InvalidInput
        When there is no such repair.
    """
    require_results(study, f"open the course of {code}")
    with study.store.look() as look:
        repair = look.get(Repair, code)
        if repair is None:
            raise InvalidInput(
                Fault("there is no such repair", code, next_step="see them with: imgtrack board")
            )
        scans = look.where(Scan, repair=code, modality=Modality.MR)
        kept = [(scan, look.where(Series, scan=scan.uid), _verdict(look, scan)) for scan in scans]
        events, scores = look.where(Event, repair=code), look.where(Score, repair=code)
    opener = _Opener(study, repair, FolderShelf(study.folder) if shelf is None else shelf)
    visits = sorted((opener.visit(*each) for each in kept), key=lambda v: (v.day, v.scan.uid))
    opener.note()
    return Course(
        repair,
        study.protocol,
        tuple(visits),
        tuple(sorted(events, key=lambda event: event.happened_on)),
        tuple(sorted(scores, key=lambda score: (score.assessed_on, score.name))),
        first_retear((visit.day, visit.outcome) for visit in visits),
        first_retear((visit.day, visit.outcome_sensitivity) for visit in visits),
    )


def _verdict(look: Look, scan: Scan) -> Verdict | None:
    found = look.where(Verdict, scan=scan.uid)
    return found[-1] if found and scan.stage is Stage.FINAL else None


@dataclass(frozen=True, slots=True)
class _Opener:
    """Turns records into visits."""

    study: Study
    repair: Repair
    shelf: Shelf

    def visit(self, scan: Scan, series: Sequence[Series], verdict: Verdict | None) -> Visit:
        protocol = self.study.protocol
        point, rule = protocol.timepoint_named(scan.timepoint), protocol.outcome
        answers = verdict.answers if verdict else {}
        stacks, trouble = self._stacks(scan, [each for each in series if each.images])
        return Visit(
            scan,
            point.label if point else "unscheduled",
            (scan.acquired_on - self.repair.operated_on).days,
            verdict,
            outcome_of(answers, protocol),
            stacks,
            trouble,
            chosen(answers, retear_rule(rule.retear_rule).scale) or "",
            outcome_of(answers, protocol, rule=rule.sensitivity_rule),
        )

    def _stacks(self, scan: Scan, series: Sequence[Series]) -> tuple[tuple[Stack, ...], str]:
        if not series:
            return (), "no images of this scan are in the study"
        ordered = sorted(series, key=lambda s: (s.plane or "", s.weighting or "", s.key))
        try:
            found = self.shelf.series(scan, ordered)
        except ImgtrackError as error:
            with self.study.store.change(who=self.study.who, now=self.study.now) as change:
                change.note(what="images not readable", record=f"scan:{scan.uid}", new=str(error))
            return (), "the images of this scan cannot be read; the log says why"
        return tuple(Stack(shown(0, n, each), each) for n, each in enumerate(found, 1)), ""

    def note(self) -> None:
        with self.study.store.change(who=self.study.who, now=self.study.now) as change:
            change.note(what="course opened", record=f"repair:{self.repair.code}", new="")
