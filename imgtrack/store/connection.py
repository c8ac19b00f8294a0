"""How the store connects: one engine per database, set for durable, exclusive changes.

SQLite: write-ahead log, foreign keys on, every commit synced to disk; a change takes the write lock
before it reads (``BEGIN IMMEDIATE``). PostgreSQL: a look reads one snapshot (``REPEATABLE READ``);
changes wait for each other on one advisory lock.
"""

from __future__ import annotations

import sqlite3
from contextlib import closing, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

import sqlalchemy as sa

from imgtrack.domain.errors import Fault, InvalidInput
from imgtrack.store.failures import in_our_words, sqlite_holder

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

PATIENCE_SECONDS = 30.0
"""How long a change waits for another one to finish."""

SQLITE_SUFFIXES = ("", "-wal", "-shm", "-journal")
"""What SQLite adds to the name of a database for the files it keeps beside it."""

KEYS_AT_ONCE = 500
"""Keys asked for in one query, well below what any database binds."""

WRITER_LOCK = 0x696D677472
"""Key of the PostgreSQL advisory lock that whoever changes a study holds."""

SQLITE_PRAGMAS = (
    "PRAGMA synchronous = FULL",
    "PRAGMA recursive_triggers = ON",  # so that REPLACE meets the guards against deletion
    "PRAGMA trusted_schema = OFF",
)


class Database:
    """A place that holds, or will hold, one study.

    Parameters
    ----------
    url
        ``sqlite:///...`` or ``postgresql://...``.
    patience
        Seconds to wait for another writer.
    foreign_keys
        Off only while a migration rebuilds tables (SQLite).

    Raises
    ------
    InvalidInput
        When the URL is malformed or names another kind of database.
    """

    def __init__(
        self, url: str, *, patience: float = PATIENCE_SECONDS, foreign_keys: bool = True
    ) -> None:
        self.url = parse_url(url)
        self.patience = patience
        self.dialect = self.url.get_backend_name()
        self.place = self.url.render_as_string(hide_password=True)
        if self.dialect == "sqlite":
            self.path: Path | None = Path(str(self.url.database))
            self.place = str(self.path)
            self.engine = _sqlite_engine(self.path, patience, foreign_keys=foreign_keys)
        else:
            self.path = None
            self.engine = _postgresql_engine(self.url, patience)

    def close(self) -> None:
        """Give every connection back."""
        self.engine.dispose()

    @contextmanager
    def reading(self) -> Iterator[sa.Connection]:
        """Give a connection that sees one state of the database from first to last."""
        with in_our_words(self.place), self.engine.connect() as connection:
            if self.dialect == "postgresql":
                connection.execution_options(
                    isolation_level="REPEATABLE READ", postgresql_readonly=True
                )
            yield connection

    @contextmanager
    def writing(self, who: str = "") -> Iterator[sa.Connection]:
        """Give the one connection that may write; commit on a clean exit, else roll back."""
        with in_our_words(self.place, self.holder), self.engine.connect() as connection:
            if self.dialect == "sqlite":
                connection.execution_options(begin="BEGIN IMMEDIATE")
            with connection.begin():
                if self.dialect == "postgresql":
                    _lock_out_others(connection, who)
                yield connection

    def keep_write_ahead_log(self) -> None:
        """See that readers and the writer do not wait for each other; SQLite remembers it."""
        if self.path is not None:
            with (
                in_our_words(self.place, self.holder),
                closing(connect_sqlite(self.path, self.patience)) as connection,
            ):
                connection.execute("PRAGMA journal_mode = WAL")

    def holder(self) -> str:
        """Return who holds the write lock now, as far as can be told; else an empty string."""
        if self.path is not None:
            return sqlite_holder(self.path)
        with in_our_words(self.place):
            return _postgresql_holder(self.engine)


@contextmanager
def savepoint(connection: sa.Connection) -> Iterator[None]:
    """Undo what the block did when it raises, and leave the rest of the transaction standing.

    Some failures (a full disk) make SQLite undo the whole transaction by itself. Nothing may be
    written to the connection then, or it would be committed piece by piece: it is put out of use.
    """
    point = connection.begin_nested()
    try:
        yield
    except BaseException:
        if not _is_undone(connection):
            point.rollback()
        raise
    point.commit()


def _is_undone(connection: sa.Connection) -> bool:
    """Tell whether the whole transaction is gone, and see that nothing follows it."""
    if connection.invalidated:
        return True
    driver: Any = connection.connection.dbapi_connection
    if connection.dialect.name == "sqlite" and not driver.in_transaction:
        connection.invalidate()
    return connection.invalidated


