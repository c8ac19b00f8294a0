"""What a person decides: whose a waiting study is, and for which timepoint a scan counts."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from imgtrack.desk.intake.correcting import settle
from imgtrack.desk.intake.linking import Link, Linker, examined_on
from imgtrack.desk.intake.listening import forget_received
from imgtrack.desk.intake.listing import scan_named
from imgtrack.desk.intake.manifest import Manifest
from imgtrack.desk.intake.outcome import Fate
from imgtrack.desk.intake.recording import (
    OF_THE_PLACE,
    described_as,
    file_description,
    occupant,
    timepoint_of,
)
from imgtrack.desk.intake.run import only_intake
from imgtrack.desk.intake.storing import ScanFiles
from imgtrack.desk.intake.studies import Desk, StudyIntake
from imgtrack.desk.intake.waiting_list import files_of, folder_of
from imgtrack.desk.reasons import reason_faults
from imgtrack.dicom.headers import read_header
from imgtrack.dicom.sources import Refusal
from imgtrack.domain.errors import Fault, InvalidInput, Refused, Unavailable
from imgtrack.domain.imaging import Scan, scan_uid
from imgtrack.domain.protocol import Role
from imgtrack.domain.series import ProblemState, ScanProblem, Series
from imgtrack.domain.subjects import Repair
from imgtrack.store.waiting import WaitingState

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date
    from pathlib import Path

    from imgtrack.desk.intake.outcome import StudyOutcome
    from imgtrack.desk.study import Study
    from imgtrack.dicom.records import Header
    from imgtrack.store.database import Look
    from imgtrack.store.keys import Keys
    from imgtrack.store.waiting import WaitingStudy


def waiting(study: Study) -> list[WaitingStudy]:
    """Return the studies that wait for a person to say whose they are."""
    study.require([Role.COORDINATOR], "see which studies wait")
    with study.keys() as keys:
        return [each for each in keys.waiting() if each.state is WaitingState.WAITING]


def place_study(
    study: Study,
    code: str,
    repair: str,
    *,
    reason: str,
    day: date | None = None,
    clean_pixels: Sequence[Path] = (),
) -> tuple[StudyOutcome, tuple[Refusal, ...]]:
    """Take in a waiting study as one of a repair; the day decides the timepoint.

    Parameters
    ----------
    study
        Open, with a coordinator at the desk.
    code
        Code of the study on the list.
    repair
        Code of the repair it belongs to.
    reason
        Why; for the log.
    day
        Day of the examination, for a study whose headers have none.
    clean_pixels
        As for `imgtrack.desk.intake.run.take_in`.

    Raises
    ------
    InvalidInput
        No such code or repair, no reason, or no day.
    Unavailable
        Its files are not where they were.
    Refused
        A scan of the study is recorded for another repair, or a person who is no coordinator.
    """
    study.require([Role.COORDINATOR], "place a study")
    _require_reason(reason)
    with only_intake(study), study.keys() as keys:
        known = _known(keys, code)
        headers = _headers(known)
        examined = day or examined_on(headers)
        if examined is None:
            raise InvalidInput(Fault("the headers have no date", code, next_step="give --date"))
        with study.store.look() as look:
            link = Link(_enrolled(look, repair), examined)
        desk = Desk(
            study=study,
            keys=keys,
            linker=Linker(study.protocol, (), keys),
            files=ScanFiles(study.folder),
            clean_pixels=tuple(str(path.resolve()) for path in clean_pixels),
        )
        _refuse_other_place(study, desk, headers, link)
        intake = StudyIntake(desk, Manifest(), forced=link)
        outcome = intake.take(headers)
    if outcome.fate is not Fate.REFUSED:
        _note(study, "study placed", known.code, reason, new=repair)
        forget_received(study, (path for path, _ in known.files))
    return outcome, tuple(intake.refusals)


def set_aside(study: Study, code: str, *, reason: str) -> None:
    """Take a study off the list for good, because it does not belong to this study.

    Raises
    ------
    InvalidInput
        No such code, or no reason.
    """
    study.require([Role.COORDINATOR], "set a study aside")
    _require_reason(reason)
    with study.keys() as keys:
        known = _known(keys, code)
        keys.wait(replace(known, state=WaitingState.SET_ASIDE, reason=reason.strip()))
    _note(study, "study set aside", known.code, reason)


def place_scan(
    study: Study, name: str, *, repair: str = "", timepoint: str | None = None, reason: str
) -> Scan:
    """Give a recorded scan another place: a repair of the same patient, a timepoint, or none.

    Parameters
    ----------
    study
        Open, with a coordinator at the desk.
    name
        The scan, as `imgtrack.desk.intake.listing.scan_named` reads it.
    repair
        Code of the repair; as recorded when empty.
    timepoint
        Timepoint whose window holds the day; empty for none; by the day when ``None``.
    reason
        Why; for the log.

    Returns
    -------
    Scan
        As it is recorded now.

    Raises
    ------
    InvalidInput
        No such scan or repair, or no reason.
    Refused
        A repair of another patient, a window that does not hold the day or has a scan already,
        or a person who is no coordinator.
    """
    study.require([Role.COORDINATOR], "place a scan")
    _require_reason(reason)
    with study.store.change(who=study.who, now=study.now) as change:
        scan = scan_named(change, name)
        before = _enrolled(change, scan.repair)
        after = _enrolled(change, repair) if repair else before
        if after.subject != before.subject:
            raise Refused(_of_another_patient(name, before, after))
        point = timepoint_of(scan, after, study.protocol)
        by_day = point.name if point is not None else ""
        wanted = by_day if timepoint is None else timepoint
        if wanted and wanted != by_day:
            raise Refused(_not_in_window(scan, wanted, by_day))
        moved = replace(scan, repair=after.code, timepoint=wanted)
        if wanted and (other := occupant(change, moved, wanted)) is not None:
            raise Refused(_occupied(moved, other, wanted))
        doubts = [
            problem
            for problem in change.where(ScanProblem, scan=scan.uid)
            if problem.kind in OF_THE_PLACE and problem.state is ProblemState.OPEN
        ]
        if moved == scan and not doubts:
            raise Refused(Fault("nothing differs from what is recorded", name))
        if moved != scan:
            change.amend(moved, reason=reason)
        for problem in doubts:
            settle(change, problem, reason)
        if after != before:
            headers = ScanFiles(study.folder).headers(scan.uid)
            recorded = change.where(Series, scan=scan.uid)
            described = described_as(moved, after, study.protocol, headers, recorded)
            file_description(change, moved, described, reason=reason)
        return moved


def _known(keys: Keys, code: str) -> WaitingStudy:
    known = keys.waiting_under(code.strip().upper())
    if known is None:
        raise InvalidInput(
            Fault("no study waits under this code", code, "a code as `imgtrack place` lists it")
        )
    return known


def _headers(known: WaitingStudy) -> list[Header]:
    """Return the headers of a waiting study's files; all of them must still be there."""
    read = [read_header(source) for source in files_of(known)]
    lost = [each.fault for each in read if isinstance(each, Refusal)]
    if lost:
        raise Unavailable(
            Fault(
                "files of this study cannot be read any more",
                folder_of(known),
                f"{len(known.files)} files",
                f"{len(known.files) - len(lost)} files",
                "put them back, or take the study in again from where it lies now",
            )
        )
    return [each for each in read if not isinstance(each, Refusal)]


