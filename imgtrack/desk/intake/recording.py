"""Scans, their series and their problems in the study's records: one change per study."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from imgtrack.desk.intake.describing import RADIOGRAPHS, Described, describe, expected_scan
from imgtrack.desk.intake.outcome import ScanOutcome
from imgtrack.domain.errors import Broken, Fault
from imgtrack.domain.imaging import Scan
from imgtrack.domain.series import ProblemState, ScanProblem, ScanProblemKind, Series
from imgtrack.domain.subjects import Repair

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from imgtrack.desk.intake.linking import Link
    from imgtrack.dicom.records import Header
    from imgtrack.domain.protocol import Protocol, Timepoint
    from imgtrack.store.database import Change, Look

OF_THE_PLACE = frozenset({ScanProblemKind.SECOND_SCAN, ScanProblemKind.OUTSIDE_WINDOWS})
"""Problems of where a scan was placed; they do not follow from its images."""

MORE_FILES = "more files of the scan were taken in"


@dataclass(frozen=True, slots=True)
class Imaged:
    """The images of one scan as they are stored."""

    uid: str
    headers: Sequence[Header]


def record(
    change: Change, protocol: Protocol, link: Link, imaged: Iterable[Imaged]
) -> tuple[ScanOutcome, ...]:
    """Record the scans of one study, or bring their records up to what is stored now.

    Parameters
    ----------
    change
        Open; everything of the study goes into it.
    protocol
        With windows and what is expected of a scan.
    link
        Repair and day; a scan that is recorded keeps its own.
    imaged
        All stored images of each scan.
    """
    return tuple(_record(change, protocol, link, each) for each in imaged)


def _record(change: Change, protocol: Protocol, link: Link, imaged: Imaged) -> ScanOutcome:
    scan = change.get(Scan, imaged.uid)
    if scan is None:
        scan, misplaced = placed(change, protocol, link, imaged)
        change.add([scan, *misplaced])
    repair = repair_of(change, scan)
    recorded = change.where(Series, scan=scan.uid)
    described = described_as(scan, repair, protocol, imaged.headers, recorded)
    file_description(change, scan, described, reason=MORE_FILES)
    return ScanOutcome(scan, tuple(change.where(ScanProblem, scan=scan.uid)))


def described_as(
    scan: Scan,
    repair: Repair,
    protocol: Protocol,
    headers: Sequence[Header],
    recorded: Sequence[Series],
) -> Described:
    """Describe a scan against the timepoint its day lies in."""
    point = timepoint_of(scan, repair, protocol)
    return describe(
        scan.uid,
        headers,
        operated=repair.side,
        expected=expected_scan(point, scan.modality),
        recorded=recorded,
    )


def timepoint_of(scan: Scan, repair: Repair, protocol: Protocol) -> Timepoint | None:
    """Return the timepoint in whose window the day of a scan lies, placed or not."""
    return protocol.timepoint_on((scan.acquired_on - repair.operated_on).days)


def placed(
    look: Look, protocol: Protocol, link: Link, imaged: Imaged
) -> tuple[Scan, tuple[ScanProblem, ...]]:
    """Return a new scan at its timepoint, and what is to be said about its place.

    Outside every window it is unscheduled. Where its window has a scan of the kind already, it
    waits without a timepoint for a person to say which of them counts.
    """
    modality = imaged.headers[0].modality
    bare = Scan(imaged.uid, link.repair.code, "", link.day, modality)
    point = timepoint_of(bare, link.repair, protocol)
    if point is None:
        day = (link.day - link.repair.operated_on).days
        text = f"day {day} after operation lies in no window; unscheduled"
        return bare, (ScanProblem(bare.uid, ScanProblemKind.OUTSIDE_WINDOWS, "", text),)
    if (first := occupant(look, bare, point.name)) is not None:
        text = f"{link.repair.code} has a scan of {first.acquired_on} for {point.name} already"
        return bare, (ScanProblem(bare.uid, ScanProblemKind.SECOND_SCAN, "", text),)
    return replace(bare, timepoint=point.name), ()


def occupant(look: Look, scan: Scan, timepoint: str) -> Scan | None:
    """Return another scan of the same repair, kind of imaging and timepoint, if there is one."""
    alike = RADIOGRAPHS if scan.modality in RADIOGRAPHS else {scan.modality}
    return next(
        (
            other
            for other in look.where(Scan, repair=scan.repair, timepoint=timepoint)
            if other.modality in alike and other.uid != scan.uid
        ),
        None,
    )


def repair_of(look: Look, scan: Scan) -> Repair:
    """Return the repair a scan is of.

    Raises
    ------
    Broken
        When it is gone.
    """
    repair = look.get(Repair, scan.repair)
    if repair is None:
        raise Broken(
            Fault("the repair of this scan is gone", f"scan:{scan.uid}", next_step="run verify")
        )
    return repair


def file_description(change: Change, scan: Scan, described: Described, *, reason: str) -> int:
    """Add and amend the series and problems of a scan so that they say what is described.

    A problem that a person settled stays settled unless its words change; one that is not found
    any more is gone. Problems of the place are left alone.

    Returns
    -------
    int
        How many records were added or amended.
    """
    series = {each.key: each for each in change.where(Series, scan=scan.uid)}
    problems = {
        each.key: each
        for each in change.where(ScanProblem, scan=scan.uid)
        if each.kind not in OF_THE_PLACE
    }
    wanted = {each.key: each for each in described.problems}
    current: list[Series | ScanProblem] = [
        *described.series,
        *_problems_now(problems, wanted),
    ]
    recorded: Mapping[str, Series | ScanProblem] = {**series, **problems}
    added = [each for each in current if each.key not in recorded]
    changed = [each for each in current if recorded.get(each.key, each) != each]
    change.add(added)
    for each in changed:
        change.amend(each, reason=reason)
    return len(added) + len(changed)


def _problems_now(
    recorded: Mapping[str, ScanProblem], found: Mapping[str, ScanProblem]
) -> Iterator[ScanProblem]:
    for key, problem in found.items():
        before = recorded.get(key)
        settled = before is not None and before.state is ProblemState.SETTLED
        yield before if before is not None and settled and before.text == problem.text else problem
    for key, before in recorded.items():
        if key not in found and before.state is ProblemState.OPEN:
            yield replace(before, state=ProblemState.GONE)