def fetch_by(
    connection: sa.Connection, column: sa.Column[str], keys: Iterable[str]
) -> Iterator[sa.RowMapping]:
    """Yield the rows whose column is one of the keys, however many keys there are."""
    asked = sorted(set(keys))
    for start in range(0, len(asked), KEYS_AT_ONCE):
        part = asked[start : start + KEYS_AT_ONCE]
        query = sa.select(column.table).where(column.in_(part))
        yield from connection.execute(query).mappings()


def parse_url(url: str) -> sa.URL:
    """Return the URL of a database of a kind we keep studies in.

    Raises
    ------
    InvalidInput
        For any other URL.
    """
    try:
        parsed = sa.make_url(url)
    except sa.exc.ArgumentError:
        raise _unknown_url(url.partition("@")[2] or url) from None
    if parsed.get_backend_name() == "postgresql":
        return parsed.set(drivername="postgresql+psycopg")
    if parsed.get_backend_name() == "sqlite" and parsed.database not in (None, "", ":memory:"):
        return parsed
    raise _unknown_url(parsed.render_as_string(hide_password=True))


def _unknown_url(found: str) -> InvalidInput:
    return InvalidInput(
        Fault(
            "no study can be kept there",
            expected="sqlite:///FILE or postgresql://USER@HOST/DATABASE",
            found=found,
            next_step="correct the address of the database",
        )
    )


def sqlite_url(path: Path) -> str:
    """Return the URL of a SQLite file; any character may stand in its path."""
    url = sa.URL.create("sqlite", database=str(path.absolute()))
    return url.render_as_string(hide_password=False)


def sqlite_files(path: Path | None) -> list[Path]:
    """Return a SQLite file and the files SQLite may keep beside it; none for a server."""
    if path is None:
        return []
    return [path.with_name(path.name + suffix) for suffix in SQLITE_SUFFIXES]


def remove_sqlite(path: Path) -> None:
    """Remove a SQLite file and the files SQLite keeps beside it."""
    for each in sqlite_files(path):
        each.unlink(missing_ok=True)


def connect_sqlite(path: Path, patience: float) -> sqlite3.Connection:
    """Open a SQLite file that exists; transactions are begun by the caller, never by the driver."""
    return sqlite3.connect(
        f"file:{quote(str(path.absolute()))}?mode=rw",
        uri=True,
        timeout=patience,
        isolation_level=None,
        check_same_thread=False,
    )


def _sqlite_engine(path: Path, patience: float, *, foreign_keys: bool) -> sa.Engine:
    def connect() -> sqlite3.Connection:
        connection = connect_sqlite(path, patience)
        for pragma in SQLITE_PRAGMAS:
            connection.execute(pragma)
        connection.execute(f"PRAGMA foreign_keys = {'ON' if foreign_keys else 'OFF'}")
        return connection

    engine = sa.create_engine(
        "sqlite://", creator=connect, poolclass=sa.QueuePool, hide_parameters=True
    )
    sa.event.listen(engine, "begin", _begin)
    return engine


def _begin(connection: sa.Connection) -> None:
    connection.exec_driver_sql(connection.get_execution_options().get("begin", "BEGIN"))


def _postgresql_engine(url: sa.URL, patience: float) -> sa.Engine:
    engine = sa.create_engine(
        url,
        pool_pre_ping=True,
        hide_parameters=True,
        isolation_level="READ COMMITTED",
        connect_args={"connect_timeout": max(2, round(patience)), "application_name": "imgtrack"},
    )

    def set_patience(connection: Any, _record: object) -> None:
        connection.execute(f"SET lock_timeout = {max(1, round(1000 * patience))}")
        connection.commit()

    sa.event.listen(engine, "connect", set_patience)
    return engine


def _lock_out_others(connection: sa.Connection, who: str) -> None:
    name = sa.func.set_config("application_name", f"imgtrack for {who}", sa.true())
    connection.execute(sa.select(name))
    connection.execute(sa.select(sa.func.pg_advisory_xact_lock(WRITER_LOCK)))


HOLDER_QUERY = sa.text(
    "SELECT activity.pid, activity.application_name, host(activity.client_addr) AS host"
    " FROM pg_locks AS held JOIN pg_stat_activity AS activity ON activity.pid = held.pid"
    " WHERE held.locktype = 'advisory' AND held.granted AND held.database ="
    " (SELECT oid FROM pg_database WHERE datname = current_database())"
    " AND (held.classid::bigint << 32) + held.objid::bigint = :key"
)


def _postgresql_holder(engine: sa.Engine) -> str:
    with engine.connect() as connection:
        rows = connection.execute(HOLDER_QUERY, {"key": WRITER_LOCK}).all()
    return ", ".join(
        f"{row.application_name} (server process {row.pid}, from {row.host or 'this machine'})"
        for row in rows
    )