def _refuse_other_place(study: Study, desk: Desk, headers: Sequence[Header], link: Link) -> None:
    """Refuse files of a recorded scan for another repair than it is recorded for."""
    uid = desk.replacements.replacement(headers[0].study_uid)
    with study.store.look() as look:
        scans = [look.get(Scan, scan_uid(uid, header.modality)) for header in headers]
    taken = sorted({scan.repair for scan in scans if scan is not None} - {link.repair.code})
    if taken:
        raise Refused(
            Fault(
                "a scan of this study is recorded for another repair",
                link.repair.code,
                ", ".join(taken),
                next_step="place the recorded scan first: imgtrack place SCAN --repair CODE",
            )
        )


def _enrolled(look: Look, code: str) -> Repair:
    repair = look.get(Repair, code)
    if repair is None:
        raise InvalidInput(Fault("there is no such repair", code, "the code of an enrolled repair"))
    return repair


def _note(study: Study, what: str, code: str, reason: str, new: str = "") -> None:
    with study.store.change(who=study.who, now=study.now) as change:
        change.note(what=what, record=f"waiting:{code}", new=new, reason=reason.strip())


def _require_reason(reason: str) -> None:
    if faults := reason_faults(reason):
        raise InvalidInput(faults)


def _of_another_patient(name: str, before: Repair, after: Repair) -> Fault:
    return Fault(
        "the scan cannot be moved to another patient",
        name,
        f"a repair of {before.subject}",
        after.code,
        "its images carry the subject code; restore a backup from before it was taken in",
    )


def _not_in_window(scan: Scan, wanted: str, by_day: str) -> Fault:
    return Fault(
        f"the day does not lie in the window of {wanted}",
        f"scan of {scan.acquired_on}",
        by_day or "no timepoint: it is unscheduled",
        wanted,
        "the day decides; a window that is too narrow is changed in the protocol",
    )


def _occupied(scan: Scan, other: Scan, wanted: str) -> Fault:
    return Fault(
        f"{scan.repair} has a scan of {other.acquired_on} for {wanted} already",
        f"scan of {scan.acquired_on}",
        "one scan for a timepoint",
        next_step="make the other one unscheduled first: imgtrack place SCAN --unscheduled",
    )
