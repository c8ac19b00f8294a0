"""Look into zip archives without unpacking them to disk, and without falling into traps."""

from __future__ import annotations

import os
import zlib
from dataclasses import dataclass
from functools import lru_cache
from struct import error as StructError  # noqa: N812 - it is an exception class in lower case
from typing import TYPE_CHECKING, BinaryIO, cast
from zipfile import BadZipFile, ZipFile

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path
    from zipfile import ZipInfo

READ_FAULTS = (OSError, BadZipFile, zlib.error, EOFError)
"""What opening or reading a file or a member of an archive may raise."""

_ARCHIVE_FAULTS = (*READ_FAULTS, RuntimeError, ValueError, OverflowError, KeyError, StructError)
"""What the standard library's reader also raises for damaged or encrypted archives."""

OPEN_ARCHIVES = 4
"""Archives kept open, so that their list of members is read once and not for every member."""

ENCRYPTED = 0x1
"""Bit of the general purpose flag of a member that is encrypted."""


@dataclass(frozen=True, slots=True)
class ArchiveLimits:
    """What a zip archive may hold before it is taken for a trap.

    Attributes
    ----------
    members
        Number of members.
    member_bytes
        Unpacked size of one member.
    ratio
        Unpacked over packed size of one member. Smaller ones than `small_bytes` may exceed it:
        an empty image packs well.
    small_bytes
        See `ratio`.
    """

    members: int = 1_000_000
    member_bytes: int = 4 * 1024**3
    ratio: float = 200.0
    small_bytes: int = 8 * 1024**2


DEFAULT_LIMITS = ArchiveLimits()


@dataclass(frozen=True, slots=True)
class Member:
    """One file of an archive, or why it is not opened.

    Attributes
    ----------
    name
        Name inside the archive; empty when the refusal concerns the whole archive.
    refused
        Reason not to open it; empty when there is none.
    expected, found, next_step
        More about the reason.
    """

    name: str
    refused: str = ""
    expected: str = ""
    found: str = ""
    next_step: str = ""


def contents(path: Path, limits: ArchiveLimits = DEFAULT_LIMITS) -> Iterator[Member]:
    """Yield the files of an archive in its order; folders are left out.

    Parameters
    ----------
    path
        The archive.
    limits
        Beyond them a member, or the whole archive, is refused.
    """
    try:
        archive = _opened(path)
    except _ARCHIVE_FAULTS as fault:
        yield Member("", "the archive cannot be opened", "a zip archive", str(fault))
        return
    infos = archive.infolist()
    if len(infos) > limits.members:
        yield Member("", "the archive holds too many files", f"{limits.members}", f"{len(infos)}")
        return
    for info in infos:
        if not info.is_dir():
            yield _judged(info, limits)


def open_member(path: Path, name: str) -> BinaryIO:
    """Open one member of an archive for reading.

    Raises
    ------
    OSError, zipfile.BadZipFile, zlib.error, EOFError
        When disk or archive refuse, then or while reading.
    """
    try:
        return cast("BinaryIO", _opened(path).open(name))
    except _ARCHIVE_FAULTS as fault:
        raise BadZipFile(str(fault)) from fault


def _judged(info: ZipInfo, limits: ArchiveLimits) -> Member:
    if info.flag_bits & ENCRYPTED:
        step = "unpack the archive with its password and give the folder"
        return Member(info.filename, "the file is encrypted in its archive", next_step=step)
    if info.filename.lower().endswith(".zip"):
        step = "unpack the outer archive and give the folder"
        return Member(info.filename, "an archive within an archive", next_step=step)
    if info.file_size > limits.member_bytes:
        found = f"{info.file_size} bytes"
        expected = f"at most {limits.member_bytes} bytes"
        return Member(info.filename, "the file is too large in its archive", expected, found)
    ratio = info.file_size / max(info.compress_size, 1)
    if ratio > limits.ratio and info.file_size > limits.small_bytes:
        expected = f"packed at most {limits.ratio:g} times smaller"
        return Member(info.filename, "packed like a trap", expected, f"{ratio:.0f} times")
    return Member(info.filename)


def _opened(path: Path) -> ZipFile:
    state = path.stat()
    return _kept_open(path, state.st_mtime_ns, state.st_size, os.getpid())


@lru_cache(maxsize=OPEN_ARCHIVES)
def _kept_open(path: Path, _changed_at: int, _size: int, _process: int) -> ZipFile:
    """Return an archive kept open; changed files and other processes get their own."""
    return ZipFile(path)
