"""The scans of a study with their series and problems, and how a person names one of them."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

from imgtrack.domain.errors import Fault, InvalidInput
from imgtrack.domain.imaging import Scan
from imgtrack.domain.protocol import Role
from imgtrack.domain.series import ProblemState, ScanProblem, Series

if TYPE_CHECKING:
    from imgtrack.desk.study import Study
    from imgtrack.store.database import Look

SHORT_DIGITS = 8


@dataclass(frozen=True, slots=True)
class Listed:
    """One scan with its series, in the order they were recorded, and its open problems."""

    scan: Scan
    series: tuple[Series, ...]
    problems: tuple[ScanProblem, ...]

    @property
    def is_blocked(self) -> bool:
        """Whether it may not be read yet."""
        return any(problem.blocks_reading for problem in self.problems)


def list_scans(study: Study) -> list[Listed]:
    """Return every scan by repair and day."""
    study.require([Role.COORDINATOR], "list the scans")
    with study.store.look() as look:
        scans = look.all(Scan)
        series: defaultdict[str, list[Series]] = defaultdict(list)
        for each in look.all(Series):
            series[each.scan].append(each)
        problems: defaultdict[str, list[ScanProblem]] = defaultdict(list)
        for problem in look.all(ScanProblem):
            if problem.state is ProblemState.OPEN:
                problems[problem.scan].append(problem)
    listed = [Listed(s, tuple(series[s.uid]), tuple(problems[s.uid])) for s in scans]
    return sorted(listed, key=lambda each: (each.scan.repair, each.scan.acquired_on))


def short(uid: str) -> str:
    """Return how people name a scan: the last digits of its UID, and the kind of a radiograph."""
    study, sign, kind = uid.partition("-")
    return f"{study[-SHORT_DIGITS:]}{sign}{kind}"


def scan_named(look: Look, name: str) -> Scan:
    """Return the scan a person means.

    Parameters
    ----------
    look
        Open.
    name
        Its UID, its short name, or repair and timepoint as ``S014-R/m06``.

    Raises
    ------
    InvalidInput
        When no scan, or more than one, goes by that name.
    """
    repair, _, timepoint = name.partition("/")
    found = [
        scan
        for scan in look.all(Scan)
        if name in {scan.uid, short(scan.uid)}
        or (timepoint and (scan.repair, scan.timepoint) == (repair, timepoint))
    ]
    if len(found) == 1:
        return found[0]
    raise InvalidInput(
        Fault(
            "several scans go by this name" if found else "no scan goes by this name",
            name,
            "a name as `imgtrack scans` shows it, or REPAIR/TIMEPOINT",
            ", ".join(short(scan.uid) for scan in found),
        )
    )
