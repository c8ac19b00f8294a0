"""Where images come from: folders, single files, zip archives and DICOMDIR media."""

from __future__ import annotations

import os
import stat
from collections.abc import Callable
from dataclasses import dataclass, field
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

from imgtrack.dicom.archives import DEFAULT_LIMITS, READ_FAULTS, contents, open_member
from imgtrack.dicom.elements import Unreadable
from imgtrack.dicom.media import listed_files
from imgtrack.domain.errors import Fault

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from imgtrack.dicom.archives import ArchiveLimits

Progress = Callable[[str, int, int], None]
"""Called with what is done, how much of it, and of how much (0 when not known)."""

REPORT_EVERY = 100
ARCHIVE_SUFFIX = ".zip"
DIRECTORY_NAME = "DICOMDIR"
"""Name of the directory of a medium (PS3.10 section 8.6)."""


def no_progress(_what: str, _done: int, _total: int) -> None:
    """Show nothing."""


@dataclass(frozen=True, slots=True)
class Source:
    """One thing that may be a DICOM object, not read yet.

    Attributes
    ----------
    label
        What people call it: the path as given, and the member of an archive after ``!``.
    path
        File on disk, or the archive that holds it; ``None`` for bytes in memory.
    member
        Name inside the archive; empty for a plain file.
    content
        The bytes themselves, when they did not come from disk.
    """

    label: str
    path: Path | None = None
    member: str = ""
    content: bytes = field(default=b"", repr=False)

    @classmethod
    def of_bytes(cls, label: str, content: bytes) -> Source:
        """Return a source that holds its bytes."""
        return cls(label, content=content)

    def open(self) -> BinaryIO:
        """Open the bytes for reading; a member of an archive is never unpacked to disk.

        Raises
        ------
        OSError, zipfile.BadZipFile, zlib.error, EOFError
            When disk or archive refuse, then or while reading; see
            :data:`imgtrack.dicom.archives.READ_FAULTS`.
        """
        if self.path is None:
            return BytesIO(self.content)
        if not self.member:
            return self.path.open("rb")
        return open_member(self.path, self.member)


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why one source, or one image of it, is not taken.

    Attributes
    ----------
    source
        Label of the source.
    reason
        What is wrong, in plain words.
    expected, found
        What would have been right, and what was there; either may be empty.
    next_step
        What a person can do.
    """

    source: str
    reason: str
    expected: str = ""
    found: str = ""
    next_step: str = ""

    @property
    def fault(self) -> Fault:
        """The same as a fault of the common family of errors."""
        return Fault(self.reason, self.source, self.expected, self.found, self.next_step)


def sources(
    paths: Iterable[Path],
    progress: Progress = no_progress,
    limits: ArchiveLimits = DEFAULT_LIMITS,
) -> Iterator[Source | Refusal]:
    """Find everything that may be an image, in a stable order, without reading it.

    Parameters
    ----------
    paths
        Folders, files, zip archives (by their name) and DICOMDIR files. A path inside another
        one of them is walked once.
    progress
        Called now and then with the number of files found.
    limits
        What an archive may hold.

    Yields
    ------
    Source or Refusal
        Every file once; a refusal for what cannot be looked into and for what a DICOMDIR lists
        and the medium lacks. A DICOMDIR itself is only the list of its medium.
    """
    found = 0
    visited: set[tuple[int, int]] = set()
    for path in _outermost(paths):
        for entry in _given(path, limits, visited):
            yield entry
            found += 1
            if found % REPORT_EVERY == 0:
                progress("files found", found, 0)
    progress("files found", found, 0)


def _outermost(paths: Iterable[Path]) -> Iterator[Path]:
    """Yield paths once each, without those that lie inside another one."""
    given = {Path(os.path.realpath(path)): path for path in paths}
    for resolved, path in given.items():
        if given.keys().isdisjoint(resolved.parents):
            yield path


def _given(
    path: Path, limits: ArchiveLimits, visited: set[tuple[int, int]]
) -> Iterator[Source | Refusal]:
    if path.name.upper() == DIRECTORY_NAME and path.is_file():
        yield from _medium(path, only_missing=False)
    else:
        yield from _entries(path, limits, visited)


def _entries(
    path: Path, limits: ArchiveLimits, visited: set[tuple[int, int]]
) -> Iterator[Source | Refusal]:
    """Yield what a path holds: itself, the files of a folder, or the members of an archive."""
    try:
        state = path.stat()
    except OSError as fault:
        yield Refusal(str(path), "cannot be looked at", found=fault.strerror or "")
        return
    if stat.S_ISDIR(state.st_mode):
        if (state.st_dev, state.st_ino) not in visited:  # links may lead here twice
            visited.add((state.st_dev, state.st_ino))
            yield from _folder(path, limits, visited)
    elif not stat.S_ISREG(state.st_mode):
        yield Refusal(str(path), "neither a file nor a folder")
    elif path.name.upper() == DIRECTORY_NAME:
        yield from _medium(path, only_missing=True)
    elif path.suffix.lower() == ARCHIVE_SUFFIX:
        yield from _archive(path, limits)
    else:
        yield Source(str(path), path)


def _folder(
    path: Path, limits: ArchiveLimits, visited: set[tuple[int, int]]
) -> Iterator[Source | Refusal]:
    try:
        inside = sorted(path.iterdir(), key=lambda entry: entry.name)
    except OSError as fault:
        yield Refusal(str(path), "the folder cannot be opened", found=fault.strerror or "")
        return
    for entry in inside:
        yield from _entries(entry, limits, visited)


def _archive(path: Path, limits: ArchiveLimits) -> Iterator[Source | Refusal]:
    """Yield the members of an archive; a DICOMDIR among them is compared with the others."""
    members: set[str] = set()
    directories: list[str] = []
    for member in contents(path, limits):
        label = f"{path}!{member.name}" if member.name else str(path)
        if member.refused:
            yield Refusal(label, member.refused, member.expected, member.found, member.next_step)
            continue
        members.add(member.name.casefold())
        if member.name.rpartition("/")[2].upper() == DIRECTORY_NAME:
            directories.append(member.name)
        else:
            yield Source(label, path, member.name)
    for name in directories:
        folder = name.rpartition("/")[0]
        directory = Source(f"{path}!{name}", path, name)
        for parts in _listed(directory):
            if isinstance(parts, Refusal):
                yield parts
            elif "/".join((folder, *parts)).lstrip("/").casefold() not in members:
                yield _missing(directory, parts)


def _medium(path: Path, *, only_missing: bool) -> Iterator[Source | Refusal]:
    """Yield the files a DICOMDIR lists, and a refusal for each that is not there."""
    directory = Source(str(path), path)
    for parts in _listed(directory):
        if isinstance(parts, Refusal):
            yield parts
            continue
        file = _found(path.parent, parts)
        if file is None:
            yield _missing(directory, parts)
        elif not only_missing:
            yield Source(str(file), file)


def _listed(directory: Source) -> Iterator[tuple[str, ...] | Refusal]:
    """Yield the file IDs of a DICOMDIR, or the refusal to read it."""
    try:
        with directory.open() as stream:
            yield from listed_files(stream.read)
    except Unreadable as fault:
        step = "give the folder of the medium instead of its directory"
        yield Refusal(directory.label, fault.reason, fault.expected, fault.found, step)
    except READ_FAULTS as fault:
        yield Refusal(directory.label, "the file cannot be read", found=str(fault))


def _missing(directory: Source, parts: tuple[str, ...]) -> Refusal:
    return Refusal(
        directory.label,
        "the directory of the medium lists a file that is not on it",
        expected="/".join(parts),
        next_step="copy the medium again, or ask for a complete one",
    )


def _found(folder: Path, parts: tuple[str, ...]) -> Path | None:
    """Return the file of a file ID; some systems show the upper-case names in lower case."""
    for names in (parts, tuple(part.lower() for part in parts)):
        file = folder.joinpath(*names)
        if file.is_file():
            return file
    return None
