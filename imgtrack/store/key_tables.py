"""The tables of the key file, and the steps from one layout of it to the next."""

from __future__ import annotations

from secrets import token_bytes
from typing import TYPE_CHECKING

import sqlalchemy as sa

if TYPE_CHECKING:
    from collections.abc import Callable

FORMAT = 2
"""Layout of the key file, kept as its ``user_version``."""

SECRET_BYTES = 32

METADATA = sa.MetaData()
IDENTITIES = sa.Table(
    "identities",
    METADATA,
    sa.Column("subject", sa.Text, sa.CheckConstraint("subject <> ''"), primary_key=True),
    sa.Column("name", sa.Text, nullable=False),
    sa.Column("hospital_number", sa.Text, nullable=False),
    sa.Column("birth_date", sa.Date),
    sa.Column("folded_name", sa.Text, nullable=False, index=True),
    sa.Column("folded_number", sa.Text, nullable=False, index=True),
)
UIDS = sa.Table(
    "uids",
    METADATA,
    sa.Column("original", sa.Text, primary_key=True),
    sa.Column("replacement", sa.Text, nullable=False, unique=True),
)
SECRET = sa.Table(
    "secret",
    METADATA,
    sa.Column("one", sa.Integer, sa.CheckConstraint("one = 1"), primary_key=True),
    sa.Column("secret", sa.LargeBinary, nullable=False),
)
"""One row: what replacement UIDs, shifts of dates and codes of waiting studies are made with."""

WAITING = sa.Table(
    "waiting",
    METADATA,
    sa.Column("code", sa.Text, primary_key=True),
    sa.Column("study_uid", sa.Text, nullable=False, unique=True),
    sa.Column("state", sa.Text, nullable=False),
    sa.Column("reason", sa.Text, nullable=False),
    sa.Column("examined_on", sa.Date),
    sa.Column("modalities", sa.Text, nullable=False),
    sa.Column("claim", sa.Text, nullable=False),
    sa.Column("files", sa.Text, nullable=False),
)
"""Studies that could not be linked; the last two columns are JSON in ASCII."""


def lay_out(connection: sa.Connection) -> None:
    """Create every table of the newest layout and draw the secret."""
    METADATA.create_all(connection)
    _draw_secret(connection)
    connection.exec_driver_sql(f"PRAGMA user_version = {FORMAT}")


def bring_up_to_date(connection: sa.Connection) -> None:
    """Take every step that a key file of an older layout lacks, in the caller's transaction."""
    found = int(connection.exec_driver_sql("PRAGMA user_version").scalar_one())
    if not found:  # its making was interrupted
        lay_out(connection)
        return
    for step in STEPS[found - 1 :]:
        step(connection)
    if found < FORMAT:
        connection.exec_driver_sql(f"PRAGMA user_version = {FORMAT}")


def _to_2(connection: sa.Connection) -> None:
    """Add the secret and the list of studies that wait to be placed."""
    METADATA.create_all(connection, tables=[SECRET, WAITING])
    _draw_secret(connection)


def _draw_secret(connection: sa.Connection) -> None:
    connection.execute(sa.insert(SECRET).values(one=1, secret=token_bytes(SECRET_BYTES)))


STEPS: tuple[Callable[[sa.Connection], None], ...] = (_to_2,)
"""The step from each layout to the next, from 1 on."""
