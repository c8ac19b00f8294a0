"""What a person knows better: names of series, the shoulder shown, problems that may stand."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from imgtrack.desk.intake.describing import corrected
from imgtrack.desk.intake.listing import scan_named
from imgtrack.desk.intake.recording import described_as, file_description, repair_of
from imgtrack.desk.intake.storing import ScanFiles
from imgtrack.desk.reasons import reason_faults
from imgtrack.domain.errors import Fault, InvalidInput, Refused
from imgtrack.domain.protocol import Role
from imgtrack.domain.series import ProblemState, ScanProblem, ScanProblemKind, Series

if TYPE_CHECKING:
    from collections.abc import Mapping

    from imgtrack.desk.study import Study
    from imgtrack.domain.imaging import Scan
    from imgtrack.domain.protocol import Plane, Weighting
    from imgtrack.domain.subjects import Side
    from imgtrack.store.database import Change

RESOLVED_ELSEWHERE = {
    ScanProblemKind.SIDE: "say which shoulder it shows: imgtrack relabel SCAN --side left|right",
    ScanProblemKind.SECOND_SCAN: "say which scan counts: imgtrack place SCAN --timepoint NAME",
}
"""Problems that cannot be let stand, and how they are resolved."""


def relabel(
    study: Study,
    name: str,
    *,
    series: int | None = None,
    plane: Plane | None = None,
    weighting: Weighting | None = None,
    side: Side | None = None,
    reason: str,
) -> tuple[ScanProblem, ...]:
    """Correct plane or weighting of one series, or the shoulder a scan shows, and check it anew.

    Parameters
    ----------
    study
        Open, with a coordinator at the desk.
    name
        The scan, as `imgtrack.desk.intake.listing.scan_named` reads it.
    series
        Number of the series as the scan's list shows it, from 1; needed for plane and weighting.
    plane, weighting
        What the series is.
    side
        The shoulder that all series of the scan show.
    reason
        Why; for the log.

    Returns
    -------
    tuple of ScanProblem
        Problems that are open now.

    Raises
    ------
    InvalidInput
        Nothing to correct, no such scan or series, or no reason.
    Refused
        Nothing differs, or a person who is no coordinator.
    """
    study.require([Role.COORDINATOR], "relabel a scan")
    of_series = {"plane": plane, "weighting": weighting}
    given = {label: value for label, value in of_series.items() if value is not None}
    _require_sense(given, series, side, reason)
    with study.store.change(who=study.who, now=study.now) as change:
        scan = scan_named(change, name)
        before = change.where(Series, scan=scan.uid)
        after = list(before)
        if given:
            after[_place(before, series)] = _with(before[_place(before, series)], given)
        if side is not None:
            after = [corrected(each, "side", side) for each in after]
        if after == before:
            raise Refused(Fault("nothing differs from what is recorded", name))
        for old, new in zip(before, after, strict=True):
            if new != old:
                change.amend(new, reason=reason)
        if side is not None:
            _settle_side(change, scan, side, reason)
        _check_anew(study, change, scan, reason)
        return _open(change, scan)


def accept(
    study: Study, name: str, kind: ScanProblemKind, *, reason: str
) -> tuple[ScanProblem, ...]:
    """Let problems of a kind stand, so that they block the reading of a scan no longer.

    Raises
    ------
    InvalidInput
        No such scan, no open problem of the kind, or no reason.
    Refused
        A problem that has to be resolved instead, or a person who is no coordinator.
    """
    study.require([Role.COORDINATOR], "settle problems of a scan")
    if kind in RESOLVED_ELSEWHERE:
        step = RESOLVED_ELSEWHERE[kind]
        raise Refused(Fault(f"the problem '{kind}' cannot be let stand", name, next_step=step))
    with study.store.change(who=study.who, now=study.now) as change:
        scan = scan_named(change, name)
        found = [problem for problem in _open(change, scan) if problem.kind is kind]
        if not found:
            raise InvalidInput(Fault(f"no open problem '{kind}'", name))
        for problem in found:
            settle(change, problem, reason)
        return _open(change, scan)


def settle(change: Change, problem: ScanProblem, reason: str) -> None:
    """Mark a problem as settled by a person, with the reason."""
    state = ProblemState.SETTLED
    change.amend(replace(problem, state=state, reason=reason.strip()), reason=reason)


def _settle_side(change: Change, scan: Scan, side: Side, reason: str) -> None:
    """Settle a doubt about the side when a person says it is the operated one."""
    if side is not repair_of(change, scan).side:
        return
    for problem in _open(change, scan):
        if problem.kind is ScanProblemKind.SIDE:
            settle(change, problem, reason)


def _check_anew(study: Study, change: Change, scan: Scan, reason: str) -> None:
    """Hold a scan against the protocol under its new names."""
    headers = ScanFiles(study.folder).headers(scan.uid)
    recorded = change.where(Series, scan=scan.uid)
    repair = repair_of(change, scan)
    described = described_as(scan, repair, study.protocol, headers, recorded)
    file_description(change, scan, described, reason=reason)


def _open(change: Change, scan: Scan) -> tuple[ScanProblem, ...]:
    problems = change.where(ScanProblem, scan=scan.uid)
    return tuple(each for each in problems if each.state is ProblemState.OPEN)


def _with(series: Series, given: Mapping[str, Plane | Weighting]) -> Series:
    for label, value in given.items():
        series = corrected(series, label, value)
    return series


def _place(series: list[Series], number: int | None) -> int:
    if number is not None and 1 <= number <= len(series):
        return number - 1
    raise InvalidInput(Fault("no such series", "--series", f"1 to {len(series)}", str(number)))


def _require_sense(
    given: Mapping[str, object], series: int | None, side: Side | None, reason: str
) -> None:
    faults = []
    if not given and side is None:
        faults.append(Fault("nothing to correct", expected="a plane, a weighting or a side"))
    if given and series is None:
        faults.append(Fault("it is not said which series", "--series", "its number in the list"))
    faults.extend(reason_faults(reason))
    if faults:
        raise InvalidInput(faults)
