"""Readings a group already has, from a sheet: one row per scan, reader and round.

They count as signed readings whose source says where they came from. They have no points, and
their images need not be here: a scan that was never taken in is made from the row, under a UID
that follows from repair, kind of imaging and day, with the open problem that it has no images.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any

from imgtrack.desk.imports.answers import read_findings
from imgtrack.desk.imports.scans import ScansOfRows, without_images
from imgtrack.desk.readings.signing import implied
from imgtrack.desk.readings.verdicts import follow
from imgtrack.desk.registry.cells import CellReader
from imgtrack.desk.registry.enrol import SIDES, YES_NO
from imgtrack.desk.registry.filing import require_sound
from imgtrack.desk.registry.sheets import Progress, no_progress, plain, read_sheet
from imgtrack.domain import scales
from imgtrack.domain.errors import Fault, Refused
from imgtrack.domain.imaging import Modality, Scan
from imgtrack.domain.protocol import Role
from imgtrack.domain.reading import Reading, Round
from imgtrack.domain.sheet_columns import READINGS_REQUIRED

if TYPE_CHECKING:
    from imgtrack.desk.registry.sheets import Row
    from imgtrack.desk.study import Study
    from imgtrack.domain.protocol import Protocol
    from imgtrack.domain.scales import Scale
    from imgtrack.store.database import Change, Look

ROUNDS = {each.value: each for each in Round if each is not Round.TRAINING}
MODALITIES = {each.value.lower(): each for each in Modality}


@dataclass(frozen=True, slots=True)
class Imported:
    """What an import did.

    Attributes
    ----------
    added, unchanged, amended
        Readings.
    scans
        Scans that were made because their images are not here.
    verdicts
        Verdicts that followed.
    notes
        Filled columns that were left out, with how often, in words.
    """

    added: int
    unchanged: int
    amended: int
    scans: int
    verdicts: int
    notes: tuple[str, ...]


def import_readings(
    study: Study, path: Path, *, reason: str = "", progress: Progress = no_progress
) -> Imported:
    """Take the readings of a sheet as signed ones: all of them, or none.

    Parameters
    ----------
    study
        Open, with a coordinator at the desk.
    path
        CSV or Excel. Columns: subject, side, reader; timepoint or scanned_on; round (first,
        second, repeat or settling; first when empty), modality (MR when empty), read_on,
        assessable (yes or no) with reason, and a column per finding, named as its question with
        underscores. An empty cell is an answer that is missing; ``not assessable: metal`` is one.
    reason
        Why recorded readings are amended; empty refuses other answers and shows them.
    progress
        Told how far it has come.

    Returns
    -------
    Imported
        The same sheet again changes nothing.

    Raises
    ------
    InvalidInput
        With row and column of everything that cannot be used.
    Refused
        Other answers than recorded, without a reason; or a person who is no coordinator.
    """
    study.require([Role.COORDINATOR], "import readings")
    sheet = read_sheet(path, study.protocol.sheets, READINGS_REQUIRED, progress)
    with study.store.change(who=study.who, now=study.now) as change:
        batch = _Batch(change, study, path.name)
        for count, row in enumerate(sheet.rows, 1):
            batch.take(row)
            if count % 1000 == 0 or count == len(sheet.rows):
                progress("checking rows", count, len(sheet.rows))
        require_sound(batch.faults)
        return batch.carry_out(reason.strip(), progress)


@dataclass(slots=True)
class _Batch:
    """All rows of one sheet on their way into the study."""

    change: Change
    study: Study
    source: str
    faults: list[Fault] = field(default_factory=list)
    readings: dict[str, tuple[Reading, Row]] = field(default_factory=dict)
    left_out: Counter[str] = field(default_factory=Counter)
    scans: ScansOfRows = field(init=False)
    scales: Mapping[str, Scale] = field(init=False)
    at_desk: set[tuple[str, str, Round]] = field(init=False)

    def __post_init__(self) -> None:
        self.scans = ScansOfRows(self.change, self.study.protocol)
        self.scales = _scales_by_column(self.study.protocol)
        self.at_desk = {
            (each.scan, each.reader, each.round)
            for each in self.change.all(Reading)
            if not each.source
        }

    def take(self, row: Row) -> None:
        """Read one row; what is wrong with it gathers."""
        cells = CellReader(row, self.study.protocol.sheets.date_format)
        subject, side = cells.subject(), cells.choice("side", SIDES, required=True)
        people = tuple(each.code for each in self.study.protocol.person)
        cells.text("reader", required=True)
        reader = cells.member("reader", people, "the protocol")
        round_ = cells.choice("round", ROUNDS) or Round.FIRST
        modality = cells.choice("modality", MODALITIES) or Modality.MR
        assessable = cells.choice("assessable", YES_NO)
        read_on = cells.day("read_on")
        scan = None
        if subject and side is not None:
            scan = self.scans.of(cells, subject, side, modality)
        self.faults += cells.faults
        if scan is None or not reader or cells.faults:
            return
        form = self.scans.form(scan)
        found = read_findings(row, form, assessable=assessable is not False, scales=self.scales)
        self.faults += found.faults
        self.left_out.update(found.left_out)
        if not found.faults:
            signed_at = self._signed_at(read_on)
            self._put(row, self._reading(scan, reader, round_, found.answers, signed_at))

    def _reading(
        self,
        scan: Scan,
        reader: str,
        round_: Round,
        answers: Mapping[str, Any],
        at: datetime,
    ) -> Reading:
        grades, mismatches = implied(self.scans.form(scan), answers, self.study.protocol)
        return Reading(
            key=_key(scan.uid, reader, round_),
            scan=scan.uid,
            reader=reader,
            round=round_,
            answers=answers,
            protocol_hash=self.study.protocol.hash,
            software_version=version("imgtrack"),
            began_at=at,
            signed_at=at,
            derived=grades,
            mismatches=mismatches,
            source=self.source,
        )

    def _signed_at(self, read_on: date | None) -> datetime:
        """Return midnight UTC of the day it was read, or now when the sheet does not say."""
        return self.study.now() if read_on is None else datetime.combine(read_on, time(), UTC)

    def _put(self, row: Row, reading: Reading) -> None:
        if reading.key in self.readings:
            before = self.readings[reading.key][1].number
            what = f"this reader has a {reading.round.value} reading of this scan in row {before}"
            self.faults.append(row.fault("round", what, "one row for each", "name the round"))
        elif (reading.scan, reading.reader, reading.round) in self.at_desk:
            what = f"this reader signed a {reading.round.value} reading of this scan at the desk"
            self.faults.append(row.fault("round", what, "no such row", "leave the row out"))
        self.readings.setdefault(reading.key, (reading, row))

    def carry_out(self, reason: str, progress: Progress) -> Imported:
        """Add what is new, amend what is other, and let the verdicts follow."""
        new, other = self._compared()
        if other and not reason:
            raise Refused(_differs(old, reading, row) for old, reading, row in other)
        made = self.scans.new.values()
        self.change.add(made)
        self.change.add(without_images(scan, self.source) for scan in made)
        amendments = [_amendment(self.change, old, each, reason) for old, each, _ in other]
        new.sort(key=lambda each: each.signed_at)
        self.change.add(new)
        self.change.add(amendments)
        touched = dict.fromkeys(each.scan for each in (*new, *amendments))
        verdicts = 0
        for count, uid in enumerate(touched, 1):
            verdicts += follow(self.change, self.study, uid).verdict is not None
            progress("verdicts", count, len(touched))
        return Imported(
            added=len(new),
            unchanged=len(self.readings) - len(new) - len(other),
            amended=len(other),
            scans=len(self.scans.new),
            verdicts=verdicts,
            notes=tuple(
                f"column {column}: {count} cells left out, which the protocol does not ask"
                for column, count in sorted(self.left_out.items())
            ),
        )

    def _compared(self) -> tuple[list[Reading], list[tuple[Reading, Reading, Row]]]:
        latest = _latest_imported(self.change)
        new: list[Reading] = []
        other: list[tuple[Reading, Reading, Row]] = []
        for key, (reading, row) in self.readings.items():
            old = latest.get(key)
            if old is None:
                new.append(reading)
            elif old.answers != reading.answers:
                other.append((old, reading, row))
        return new, other


def _scales_by_column(protocol: Protocol) -> dict[str, Scale]:
    own = [scales.from_mapping(each, where="own_scale") for each in protocol.own_scale]
    return {plain(use.name): scales.get(use.name, use.version, own=own) for use in protocol.scale}


def _key(scan: str, reader: str, round_: Round) -> str:
    text = f"{scan}\x1f{reader}\x1f{round_.value}"
    return f"IMPORT-{hashlib.sha256(text.encode()).hexdigest()[:16].upper()}"


def _latest_imported(look: Look) -> dict[str, Reading]:
    """Return the last amendment of every imported reading by the key of its original."""
    root: dict[str, str] = {}
    latest: dict[str, Reading] = {}
    for reading in look.all(Reading):
        if reading.source:
            root[reading.key] = root.get(reading.amends, reading.key)
            latest[root[reading.key]] = reading
    return latest


def _amendment(look: Look, old: Reading, new: Reading, reason: str) -> Reading:
    """Return a reading that takes the place of an imported one."""
    origin = new.key
    number = 2 + sum(
        each.startswith(f"{origin}/") for each in look.values(Reading, "key", scan=new.scan)
    )
    return Reading(
        key=f"{origin}/{number}",
        scan=new.scan,
        reader=new.reader,
        round=new.round,
        answers=new.answers,
        protocol_hash=new.protocol_hash,
        software_version=new.software_version,
        began_at=new.began_at,
        signed_at=new.signed_at,
        amends=old.key,
        reason=reason,
        derived=new.derived,
        mismatches=new.mismatches,
        source=new.source,
    )


def _differs(old: Reading, new: Reading, row: Row) -> Fault:
    names = dict.fromkeys((*old.answers, *new.answers))
    changed = [each for each in names if old.answers.get(each) != new.answers.get(each)]
    return row.fault(
        ", ".join(plain(each) for each in changed),
        f"the sheet differs from what is recorded for {new.reader}",
        "the answers recorded",
        'check the row; to record the change, run again with --amend "REASON"',
    )
