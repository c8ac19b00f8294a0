"""A migration for the tests: rebuilds append-only tables and fills a new column in."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from imgtrack.store.schema import REVISIONS

revision = "later"
down_revision = next(known for known in reversed(REVISIONS) if known != revision)
branch_labels = None
depends_on = None

TABLES = ("readings", "verdicts", "amendments", "protocol_versions", "log", "repairs", "scans")


def upgrade() -> None:
    """Give every table a column that old rows get by an UPDATE."""
    for table in TABLES:
        column = sa.Column("later", sa.Text, nullable=False, server_default="")
        with op.batch_alter_table(table, recreate="auto") as batch:
            batch.add_column(column)
            batch.alter_column("later", server_default="new")
        op.execute(f"UPDATE {table} SET later = 'old'")
