"""File records from a sheet: whole or not at all, nothing twice, changes only with a reason."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, TypeVar

from imgtrack.desk.registry.sheets import Progress, no_progress
from imgtrack.domain.cases import TrainingKey
from imgtrack.domain.errors import Fault, InvalidInput, Refused
from imgtrack.domain.subjects import Event, Repair, Score

if TYPE_CHECKING:
    from imgtrack.store.database import Change

R = TypeVar("R", Repair, Event, Score, TrainingKey)
BATCH = 5000


@dataclass(frozen=True, slots=True)
class Difference:
    """One field of a record that a sheet gives another value."""

    record: str
    field: str
    old: object
    new: object

    def __str__(self) -> str:
        return f"{self.record}: {self.field} {_shown(self.old)} -> {_shown(self.new)}"


@dataclass(frozen=True, slots=True)
class Filed:
    """What filing a sheet did: records added, unchanged, and the differences applied."""

    added: int
    unchanged: int
    changed: tuple[Difference, ...] = ()
    notes: tuple[str, ...] = ()


def differences(old: R, new: R) -> list[Difference]:
    """Return the fields in which two records of one key differ."""
    return [
        Difference(old.key, f.name, getattr(old, f.name), getattr(new, f.name))
        for f in fields(old)
        if getattr(old, f.name) != getattr(new, f.name)
    ]


@dataclass(frozen=True, slots=True)
class Plan:
    """What a sheet would do to the study."""

    add: tuple[Repair | Event | Score | TrainingKey, ...]
    amend: tuple[Repair | Event | Score | TrainingKey, ...]
    changed: tuple[Difference, ...]
    unchanged: int


def plan(existing: dict[str, R], wanted: Sequence[R]) -> Plan:
    """Compare the records of a sheet with those filed under the same keys."""
    add: list[R] = []
    amend: list[R] = []
    changed: list[Difference] = []
    for record in wanted:
        old = existing.get(record.key)
        if old is None:
            add.append(record)
        elif found := differences(old, record):
            amend.append(record)
            changed.extend(found)
    unchanged = len(wanted) - len(add) - len(amend)
    return Plan(tuple(add), tuple(amend), tuple(changed), unchanged)


def carry_out(
    change: Change, planned: Plan, *, reason: str, progress: Progress = no_progress
) -> None:
    """Apply a plan inside an open change.

    Raises
    ------
    Refused
        The plan changes records and no reason is given; every difference is shown.
    """
    if planned.changed and not reason.strip():
        raise Refused(
            Fault(
                "the sheet differs from what is recorded",
                difference.record,
                f"{difference.field} {_shown(difference.old)}, as recorded",
                _shown(difference.new),
                'check the row; to record the change, run again with --amend "REASON"',
            )
            for difference in planned.changed
        )
    for start in range(0, len(planned.add), BATCH):
        change.add(planned.add[start : start + BATCH])
        progress("storing", min(start + BATCH, len(planned.add)), len(planned.add))
    for record in planned.amend:
        change.amend(record, reason=reason.strip())


def require_sound(faults: Sequence[Fault]) -> None:
    """Raise every fault of a sheet together, if there is any."""
    if faults:
        raise InvalidInput(faults)


def _shown(value: object) -> str:
    return "nothing" if value in (None, "", ()) else str(value)
