"""Series of scans, and the problems of scans."""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

CODE = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")
COUNT = sa.BigInteger().with_variant(sa.Integer(), "sqlite")

CERTAINTIES = "('certain', 'likely', 'unsure')"
PLANES = "('coronal oblique', 'sagittal oblique', 'axial')"
WEIGHTINGS = (
    "('T1', 'T2', 'PD', 'T1 fat suppressed', 'T2 fat suppressed', 'PD fat suppressed', 'STIR',"
    " 'Dixon', 'fluid sensitive')"
)
PROBLEMS = (
    "('side', 'second scan', 'outside every window', 'no images of this modality',"
    " 'series missing', 'name unsure', 'geometry', 'body part', 'slice thickness', 'slice gap',"
    " 'pixel size', 'field strength', 'coverage')"
)


def upgrade() -> None:
    """Create the tables of series and of problems."""
    _record_table("series", *_series())
    _record_table(
        "scan_problems",
        *_text("kind", "about", "text", "state", "reason"),
        _check("scan_problems", "key_parts", "key = scan || '/' || kind || '/' || about"),
        _check("scan_problems", "kind", f"kind IN {PROBLEMS}"),
        _check("scan_problems", "state", "state IN ('open', 'settled', 'gone')"),
        _check("scan_problems", "reason", "(state = 'settled') = (reason <> '')"),
    )


def _series() -> list[Any]:
    millimetres = ("spacing_mm", "thickness_mm", "row_spacing_mm", "column_spacing_mm")
    return [
        sa.Column("uid", CODE, nullable=False),
        *_whole("number"),
        sa.Column("plane", sa.Text),
        *_text("plane_certainty"),
        sa.Column("weighting", sa.Text),
        *_text("weighting_certainty"),
        sa.Column("side", sa.Text),
        *_text("side_claims", "part"),
        *_whole("rows", "columns", "slices"),
        *(sa.Column(name, sa.Double) for name in (*millimetres, "field_tesla")),
        *_text("images", "problems", "corrected"),
        _check("series", "key_parts", "key = uid || '/' || number"),
        _check("series", "number", "number >= 1"),
        _check("series", "plane", f"plane IN {PLANES}"),
        _check("series", "plane_certainty", f"plane_certainty IN {CERTAINTIES}"),
        _check("series", "weighting", f"weighting IN {WEIGHTINGS}"),
        _check("series", "weighting_certainty", f"weighting_certainty IN {CERTAINTIES}"),
        _check("series", "side", "side IN ('left', 'right')"),
        _check("series", "slices", "slices >= 0"),
    ]


def _text(*names: str) -> list[sa.Column[str]]:
    return [sa.Column(name, sa.Text, nullable=False) for name in names]


def _whole(*names: str) -> list[sa.Column[int]]:
    return [sa.Column(name, sa.Integer, nullable=False) for name in names]


def _check(table: str, name: str, condition: str) -> sa.CheckConstraint:
    return sa.CheckConstraint(condition, name=op.f(f"ck_{table}_{name}"))


def _record_table(table: str, *items: Any) -> None:
    op.create_table(
        table,
        sa.Column("key", CODE, nullable=False),
        sa.Column("entry", COUNT, nullable=False),
        sa.Column("scan", CODE, nullable=False),
        *items,
        sa.PrimaryKeyConstraint("key", name=op.f(f"pk_{table}")),
        sa.ForeignKeyConstraint(["entry"], ["log.number"], name=op.f(f"fk_{table}_entry")),
        sa.UniqueConstraint("entry", name=op.f(f"uq_{table}_entry")),
        sa.ForeignKeyConstraint(["scan"], ["scans.uid"], name=op.f(f"fk_{table}_scan")),
        _check(table, "key", "key <> ''"),
    )
