"""A study's database: create it, open it, bring its schema up to date, look and change.

>>> store = open_store(sqlite_url(Path("study.sqlite")))           # doctest: +SKIP
>>> with store.change(who="JD", now=utc_clock) as change:           # doctest: +SKIP
...     change.add(repairs)
>>> with store.look() as look:                                      # doctest: +SKIP
...     look.all(Repair)
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import contextmanager
from datetime import datetime
from typing import TYPE_CHECKING, Self

import sqlalchemy as sa

from imgtrack.domain.errors import Fault, ImgtrackError, InvalidInput, Refused
from imgtrack.domain.log import canonical
from imgtrack.store import schema
from imgtrack.store.change import Change, checked_person
from imgtrack.store.connection import PATIENCE_SECONDS, Database, remove_sqlite, sqlite_url
from imgtrack.store.failures import files_in_our_words
from imgtrack.store.look import Look

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["Change", "Clock", "Look", "Store", "create", "open_store", "sqlite_url", "upgrade"]

Clock = Callable[[], datetime]
"""Tells the time, with its time zone."""


class Store:
    """An open study database.

    Attributes
    ----------
    url
        Address it was opened by; it may hold a password, so show ``place`` to people.
    place
        The database as a person knows it.
    dialect
        ``sqlite`` or ``postgresql``.
    """

    def __init__(self, database: Database) -> None:
        self._database = database
        self.url = database.url.render_as_string(hide_password=False)
        self.place = database.place
        self.dialect = database.dialect

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Give every connection back; the store cannot be used afterwards."""
        self._database.close()

    @contextmanager
    def look(self) -> Iterator[Look]:
        """Open one consistent view of the study; what others write meanwhile does not show.

        Raises
        ------
        Unavailable
            When the database cannot be read now.
        Refused
            When another program has changed the schema since the store was opened.
        """
        with self._database.reading() as connection:
            schema.check_newest(schema.revision(connection), self.place)
            yield Look(connection)

    @contextmanager
    def change(self, *, who: str, now: Clock) -> Iterator[Change]:
        """Open one transaction: commit on a clean exit, change nothing on any exception.

        Parameters
        ----------
        who
            Code of the person, for the log.
        now
            Clock, for the log.

        Raises
        ------
        Unavailable
            When another writer does not finish in time, the disk is full or the server is away.
        Refused
            When another program has changed the schema since the store was opened.
        InvalidInput
            When nobody is named.
        """
        with self._database.writing(checked_person(who)) as connection:
            schema.check_newest(schema.revision(connection), self.place)
            change = Change(connection, who=who, now=now)
            yield change
            change.seal()


def create(url: str, *, who: str, now: Clock, patience: float = PATIENCE_SECONDS) -> Store:
    """Create the tables of a new study and return it open.

    Parameters
    ----------
    url
        A SQLite file that does not exist yet, or an empty PostgreSQL database that does.
    who, now
        Person and clock, for the first log entry.
    patience
        Seconds to wait for another writer.

    Raises
    ------
    InvalidInput
        When the URL is of no use or the folder of the file does not exist.
    Refused
        When a study, or anything else, is already there.
    Unavailable
        When the database cannot be written now; nothing is left behind.
    """
    database = Database(url, patience=patience, foreign_keys=False)
    made = _make_file(database)
    try:
        if made:
            database.keep_write_ahead_log()
        with database.writing(who) as connection:
            refuse_occupied(connection, database.place)
            schema.migrate(connection)
            _log_schema(Change(connection, who=who, now=now), "study created", "")
    except BaseException:
        database.close()
        if made and database.path is not None:
            remove_sqlite(database.path)
        raise
    database.close()
    return open_store(url, patience=patience)


def open_store(url: str, *, patience: float = PATIENCE_SECONDS) -> Store:
    """Open the study a database holds.

    Parameters
    ----------
    url
        As given to `create`.
    patience
        Seconds to wait for another writer.

    Raises
    ------
    InvalidInput
        When the URL is of no use, the file is missing, or the database holds no study.
    Refused
        When the schema is older or newer than this program's; names both.
    Unavailable, Broken
        When the database cannot be read.
    """
    database = Database(url, patience=patience)
    require_file(database)
    try:
        with database.reading() as connection:
            schema.check_newest(schema.revision(connection), database.place)
        database.keep_write_ahead_log()
    except ImgtrackError:
        database.close()
        raise
    return Store(database)


def upgrade(
    url: str, *, who: str, now: Clock, patience: float = PATIENCE_SECONDS
) -> tuple[str, str]:
    """Bring the schema of a study up to this program's, in one transaction, and log it.

    Returns
    -------
    tuple of str
        Schema revision before and after; equal when there was nothing to do.

    Raises
    ------
    InvalidInput
        When there is no study.
    Refused
        When the schema is newer than this program.
    Unavailable, Broken
        When the database cannot be changed; it stays as it was.
    """
    database = Database(url, patience=patience, foreign_keys=False)
    require_file(database)
    try:
        with database.writing(who) as connection:
            before = schema.revision(connection)
            schema.check_known(before, database.place)
            if before == schema.REVISIONS[-1]:
                return before, before
            schema.migrate(connection)
            change = Change(connection, who=who, now=now)
            after = _log_schema(change, "schema upgraded", before)
            return before, after
    finally:
        database.close()


def _log_schema(change: Change, what: str, before: str) -> str:
    after = schema.revision(change.connection)
    change.note(what=what, record="schema", new=canonical({"from": before, "to": after}))
    change.seal()
    return after


def _make_file(database: Database) -> bool:
    """Create the file of a SQLite database; tell whether it was not there yet."""
    if database.path is None:
        return False
    if not database.path.parent.is_dir():
        raise InvalidInput(
            Fault(
                "the folder does not exist",
                where=str(database.path.parent),
                next_step="create it or choose another",
            )
        )
    with files_in_our_words(database.place):
        if database.path.exists():
            return False
        database.path.touch()
    return True


def require_file(database: Database) -> None:
    """Refuse a SQLite database whose file is not there."""
    with files_in_our_words(database.place):
        missing = database.path is not None and not database.path.is_file()
    if missing:
        raise InvalidInput(
            Fault(
                "there is no study database here",
                where=database.place,
                next_step="begin a study with `imgtrack start` or correct the path",
            )
        )


def refuse_occupied(connection: sa.Connection, place: str) -> None:
    """Refuse a database that holds any table."""
    names = sa.inspect(connection).get_table_names()
    if not names:
        return
    what = "a study is already there" if "alembic_version" in names else "the database is not empty"
    raise Refused(
        Fault(
            what,
            where=place,
            expected="an empty database",
            found=f"tables {', '.join(sorted(names))}",
            next_step="open that study, or choose another place",
        )
    )
