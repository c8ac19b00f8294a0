"""The revision of a database's schema, and the way from one revision to the next."""

from __future__ import annotations

from pathlib import Path

import sqlalchemy as sa

from imgtrack.domain.errors import Broken, Fault, InvalidInput, Refused
from imgtrack.store import guards

REVISIONS: tuple[str, ...] = ("0001", "0002", "0003", "0004")
"""Every revision this program knows, oldest first; each has its file in ``migrations/versions``."""

MIGRATIONS = Path(__file__).parent / "migrations"
VERSION_FOLDERS: tuple[Path, ...] = (MIGRATIONS / "versions",)


def revision(connection: sa.Connection) -> str:
    """Return the schema revision of a database; empty when it holds no study."""
    if not sa.inspect(connection).has_table("alembic_version"):
        return ""
    found = connection.exec_driver_sql("SELECT version_num FROM alembic_version").scalar()
    return str(found or "")


def check_known(found: str, place: str) -> None:
    """Refuse a database that holds no study or one written by a newer program.

    Raises
    ------
    InvalidInput
        When there is no study.
    Refused
        When the schema is newer than this program.
    """
    if not found:
        raise InvalidInput(
            Fault(
                "there is no study in this database",
                where=place,
                next_step="begin one with `imgtrack start` or correct the address",
            )
        )
    if found not in REVISIONS:
        raise Refused(
            Fault(
                "newer schema than program",
                where=place,
                expected=f"schema revision {REVISIONS[-1]} or older",
                found=f"schema revision {found}",
                next_step="install the imgtrack that wrote it, or a newer one",
            )
        )


def check_newest(found: str, place: str) -> None:
    """Refuse a database whose schema is not the one this program writes.

    Raises
    ------
    InvalidInput, Refused
        As `check_known`, and when the schema is older.
    """
    check_known(found, place)
    if found != REVISIONS[-1]:
        raise Refused(
            Fault(
                "older schema than program",
                where=place,
                expected=f"schema revision {REVISIONS[-1]}",
                found=f"schema revision {found}",
                next_step="make a backup, then run `imgtrack upgrade`",
            )
        )


def migrate(connection: sa.Connection, to: str = "head") -> None:
    """Apply every migration up to a revision inside the transaction of the connection.

    On SQLite the connection must have foreign keys off, for tables that are rebuilt; they are
    checked at the end.

    Raises
    ------
    Broken
        When a row names another that is not there.
    """
    from alembic import command  # noqa: PLC0415 - a tenth of a second no other command should wait
    from alembic.config import Config  # noqa: PLC0415

    config = Config(attributes={"connection": connection})
    config.set_main_option("script_location", _escaped(MIGRATIONS))
    config.set_main_option("path_separator", "newline")
    folders = "\n".join(_escaped(folder) for folder in VERSION_FOLDERS)
    config.set_main_option("version_locations", folders)
    with guards.lifted(connection):
        command.upgrade(config, to)
    _check_links(connection)


def _escaped(path: Path) -> str:
    return str(path).replace("%", "%%")


def _check_links(connection: sa.Connection) -> None:
    if connection.dialect.name != "sqlite":
        return
    rows = connection.exec_driver_sql("PRAGMA foreign_key_check").all()
    if rows:
        raise Broken(
            [Fault("a row names another that is not there", where=f"{row[0]}") for row in rows]
        )
