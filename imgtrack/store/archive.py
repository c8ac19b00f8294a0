"""The backup archive: one zip with a database snapshot, the study's files, and a manifest.

Layout::

    database.sqlite     snapshot of the database, always SQLite, whatever it came from
    study/...           files of the study folder
    manifest.json       written last: SHA-256 and size of every member, and where the log ended

The zip's comment marks it as ours, so that an archive lying in a study folder is not backed up
again.
"""

from __future__ import annotations

import hashlib
import json
import os
import struct
import zipfile
import zlib
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from typing import IO, TYPE_CHECKING

from imgtrack.domain.errors import Broken, Fault, InvalidInput, Refused
from imgtrack.domain.log import canonical

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

COMMENT = b"imgtrack backup"
FORMAT = 1
DATABASE = "database.sqlite"
FOLDER = "study"
MANIFEST = "manifest.json"
CHUNK = 1 << 20

UNREADABLE = (
    zipfile.BadZipFile,
    zlib.error,
    struct.error,
    EOFError,
    KeyError,
    TypeError,
    ValueError,
    RuntimeError,
)
"""What reading a damaged zip, or the manifest in it, can raise."""


@dataclass(frozen=True, slots=True)
class Manifest:
    """What an archive says about itself.

    Attributes
    ----------
    format
        Layout of the archive.
    made_at, version
        When, in ISO form, and by which imgtrack.
    schema
        Schema revision of the snapshot.
    number, digest
        Where the log ended: number and digest of its last entry.
    records
        Rows in the record tables.
    members
        SHA-256 and size of every member by name.
    """

    format: int
    made_at: str
    version: str
    schema: str
    number: int
    digest: str
    records: int
    members: dict[str, tuple[str, int]]


class Writer:
    """Writes members while taking their checksums.

    Parameters
    ----------
    target
        The zip under way.
    tick
        Told the number of bytes taken in.
    """

    def __init__(self, target: zipfile.ZipFile, tick: Callable[[int], None]) -> None:
        self._zip = target
        self.tick = tick
        self.members: dict[str, tuple[str, int]] = {}

    def add(self, path: Path, name: str) -> None:
        """Add one file; what is read once is both written and summed."""
        with path.open("rb") as source:
            info = zipfile.ZipInfo.from_file(path, name, strict_timestamps=False)
            info.compress_type = zipfile.ZIP_DEFLATED
            with self._zip.open(info, "w", force_zip64=True) as member:
                self.members[name] = _copy(source, member, self.tick)

    def finish(self, manifest: Manifest) -> None:
        """Write the manifest and mark the zip as ours."""
        self._zip.writestr(MANIFEST, canonical(asdict(manifest)), zipfile.ZIP_DEFLATED)
        self._zip.comment = COMMENT


def _copy(source: IO[bytes], target: IO[bytes], tick: Callable[[int], None]) -> tuple[str, int]:
    checksum = hashlib.sha256()
    size = 0
    while chunk := source.read(CHUNK):
        target.write(chunk)
        checksum.update(chunk)
        size += len(chunk)
        tick(len(chunk))
    return checksum.hexdigest(), size


def is_archive(path: Path) -> bool:
    """Tell whether a file ends as our archives do."""
    with path.open("rb") as file:
        size = file.seek(0, os.SEEK_END)
        file.seek(max(0, size - len(COMMENT)))
        return file.read() == COMMENT


@contextmanager
def _readable(where: str) -> Iterator[None]:
    try:
        yield
    except UNREADABLE as error:
        raise Broken(_damaged(where, str(error))) from error


@contextmanager
def opened(path: Path) -> Iterator[tuple[zipfile.ZipFile, Manifest]]:
    """Open an archive and read its manifest.

    Raises
    ------
    InvalidInput
        When the file is missing or is no archive of ours.
    Refused
        When a newer program wrote it.
    Broken
        When it is damaged.
    """
    if not path.is_file():
        raise InvalidInput(Fault("there is no archive here", where=str(path)))
    with _readable(str(path)):
        source = zipfile.ZipFile(path)
    with source:
        yield source, _manifest(source, path)


def _manifest(source: zipfile.ZipFile, path: Path) -> Manifest:
    if source.comment != COMMENT:
        raise InvalidInput(
            Fault(
                "this is not a backup of a study",
                where=str(path),
                expected="an archive that `imgtrack backup` wrote",
                next_step="correct the path",
            )
        )
    with _readable(str(path)):
        values = json.loads(source.read(MANIFEST))
        found = int(values["format"])
    if found > FORMAT:
        raise Refused(
            Fault(
                "newer backup than program",
                where=str(path),
                expected=f"format {FORMAT}",
                found=f"format {found}",
                next_step="install the imgtrack that wrote it, or a newer one",
            )
        )
    with _readable(str(path)):
        members = {
            name: (str(checksum), int(size)) for name, (checksum, size) in values["members"].items()
        }
        return Manifest(**values | {"members": members})


def extract(
    source: zipfile.ZipFile, manifest: Manifest, into: Path, tick: Callable[[int], None]
) -> None:
    """Lay every member out below a folder and check it against its checksum.

    Raises
    ------
    Broken
        With one fault per member that is altered, missing, not in the manifest, or whose name
        leads out of the folder.
    """
    there = set(source.namelist()) - {MANIFEST}
    faults = [
        _damaged(name, "not in the manifest") for name in sorted(there - set(manifest.members))
    ]
    for name, expected in manifest.members.items():
        if name not in there:
            faults.append(_damaged(name, "not in the archive"))
        elif not _stays_inside(name, into):
            faults.append(_damaged(name, "a name that leads out of the archive"))
        else:
            faults += _extract_one(source, name, into, expected, tick)
    if faults:
        raise Broken(faults)


def _extract_one(
    source: zipfile.ZipFile,
    name: str,
    into: Path,
    expected: tuple[str, int],
    tick: Callable[[int], None],
) -> list[Fault]:
    path = into / name
    path.parent.mkdir(parents=True, exist_ok=True)
    try:
        with _readable(name), source.open(name) as member, path.open("wb") as target:
            found = _copy(member, target, tick)
    except Broken as error:
        return list(error.faults)
    if found != expected:
        return [_damaged(name, f"SHA-256 {found[0]}", expected=f"SHA-256 {expected[0]}")]
    return []


def _stays_inside(name: str, into: Path) -> bool:
    if name == DATABASE:
        return True
    return (into / name).resolve().is_relative_to((into / FOLDER).resolve())


def _damaged(where: str, found: str, expected: str = "what was backed up") -> Fault:
    return Fault(
        "the archive is damaged",
        where=where,
        expected=expected,
        found=found,
        next_step="use another backup",
    )
