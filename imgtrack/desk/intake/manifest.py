"""The manifest: a sheet that says whose images lie where."""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from imgtrack.desk.registry.cells import CellReader
from imgtrack.desk.registry.enrol import SIDES
from imgtrack.desk.registry.filing import require_sound
from imgtrack.desk.registry.sheets import read_sheet
from imgtrack.domain.sheet_columns import MANIFEST_REQUIRED

if TYPE_CHECKING:
    from collections.abc import Iterable

    from imgtrack.dicom.sources import Source
    from imgtrack.domain.errors import Fault
    from imgtrack.domain.protocol import Protocol
    from imgtrack.domain.subjects import Repair, Side

MEMBER_SIGN = "!"
"""Stands between an archive and a member of it, here as in the labels of sources."""


@dataclass(frozen=True, slots=True)
class Placed:
    """What one row of the manifest says.

    Attributes
    ----------
    where
        Sheet and row.
    subject
        Subject code.
    side
        The operated shoulder; ``None`` when the row leaves it to the images.
    timepoint
        Name of the timepoint; empty when the row leaves it to the day.
    """

    where: str
    subject: str
    side: Side | None
    timepoint: str


@dataclass(slots=True)
class Manifest:
    """All rows by the path they are about; a deeper path counts more than one it lies in."""

    rows: dict[str, Placed] = field(default_factory=dict)
    _used: set[str] = field(default_factory=set)
    _folders: dict[Path, str] = field(default_factory=dict)

    def row_for(self, source: Source) -> Placed | None:
        """Return the row that a file or member of an archive belongs to."""
        if not self.rows or source.path is None:
            return None
        place = Path(self._resolved(source.path))
        inside = Path(f"{place}{MEMBER_SIGN}{source.member}")
        chain = [inside, *inside.parents] if source.member else []
        for path in map(str, (*chain, place, *place.parents)):
            if path in self.rows:
                self._used.add(path)
                return self.rows[path]
        return None

    def unused(self) -> list[str]:
        """Return sheet and row of everything that no image was found for."""
        return [row.where for path, row in self.rows.items() if path not in self._used]

    def _resolved(self, path: Path) -> str:
        """Resolve a path, asking the disk once per folder."""
        folder = self._folders.get(path.parent)
        if folder is None:
            folder = self._folders[path.parent] = os.path.realpath(path.parent)
        return os.path.join(folder, path.name)  # noqa: PTH118 - text, compared as text


def read_manifest(path: Path, protocol: Protocol, repairs: Iterable[Repair]) -> Manifest:
    """Read a manifest; its paths are taken from the folder it lies in.

    Raises
    ------
    InvalidInput
        With row, column, expected and found of everything that cannot be accepted.
    """
    sheet = read_sheet(path, protocol.sheets, MANIFEST_REQUIRED)
    subjects = {repair.subject for repair in repairs}
    timepoints = tuple(point.name for point in protocol.timepoint)
    manifest = Manifest()
    faults: list[Fault] = []
    for row in sheet.rows:
        cells = CellReader(row, protocol.sheets.date_format)
        subject = cells.subject()
        if subject and subject not in subjects:
            cells.faults.append(
                row.fault("subject", "nobody is enrolled under this code", "an enrolled code")
            )
        place = _place(path, cells)
        if place in manifest.rows:
            cells.faults.append(row.fault("path", "the path is in the sheet twice", "one row"))
        manifest.rows[place] = Placed(
            where=f"{row.where} row {row.number}",
            subject=subject,
            side=cells.choice("side", SIDES),
            timepoint=cells.member("timepoint", timepoints, "the protocol"),
        )
        faults.extend(cells.faults)
    require_sound(faults)
    return manifest


def _place(manifest: Path, cells: CellReader) -> str:
    """Return where a row's images lie; a path that leads nowhere is a fault of the row."""
    text = cells.text("path", required=True)
    outer, sign, member = text.partition(MEMBER_SIGN)
    place = os.path.realpath(manifest.parent / outer)
    if text and not Path(place).exists():
        cells.faults.append(
            cells.row.fault("path", "there is nothing here", "a file or folder", "correct the path")
        )
    return str(Path(f"{place}{sign}{member}"))
