"""The follow-up board: every repair at every timepoint, counted, and whom to call first."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any, TypeVar

import pandas as pd

from imgtrack.domain.errors import Fault, InvalidInput
from imgtrack.domain.imaging import Scan
from imgtrack.domain.protocol import Role, Timepoint
from imgtrack.domain.schedule import IMAGED, Cell, State, cell
from imgtrack.domain.subjects import Event, Repair

if TYPE_CHECKING:
    from imgtrack.desk.study import Study

MAY_LOOK = (Role.COORDINATOR, Role.SURGEON, Role.ANALYST)
TO_CALL = (State.OVERDUE, State.DUE)

R = TypeVar("R", Event, Scan)


@dataclass(frozen=True, slots=True)
class Line:
    """One repair of the board with its cells by timepoint name."""

    repair: Repair
    cells: dict[str, Cell]

    @property
    def late(self) -> bool:
        """Whether a scan is overdue or missed."""
        return any(c.state in {State.OVERDUE, State.MISSED} for c in self.cells.values())


@dataclass(frozen=True, slots=True)
class Call:
    """A patient to call: which scan is asked for, and how many days are left for it."""

    repair: Repair
    timepoint: str
    state: State
    closes_on: date
    days_left: int


@dataclass(frozen=True, slots=True)
class Board:
    """The follow-up board on a day.

    Attributes
    ----------
    day, study, protocol_hash
        For when, for which study, under which protocol.
    timepoints
        Names of the timepoints that expect imaging, in order of their target day.
    lines
        One per repair, by repair code.
    """

    day: date
    study: str
    protocol_hash: str
    timepoints: tuple[str, ...]
    lines: tuple[Line, ...]

    def only_late(self) -> Board:
        """Return the board with only the repairs that have an overdue or missed scan."""
        late = tuple(line for line in self.lines if line.late)
        return Board(self.day, self.study, self.protocol_hash, self.timepoints, late)

    def counts(self) -> dict[str, Counter[State]]:
        """Return how many repairs are in each state, by timepoint."""
        return {
            name: Counter(line.cells[name].state for line in self.lines) for name in self.timepoints
        }

    def completeness(self) -> dict[str, tuple[int, int]]:
        """Return scans in and scans asked for so far, by timepoint.

        Asked for is every repair whose window has opened and whose follow-up had not ended before
        the window closed; a scan that is in counts on both sides.
        """
        return {
            name: (
                sum(count[state] for state in IMAGED),
                count.total() - count[State.NOT_YET_DUE] - count[State.ENDED],
            )
            for name, count in self.counts().items()
        }

    def calls(self) -> list[Call]:
        """Return whom to call, the window that closes soonest first, overdue before due."""
        found = [
            Call(line.repair, name, at.state, at.closes_on, (at.closes_on - self.day).days)
            for line in self.lines
            for name, at in line.cells.items()
            if at.state in TO_CALL
        ]
        return sorted(found, key=lambda c: (TO_CALL.index(c.state), c.days_left, c.repair.code))

    def frame(self) -> pd.DataFrame:
        """Return one row per repair: who, and the state at each timepoint."""
        columns: dict[str, Sequence[object]] = {
            "repair": [line.repair.code for line in self.lines],
            "subject": [line.repair.subject for line in self.lines],
            "side": [line.repair.side.value for line in self.lines],
            "operation_date": [line.repair.operated_on.isoformat() for line in self.lines],
            "site": [line.repair.site for line in self.lines],
        }
        columns |= {
            name: [line.cells[name].state.value for line in self.lines] for name in self.timepoints
        }
        return pd.DataFrame(columns)

    def plain(self) -> dict[str, Any]:
        """Return the whole board as JSON values."""
        return {
            "day": self.day.isoformat(),
            "study": self.study,
            "protocol_hash": self.protocol_hash,
            "repairs": [
                {
                    "repair": line.repair.code,
                    "operation_date": line.repair.operated_on.isoformat(),
                    "site": line.repair.site,
                    "timepoints": {
                        name: {
                            "state": at.state.value,
                            "closes_on": at.closes_on.isoformat(),
                            "missing": [modality.value for modality in at.missing],
                        }
                        for name, at in line.cells.items()
                    },
                }
                for line in self.lines
            ],
            "counts": {
                name: {state.value: count[state] for state in State}
                for name, count in self.counts().items()
            },
            "completeness": {
                name: {"in": imaged, "asked_for": asked}
                for name, (imaged, asked) in self.completeness().items()
            },
            "call_first": [
                {
                    "repair": call.repair.code,
                    "timepoint": call.timepoint,
                    "state": call.state.value,
                    "closes_on": call.closes_on.isoformat(),
                    "days_left": call.days_left,
                }
                for call in self.calls()
            ],
        }


def board(study: Study, *, day: date | None = None, site: str = "") -> Board:
    """Return the follow-up board of a study.

    Parameters
    ----------
    study
        Open, with a coordinator, surgeon or analyst at the desk; a reader is refused, since the
        board tells which scan belongs to which timepoint.
    day
        The day it is for; today when ``None``.
    site
        Only the repairs of one site; all when empty.
    """
    study.require(MAY_LOOK, "see the follow-up board")
    known = study.protocol.study.sites
    if site and site not in known:
        raise InvalidInput(
            Fault("the study has no such site", "--site", ", ".join(known) or "no site", site)
        )
    with study.store.look() as look:
        events, scans = _by_repair(look.all(Event)), _by_repair(look.all(Scan))
        repairs = [r for r in look.all(Repair) if not site or r.site == site]
    on = day or study.now().date()
    points = _imaged_points(study.protocol.timepoint)
    return Board(
        on,
        study.protocol.study.name,
        study.protocol.hash,
        tuple(point.name for point in points),
        tuple(_line(repair, points, events, scans, on) for repair in repairs),
    )


def _line(
    repair: Repair,
    points: Sequence[Timepoint],
    events: dict[str, list[Event]],
    scans: dict[str, list[Scan]],
    day: date,
) -> Line:
    own_events, own_scans = events.get(repair.code, []), scans.get(repair.code, [])
    return Line(
        repair, {point.name: cell(repair, point, own_events, own_scans, day) for point in points}
    )


def _imaged_points(points: Iterable[Timepoint]) -> list[Timepoint]:
    return sorted((p for p in points if p.scan), key=lambda point: point.target_day)


def _by_repair(records: Iterable[R]) -> dict[str, list[R]]:
    found: dict[str, list[R]] = defaultdict(list)
    for record in records:
        found[record.repair].append(record)
    return found
