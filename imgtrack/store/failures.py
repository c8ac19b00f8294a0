"""What a database driver reports, in words for a person: one of our errors instead of theirs."""

from __future__ import annotations

import errno
import os
import sqlite3
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import sqlalchemy as sa

from imgtrack.domain.errors import (
    Broken,
    Fault,
    ImgtrackError,
    InvalidInput,
    Refused,
    Unavailable,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

WAL_WRITE_LOCK = 120
"""Byte of the ``-shm`` file a SQLite writer locks (WAL-index locks, sqlite.org/walformat.html)."""

Message = tuple[type[ImgtrackError], str, str]

SQLITE_MESSAGES: dict[int, Message] = {
    sqlite3.SQLITE_FULL: (Unavailable, "disk full, nothing was changed", "free some space"),
    sqlite3.SQLITE_IOERR: (Unavailable, "the disk could not be read or written", "check the disk"),
    sqlite3.SQLITE_READONLY: (Unavailable, "the database may not be written", "check permissions"),
    sqlite3.SQLITE_CANTOPEN: (Unavailable, "the database cannot be opened", "check permissions"),
    sqlite3.SQLITE_PERM: (Unavailable, "the database cannot be opened", "check permissions"),
    sqlite3.SQLITE_CORRUPT: (Broken, "the database file is damaged", "restore a backup"),
    sqlite3.SQLITE_NOTADB: (Broken, "this is not a database file", "name the study's database"),
    sqlite3.SQLITE_CONSTRAINT: (Refused, "the database refuses this", "correct the record"),
}
"""By primary result code (sqlite.org/rescode.html): error, what, next step."""

SERVER_AWAY: Message = (
    Unavailable,
    "the database server cannot be reached or went away",
    "check the server, then look whether the last change is there",
)

POSTGRESQL_LOCK_NOT_AVAILABLE = "55P03"

POSTGRESQL_MESSAGES: dict[str, Message] = {
    "53100": (Unavailable, "disk full, nothing was changed", "free some space on the server"),
    "42501": (Unavailable, "the database role may not do this", "ask who runs the server"),
    "42P01": (Broken, "a table is missing", "run `imgtrack verify` and restore a backup"),
    "42703": (Broken, "a column is missing", "run `imgtrack verify` and restore a backup"),
    "P0001": (Refused, "the database refuses this", "correct the record"),
    "22": (InvalidInput, "a value does not fit its column", "correct the value"),
    "23": (Refused, "the database refuses this", "correct the record"),
    "08": SERVER_AWAY,
    "28": (Unavailable, "the database server does not let this role in", "check the password"),
    "3D": (Unavailable, "there is no such database on the server", "create it or correct the URL"),
    "53": (Unavailable, "the database server is out of resources", "try again later"),
    "57": SERVER_AWAY,
    "40": (Unavailable, "another change came first, nothing was changed", "try again"),
}
"""By error code or its class (PostgreSQL documentation, appendix A): error, what, next step."""


@contextmanager
def in_our_words(place: str, holder: Callable[[], str] = str) -> Iterator[None]:
    """Raise one of our errors where the database driver raises one of its own.

    Parameters
    ----------
    place
        The database, as a person knows it.
    holder
        Asked who holds the lock when the database is locked; empty when nobody can tell.
    """
    try:
        yield
    except sa.exc.PendingRollbackError as error:
        raise Unavailable(_given_up(place)) from error
    except (sa.exc.DBAPIError, sqlite3.Error) as error:
        translated = _translate(error, place, holder)
        if translated is None:
            raise
        raise translated from error


@contextmanager
def files_in_our_words(place: str) -> Iterator[None]:
    """Raise one of our errors where the file system raises one of its own."""
    try:
        yield
    except OSError as error:
        full = error.errno in {errno.ENOSPC, errno.EDQUOT}
        raise Unavailable(
            Fault(
                "disk full" if full else "a file cannot be read or written",
                where=str(error.filename or place),
                found=str(error.strerror or error),
                next_step="free some space" if full else "check the path and its permissions",
            )
        ) from error


def _translate(
    error: sa.exc.DBAPIError | sqlite3.Error, place: str, holder: Callable[[], str]
) -> ImgtrackError | None:
    away = isinstance(error, sa.exc.OperationalError)
    said = (error.orig or error) if isinstance(error, sa.exc.DBAPIError) else error
    if _is_locked(said):
        return _locked(place, holder())
    if isinstance(said, sqlite3.Error):
        message = _sqlite_message(said)
    else:
        message = _server_message(getattr(said, "sqlstate", None), away=away)
    if message is None:
        return None
    kind, what, next_step = message
    return kind(Fault(what, where=place, found=str(said).strip(), next_step=next_step))


def _is_locked(error: BaseException) -> bool:
    if isinstance(error, sqlite3.Error):
        return _primary_code(error) in {sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED}
    return getattr(error, "sqlstate", None) == POSTGRESQL_LOCK_NOT_AVAILABLE


def _given_up(place: str) -> Fault:
    return Fault(
        "this change was given up after an earlier failure, nothing was changed",
        where=place,
        next_step="mend what failed first and try again",
    )


def _locked(place: str, holder: str) -> Unavailable:
    return Unavailable(
        Fault(
            "database locked, nothing was changed",
            where=place,
            expected="to be the only one who writes",
            found=f"held by {holder or 'another process'}",
            next_step="wait until they have finished and try again",
        )
    )


def _primary_code(error: sqlite3.Error) -> int:
    return getattr(error, "sqlite_errorcode", -1) & 0xFF


def _sqlite_message(error: sqlite3.Error) -> Message | None:
    if str(error).startswith(("no such table", "no such column")):
        return Broken, "a table is not as it should be", "run `imgtrack verify`, restore a backup"
    return SQLITE_MESSAGES.get(_primary_code(error))


def _server_message(state: str | None, *, away: bool) -> Message | None:
    if state is None:
        return SERVER_AWAY if away else None
    return POSTGRESQL_MESSAGES.get(state, POSTGRESQL_MESSAGES.get(state[:2]))


def sqlite_holder(database: Path, locks: Path = Path("/proc/locks")) -> str:
    """Return who holds the write lock of a SQLite file in WAL mode, as far as the system tells.

    Parameters
    ----------
    database
        The database file.
    locks
        The system's list of file locks; only Linux has one.

    Returns
    -------
    str
        ``process 4711 (python)``, or empty when the system does not tell.
    """
    try:
        inode = os.stat(f"{database}-shm").st_ino  # noqa: PTH116 - the path is a name plus a suffix
        lines = locks.read_text().splitlines()
    except OSError:
        return ""
    holders = (_write_locker(line.split(), inode) for line in lines)
    return ", ".join(_process_name(pid) for pid in holders if pid > 0)


def _write_locker(words: list[str], inode: int) -> int:
    """Return the process of one line of the list that locks the write byte, or 0."""
    if "->" in words or "WRITE" not in words:
        return 0
    pid, place, first, last = words[-4:]
    if int(place.rpartition(":")[2]) != inode:
        return 0
    covers = int(first) <= WAL_WRITE_LOCK and (last == "EOF" or int(last) >= WAL_WRITE_LOCK)
    return int(pid) if covers else 0


def _process_name(pid: int) -> str:
    try:
        name = Path(f"/proc/{pid}/comm").read_text().strip()
    except OSError:
        return f"process {pid}"
    return f"process {pid} ({name})"
