"""To which repair and timepoint the images of a study belong, or why a person has to say."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from imgtrack.desk.intake.people import Match, subject_of
from imgtrack.dicom.naming import name_stack
from imgtrack.dicom.sides import agreed_side
from imgtrack.dicom.stacks import stacks
from imgtrack.domain.schedule import repair_on

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from datetime import date

    from imgtrack.desk.intake.manifest import Placed
    from imgtrack.dicom.records import Header
    from imgtrack.domain.protocol import Protocol
    from imgtrack.domain.subjects import Repair, Side
    from imgtrack.store.keys import Keys


@dataclass(frozen=True, slots=True)
class Link:
    """The repair a study belongs to, and the day of the examination."""

    repair: Repair
    day: date


@dataclass(frozen=True, slots=True)
class Doubt:
    """Why a study cannot be linked, in words that name nobody."""

    reason: str


@dataclass(frozen=True, slots=True)
class Linker:
    """Links studies by what the registry, the key file and the protocol know.

    Attributes
    ----------
    protocol
        With its windows.
    repairs
        Every repair of the study.
    keys
        The key file.
    """

    protocol: Protocol
    repairs: Sequence[Repair]
    keys: Keys

    def link(self, headers: Sequence[Header], rows: Iterable[Placed | None]) -> Link | Doubt:
        """Return the repair and day of one study, or why they are not certain.

        Parameters
        ----------
        headers
            Of one study, as it came.
        rows
            Row of the manifest for each file; ``None`` where there is none.
        """
        placed = {row for row in rows if row is not None}
        if len({(row.subject, row.side, row.timepoint) for row in placed}) > 1:
            where = ", ".join(sorted(row.where for row in placed))
            return Doubt(f"the manifest gives this study to several: {where}")
        row = next(iter(placed), None)
        day = examined_on(headers)
        if day is None:
            return Doubt("the headers have no date of the examination")
        subject = self._subject(headers, row)
        if isinstance(subject, Doubt):
            return subject
        own = [repair for repair in self.repairs if repair.subject == subject]
        if not own:
            return Doubt(f"{subject} is in the key file and has no repair in the registry")
        side = row.side if row is not None and row.side is not None else _side(headers, own)
        if side is None:
            return Doubt(
                f"{subject} has a repair on both sides, and the images do not agree on one"
            )
        return self._on(own, side, day, row.timepoint if row is not None else "")

    def _subject(self, headers: Sequence[Header], row: Placed | None) -> str | Doubt:
        claims = {header.claim for header in headers}
        matches = {subject_of(self.keys, claim) for claim in claims}
        found = {match.subject for match in matches if match.subject}
        if len(found) > 1:
            return Doubt(f"the images of this study name several: {' and '.join(sorted(found))}")
        if row is not None:
            return _as_placed(row, found, matches)
        unclear = sorted(match.reason for match in matches if match.reason)
        if unclear:
            return Doubt(unclear[0])
        return found.pop()

    def _on(self, own: Sequence[Repair], side: Side, day: date, named: str) -> Link | Doubt:
        subject = own[0].subject
        repair = repair_on(own, subject, side, day, self.protocol, named=named)
        if repair is None:
            return Doubt(f"{subject} has no repair of the {side} shoulder")
        if named:
            point = self.protocol.timepoint_on((day - repair.operated_on).days)
            if point is None or point.name != named:
                on = point.name if point is not None else "in no window"
                return Doubt(f"the manifest says {named} of {repair.code}, the day is {on}")
            return Link(repair, day)
        rivals = [r.code for r in self._rivals(own, repair, day)]
        if rivals:
            codes = " and ".join((repair.code, *rivals))
            return Doubt(f"the day lies in windows of {codes}")
        return Link(repair, day)

    def _rivals(self, own: Sequence[Repair], chosen: Repair, day: date) -> list[Repair]:
        """Return the later repairs of the shoulder of which a window holds the day, too."""
        return [
            repair
            for repair in own
            if repair.side is chosen.side
            and repair.code != chosen.code
            and repair.operated_on > day
            and self.protocol.timepoint_on((day - repair.operated_on).days) is not None
        ]


def examined_on(headers: Sequence[Header]) -> date | None:
    """Return the first day images were acquired on; else the day of the series, of the study."""
    stated = (
        [header.acquisition_date for header in headers],
        [header.series_date for header in headers],
        [header.study_date for header in headers],
    )
    known = ([day for day in days if day is not None] for days in stated)
    return next((min(days) for days in known if days), None)


def _as_placed(row: Placed, found: set[str], matches: Iterable[Match]) -> str | Doubt:
    """Return the subject of a row of the manifest, unless the key file contradicts it."""
    if found and row.subject not in found:
        return Doubt(f"{row.where} says {row.subject}, the headers name {found.pop()}")
    conflicts = sorted(match.reason for match in matches if match.is_conflict)
    if conflicts:
        return Doubt(f"{row.where} says {row.subject}; but {conflicts[0]}")
    return row.subject


def _side(headers: Sequence[Header], own: Sequence[Repair]) -> Side | None:
    """Return the only operated side; with both, the one on which the images agree."""
    sides = {repair.side for repair in own}
    if len(sides) == 1:
        return sides.pop()
    named = map(name_stack, stacks(headers))
    return agreed_side(claim for each in named for claim in each.naming.side_claims)
