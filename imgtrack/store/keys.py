"""The key file: who the subjects are, and which UID stands for which in de-identified scans.

The only place that holds names, hospital numbers and birth dates. It is a SQLite file of its own,
readable by its owner only, never part of the study database nor of a backup.
"""

from __future__ import annotations

import os
import stat
from collections import Counter
from contextlib import closing
from typing import TYPE_CHECKING, Any, Self

import sqlalchemy as sa

from imgtrack.domain.errors import Fault, InvalidInput, Refused
from imgtrack.store import waiting
from imgtrack.store.connection import (
    PATIENCE_SECONDS,
    Database,
    connect_sqlite,
    fetch_by,
    remove_sqlite,
    sqlite_url,
)
from imgtrack.store.failures import files_in_our_words, in_our_words
from imgtrack.store.identities import Identity, folded, folded_name, identity_row
from imgtrack.store.key_tables import (
    FORMAT,
    IDENTITIES,
    SECRET,
    UIDS,
    WAITING,
    bring_up_to_date,
    lay_out,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from datetime import date
    from pathlib import Path

    from imgtrack.store.waiting import WaitingStudy

__all__ = ["Identity", "Keys", "create_keys", "is_key_file", "open_keys"]

APPLICATION_ID = 0x494D544B
"""Marks a key file in its header (sqlite.org/fileformat.html, offset 68); spells IMTK."""

Row = dict[str, Any]


def create_keys(path: Path) -> Keys:
    """Create an empty key file that only its owner may read, and return it open.

    Raises
    ------
    Refused
        When something is already there.
    Unavailable
        When the file cannot be written; nothing is left behind.
    """
    with files_in_our_words(str(path)):
        try:
            os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
        except FileExistsError:
            raise Refused(
                Fault("a file is already there", where=str(path), next_step="open it instead")
            ) from None
    database = Database(sqlite_url(path))
    try:
        _lay_out(database, path)
    except BaseException:
        database.close()
        remove_sqlite(path)
        raise
    return Keys(path, database)


def open_keys(path: Path) -> Keys:
    """Open a key file, and bring one of an older layout up to date.

    Raises
    ------
    InvalidInput
        When the file is missing or is no key file.
    Refused
        When others may read it, or a newer program wrote it.
    """
    where = str(path)
    if not path.is_file():
        raise InvalidInput(
            Fault("there is no key file here", where=where, next_step="correct the path")
        )
    if not is_key_file(path):
        raise InvalidInput(
            Fault("this is not a key file", where=where, next_step="correct the path")
        )
    if os.name == "posix" and stat.S_IMODE(path.stat().st_mode) & 0o077:
        raise Refused(
            Fault(
                "others may read the key file",
                where=where,
                expected="a file only its owner may read",
                found=stat.filemode(path.stat().st_mode),
                next_step=f"run `chmod 600 {path}`",
            )
        )
    found = _format(path)
    database = Database(sqlite_url(path))
    if found < FORMAT:
        with database.writing() as connection:
            bring_up_to_date(connection)
    return Keys(path, database)


def _lay_out(database: Database, path: Path) -> None:
    with in_our_words(str(path)), closing(connect_sqlite(path, PATIENCE_SECONDS)) as connection:
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    database.keep_write_ahead_log()
    with database.writing() as tables:
        lay_out(tables)


def is_key_file(path: Path) -> bool:
    """Tell whether a file is marked as a key file, without opening it as a database."""
    with path.open("rb") as file:
        header = file.read(72)
    return header[:15] == b"SQLite format 3" and header[68:] == APPLICATION_ID.to_bytes(4, "big")


def _format(path: Path) -> int:
    """Return the layout of a key file; one of a newer program is refused."""
    with in_our_words(str(path)), closing(connect_sqlite(path, PATIENCE_SECONDS)) as connection:
        found = int(connection.execute("PRAGMA user_version").fetchone()[0])
    if found > FORMAT:
        raise Refused(
            Fault(
                "newer key file than program",
                where=str(path),
                expected=f"format {FORMAT}",
                found=f"format {found}",
                next_step="install the imgtrack that wrote it, or a newer one",
            )
        )
    return found


class Keys:
    """An open key file."""

    def __init__(self, path: Path, database: Database) -> None:
        self.path = path
        self._database = database

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the file."""
        self._database.close()

    def add(self, identities: Iterable[Identity]) -> int:
        """Keep identities, all or none, and return how many were new.

        The same identity again changes nothing.

        Raises
        ------
        Refused
            When a subject is there with another identity; names the subjects, never the people.
        InvalidInput
            When a value cannot be kept.
        """
        rows: dict[str, Row] = {}
        clashes = set()
        for identity in identities:
            row = identity_row(identity)
            if rows.setdefault(identity.subject, row) != row:
                clashes.add(identity.subject)
        with self._database.writing() as connection:
            there = _fetch(connection, IDENTITIES.c.subject, rows)
            clashes |= {subject for subject, row in there.items() if row != rows[subject]}
            if clashes:
                raise Refused([_other_identity(self.path, each) for each in sorted(clashes)])
            return _insert(connection, IDENTITIES, [rows[key] for key in rows if key not in there])

    def find(
        self, *, name: str = "", hospital_number: str = "", birth_date: date | None = None
    ) -> list[Identity]:
        """Return every identity that fits all that is given, ordered by subject.

        Parameters
        ----------
        name
            Compared without regard to case, accents' encoding, and the signs between its parts:
            ``DOE^JANE`` fits ``Doe, Jane``. The order of the parts counts.
        hospital_number
            Compared without regard to case and surrounding spaces; leading zeros count.
        birth_date
            Compared as it is; an identity without one does not fit.

        Raises
        ------
        InvalidInput
            When nothing is given.
        """
        conditions = []
        if folded_name(name):
            conditions.append(IDENTITIES.c.folded_name == folded_name(name))
        if folded(hospital_number):
            conditions.append(IDENTITIES.c.folded_number == folded(hospital_number))
        if birth_date is not None:
            conditions.append(IDENTITIES.c.birth_date == birth_date)
        if not conditions:
            raise InvalidInput(
                Fault("nothing to look for", expected="a name, a hospital number or a birth date")
            )
        return self._identities(*conditions)

    def identity(self, subject: str) -> Identity | None:
        """Return who a subject is; ``None`` when the key file does not know."""
        return next(iter(self._identities(IDENTITIES.c.subject == subject)), None)

    def all(self) -> list[Identity]:
        """Return every identity, ordered by subject."""
        return self._identities()

    def remember_uid(self, original: str, replacement: str) -> None:
        """Keep which UID stands for an original one; see `remember_uids`."""
        self.remember_uids({original: replacement})

    def remember_uids(self, replacements: Mapping[str, str]) -> int:
        """Keep which UIDs stand for original ones, all or none, and return how many were new.

        The same pair again changes nothing.

        Raises
        ------
        Refused
            When an original has another replacement, or a replacement stands for another original.
        """
        rows = [{"original": old, "replacement": new} for old, new in replacements.items()]
        with self._database.writing() as connection:
            there = _fetch(connection, UIDS.c.original, replacements)
            taken = _fetch(connection, UIDS.c.replacement, replacements.values())
            clashes = [row for row in rows if _clashes(row, there, taken)]
            twice = Counter(replacements.values())
            clashes += [row for row in rows if twice[row["replacement"]] > 1]
            if clashes:
                raise Refused([_other_uid(self.path, row) for row in clashes])
            return _insert(connection, UIDS, [row for row in rows if row["original"] not in there])

    def replacement_for(self, original: str) -> str | None:
        """Return the UID that stands for an original one; ``None`` when there is none yet."""
        return self.replacements_for([original]).get(original)

    def replacements_for(self, originals: Iterable[str]) -> dict[str, str]:
        """Return the UIDs that stand for original ones, by original, where there is one."""
        with self._database.reading() as connection:
            rows = _fetch(connection, UIDS.c.original, originals)
        return {original: row["replacement"] for original, row in rows.items()}

    def secret(self) -> bytes:
        """Return the secret of the study: it makes replacement UIDs and shifts of dates."""
        with self._database.reading() as connection:
            return bytes(connection.execute(sa.select(SECRET.c.secret)).scalar_one())

    def wait(self, study: WaitingStudy) -> None:
        """Keep a study that waits to be placed, over what was kept under its code."""
        with self._database.writing() as connection:
            waiting.write(connection, study)

    def waiting(self) -> list[WaitingStudy]:
        """Return every study that ever waited, whatever became of it, by day and code."""
        with self._database.reading() as connection:
            return waiting.read(connection)

    def waiting_under(self, code: str) -> WaitingStudy | None:
        """Return the study that waits, or waited, under a code."""
        with self._database.reading() as connection:
            return next(iter(waiting.read(connection, WAITING.c.code == code)), None)

    def _identities(self, *conditions: sa.ColumnElement[bool]) -> list[Identity]:
        query = sa.select(*(IDENTITIES.c[name] for name in Identity.__dataclass_fields__))
        query = query.where(*conditions).order_by(IDENTITIES.c.subject)
        with self._database.reading() as connection:
            return [Identity(*row) for row in connection.execute(query)]


def _fetch(
    connection: sa.Connection, column: sa.Column[str], keys: Iterable[str]
) -> dict[str, Row]:
    """Return the rows whose column is one of the keys, by that column."""
    rows = fetch_by(connection, column, keys)
    return {row[column.name]: dict(row) for row in rows}


def _insert(connection: sa.Connection, table: sa.Table, rows: list[Row]) -> int:
    if rows:
        connection.execute(sa.insert(table), rows)
    return len(rows)


def _clashes(row: Row, there: Mapping[str, Row], taken: Mapping[str, Row]) -> bool:
    by_original = there.get(row["original"], row)
    by_replacement = taken.get(row["replacement"], row)
    return by_original != row or by_replacement != row


def _other_identity(path: Path, subject: str) -> Fault:
    return Fault(
        "this subject is in the key file with another identity",
        where=f"{path}, subject {subject}",
        expected="the identity that is there",
        next_step="check whether two patients were given one subject code",
    )


def _other_uid(path: Path, row: Row) -> Fault:
    return Fault(
        "this UID, or its replacement, is in the key file with another partner",
        where=str(path),
        found=f"{row['original']} as {row['replacement']}",
        next_step="use the replacement that is kept",
    )
