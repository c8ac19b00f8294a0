"""What the program proposed to a reader, kept with draft and reading."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the column; where it is empty, nothing was recorded of proposals."""
    for table in ("drafts", "readings"):
        op.add_column(table, sa.Column("proposals", sa.Text))
