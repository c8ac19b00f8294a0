"""The scan that a row of a sheet of readings is about: one that is in, or one made for the row."""

from __future__ import annotations

import uuid
from collections import defaultdict
from typing import TYPE_CHECKING

from imgtrack.desk.registry.shoulders import Shoulders
from imgtrack.domain.form import form_for
from imgtrack.domain.imaging import Scan, scan_uid
from imgtrack.domain.series import ScanProblem, ScanProblemKind
from imgtrack.domain.subjects import Repair

if TYPE_CHECKING:
    from datetime import date

    from imgtrack.desk.registry.cells import CellReader
    from imgtrack.domain.form import Form
    from imgtrack.domain.imaging import Modality
    from imgtrack.domain.protocol import Protocol
    from imgtrack.domain.subjects import Side
    from imgtrack.store.database import Look

UID_SPACE = uuid.UUID("6f0c3a0e-3c0b-4f0a-9d1a-52f0a3c6b1d7")
"""Name space of the UIDs of scans known from a sheet alone; drawn once, at random."""


def local_uid(protocol: Protocol, repair: str, modality: Modality, day: date) -> str:
    """Return the UID of a scan that is known from a sheet alone; the same on every machine.

    Notes
    -----
    A UUID as a decimal number below 2.25 (DICOM PS3.5, B.2), by version 5 of RFC 9562: from a
    name, here that of the study with repair, modality and day.
    """
    name = f"{protocol.study.name}\x1f{repair}\x1f{modality.value}\x1f{day.isoformat()}"
    return scan_uid(f"2.25.{uuid.uuid5(UID_SPACE, name).int}", modality)


class ScansOfRows:
    """All scans of a study, and those that rows of a sheet add.

    Parameters
    ----------
    look
        A view of the study.
    protocol
        Its timepoints place a scan.
    """

    def __init__(self, look: Look, protocol: Protocol) -> None:
        self.protocol = protocol
        self.new: dict[str, Scan] = {}
        self._repairs = {repair.code: repair for repair in look.all(Repair)}
        self._shoulders = Shoulders(self._repairs.values())
        self._scans: dict[str, list[Scan]] = defaultdict(list)
        self._forms: dict[tuple[Modality, bool], Form] = {}
        for scan in look.all(Scan):
            self._scans[scan.repair].append(scan)

    def of(self, cells: CellReader, subject: str, side: Side, modality: Modality) -> Scan | None:
        """Return the scan of a row, or ``None`` when the row has a fault."""
        repair = self._repair(cells, subject, side)
        return None if repair is None else self._scan(cells, repair, modality)

    def _repair(self, cells: CellReader, subject: str, side: Side) -> Repair | None:
        day, named = cells.day("scanned_on"), self._timepoint_named(cells)
        protocol = self.protocol
        if day is not None:
            return self._shoulders.repair_on(cells, subject, side, day, protocol, named=named)
        of_side = [each for each in self._shoulders.of(cells, subject) if each.side is side]
        if cells.faults:
            return None
        if len(of_side) == 1 and named:
            return of_side[0]
        there = f"{len(of_side)} repairs of this shoulder"
        what = "the day is needed" if of_side else "this shoulder is not enrolled"
        next_step = "fill in scanned_on" if of_side else "enrol it, or correct the side"
        column = "scanned_on" if of_side else "side"
        cells.faults.append(cells.row.fault(column, f"{what}: {there}", "a date", next_step))
        return None

    def _timepoint_named(self, cells: CellReader) -> str:
        known = tuple(point.name for point in self.protocol.timepoint)
        return cells.member("timepoint", known, "the protocol")

    def _scan(self, cells: CellReader, repair: Repair, modality: Modality) -> Scan | None:
        """Return the scan of a row: one that is in, or one made for it."""
        if cells.faults:
            return None
        day = cells.day("scanned_on")
        named = cells.row.cells.get("timepoint", "")
        there = [each for each in self._scans[repair.code] if each.modality is modality]
        if day is None:
            at_point = [each for each in there if each.timepoint == named]
            if len(at_point) == 1:
                return at_point[0]
            what = f"{len(at_point)} scans are known at {named}: the day is needed"
            cells.faults.append(cells.row.fault("scanned_on", what, "the day of the scan"))
            return None
        point = self.protocol.timepoint_on((day - repair.operated_on).days)
        timepoint = point.name if point else ""
        if named and named != timepoint:
            what = f"day {(day - repair.operated_on).days} after operation does not belong to it"
            cells.faults.append(cells.row.fault("timepoint", what, timepoint or "no timepoint"))
            return None
        on_day = [each for each in there if each.acquired_on == day]
        return on_day[0] if on_day else self._new_scan(repair, timepoint, day, modality)

    def _new_scan(self, repair: Repair, timepoint: str, day: date, modality: Modality) -> Scan:
        uid = local_uid(self.protocol, repair.code, modality, day)
        scan = Scan(uid, repair.code, timepoint, day, modality)
        self.new[uid] = scan
        self._scans[repair.code].append(scan)
        return scan

    def form(self, scan: Scan) -> Form:
        """Return what a reading of a scan asks."""
        before = scan.acquired_on < self._repairs[scan.repair].operated_on
        kind = scan.modality, before
        if kind not in self._forms:
            self._forms[kind] = form_for(self.protocol, scan.modality, before_repair=before)
        return self._forms[kind]


def without_images(scan: Scan, source: str) -> ScanProblem:
    """Return the problem that keeps a scan from being allotted: there is nothing to read."""
    text = f"known from the readings of {source} alone; its images were not taken in"
    return ScanProblem(scan.uid, ScanProblemKind.NO_IMAGES, "", text)
