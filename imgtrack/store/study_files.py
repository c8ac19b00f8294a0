"""Which files of a study folder go into a backup, and why the others do not."""

from __future__ import annotations

import os
import stat
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from imgtrack.domain.errors import Fault, InvalidInput
from imgtrack.store import archive as archives
from imgtrack.store.connection import SQLITE_SUFFIXES, sqlite_files
from imgtrack.store.keys import is_key_file

if TYPE_CHECKING:
    from imgtrack.store.archive import Writer

SCRATCH = ".imgtrack-backup-"
"""Begins the name of the folder where an archive is put together or taken apart."""


def is_new_or_empty(folder: Path) -> bool:
    """Whether a study can be laid into a folder: it does not exist yet, or holds nothing."""
    return not folder.exists() or (folder.is_dir() and not any(folder.iterdir()))


@dataclass(frozen=True, slots=True)
class StudyFiles:
    """Files of a study folder, in order, and what is skipped, each with its reason."""

    study: Path
    paths: list[Path] = field(default_factory=list)
    skipped: list[str] = field(default_factory=list)

    def skip(self, path: Path, reason: str) -> None:
        """Note that a file or folder stays out of the archive, and why."""
        self.skipped.append(f"{path.relative_to(self.study).as_posix()}: {reason}")

    def size(self) -> int:
        """Return how many bytes the files have now."""
        return sum(_size(path) for path in self.paths)

    def add_to(self, writer: Writer) -> None:
        """Add every file that belongs into a backup; note the others as skipped."""
        for path in self.paths:
            expected = _size(path)
            try:
                reason = _reason_to_skip(path)
                if not reason:
                    name = path.relative_to(self.study).as_posix()
                    writer.add(path, f"{archives.FOLDER}/{name}")
                    continue
            except FileNotFoundError:
                reason = "a link to nothing" if path.is_symlink() else "gone before it was copied"
            self.skip(path, reason)
            writer.tick(expected)


def find(study: Path, database: Path | None) -> StudyFiles:
    """Return the files below a study folder except those of its own SQLite database.

    Raises
    ------
    OSError
        When a folder cannot be listed: nothing is left out in silence.
    InvalidInput
        When the name of a file is no text.
    """
    found = StudyFiles(study)
    own = set(sqlite_files(database and database.resolve()))
    for root, folders, names in os.walk(study, onerror=_raise):
        here = Path(root)
        for name in folders:
            if (here / name).is_symlink():
                found.skip(here / name, "a link to a folder")
        folders[:] = sorted(name for name in folders if not name.startswith(SCRATCH))
        paths = (here / name for name in sorted(names))
        found.paths.extend(path for path in paths if path.resolve() not in own)
    _refuse_odd_names(found)
    return found


def _refuse_odd_names(found: StudyFiles) -> None:
    odd = [path for path in found.paths if not _is_text(str(path))]
    if odd:
        raise InvalidInput(
            Fault(
                "the name of this file is no text and cannot be written to an archive",
                where=ascii(str(path)),
                next_step="give it another name",
            )
            for path in odd
        )


def _is_text(name: str) -> bool:
    try:
        name.encode()
    except UnicodeEncodeError:
        return False
    return True


def _raise(error: OSError) -> None:
    raise error


def _reason_to_skip(path: Path) -> str:
    """Return why a file stays out of the archive; empty when it goes in."""
    if not stat.S_ISREG(path.stat().st_mode):
        return "not a regular file"
    if is_key_file(path) or _belongs_to_key_file(path):
        return "the key file, keep a copy of it elsewhere"
    return "an earlier backup" if archives.is_archive(path) else ""


def _belongs_to_key_file(path: Path) -> bool:
    mains = (path.with_name(path.name.removesuffix(suffix)) for suffix in SQLITE_SUFFIXES[1:])
    return any(main != path and main.is_file() and is_key_file(main) for main in mains)


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except FileNotFoundError:
        return 0
