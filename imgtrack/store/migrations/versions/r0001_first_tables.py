"""The first tables: log and head, repairs and what hangs from them, readings and verdicts."""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

CODE = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")
COUNT = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
MOMENT = sa.DateTime(timezone=True)


def upgrade() -> None:
    """Create every table of revision 0001 and the empty log's head."""
    _log()
    _repairs()
    _events()
    _scores()
    _scans()
    _readings()
    _verdicts()
    _amendments()
    _protocol_versions()


def _text(*names: str) -> list[sa.Column[str]]:
    return [sa.Column(name, sa.Text, nullable=False) for name in names]


def _check(table: str, name: str, condition: str) -> sa.CheckConstraint:
    return sa.CheckConstraint(condition, name=op.f(f"ck_{table}_{name}"))


def _link(table: str, column: str, target: str) -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint([column], [target], name=op.f(f"fk_{table}_{column}"))


def _unique(table: str, *columns: str) -> sa.UniqueConstraint:
    return sa.UniqueConstraint(*columns, name=op.f(f"uq_{table}_{'_'.join(columns)}"))


def _record_table(table: str, key: str, *items: Any) -> None:
    op.create_table(
        table,
        sa.Column(key, CODE, nullable=False),
        sa.Column("entry", COUNT, nullable=False),
        *items,
        sa.PrimaryKeyConstraint(key, name=op.f(f"pk_{table}")),
        _link(table, "entry", "log.number"),
        _unique(table, "entry"),
        _check(table, key, f"{key} <> ''"),
    )


def _log() -> None:
    op.create_table(
        "log",
        sa.Column("number", COUNT, nullable=False, autoincrement=False),
        sa.Column("at", MOMENT, nullable=False),
        *_text("who", "what", "record", "old", "new", "reason", "version"),
        sa.Column("previous", CODE, nullable=False),
        sa.Column("digest", CODE, nullable=False),
        sa.PrimaryKeyConstraint("number", name=op.f("pk_log")),
        _unique("log", "previous"),
        _check("log", "number", "number >= 1"),
        _check("log", "who", "who <> ''"),
    )
    op.create_table(
        "head",
        sa.Column("one", sa.Integer, nullable=False, autoincrement=False),
        sa.Column("number", COUNT, nullable=False),
        sa.Column("digest", CODE, nullable=False),
        sa.PrimaryKeyConstraint("one", name=op.f("pk_head")),
        _check("head", "one", "one = 1"),
    )
    op.execute(f"INSERT INTO head (one, number, digest) VALUES (1, 0, '{'0' * 64}')")  # noqa: S608


def _repairs() -> None:
    _record_table(
        "repairs",
        "code",
        sa.Column("subject", CODE, nullable=False),
        *_text("side"),
        sa.Column("operated_on", sa.Date, nullable=False),
        sa.Column("sequence", sa.Integer, nullable=False),
        *_text("site"),
        sa.Column("sex", sa.Text),
        sa.Column("age_years", sa.Integer),
        sa.Column("tear_size_mm", sa.Double),
        *_text("tendons", "technique", "arm", "extra"),
        _unique("repairs", "subject", "side", "sequence"),
        _check("repairs", "subject", "subject <> ''"),
        _check("repairs", "side", "side IN ('left', 'right')"),
        _check("repairs", "sex", "sex IN ('female', 'male', 'other')"),
        _check("repairs", "sequence", "sequence >= 1"),
        _check("repairs", "age_years", "age_years >= 0"),
        _check("repairs", "tear_size_mm", "tear_size_mm >= 0"),
    )


def _events() -> None:
    _record_table(
        "events",
        "key",
        sa.Column("repair", CODE, nullable=False),
        *_text("kind"),
        sa.Column("happened_on", sa.Date, nullable=False),
        *_text("note"),
        _link("events", "repair", "repairs.code"),
        _check(
            "events", "kind", "kind IN ('revision', 'infection', 'withdrawal', 'death', 'lost')"
        ),
        _check("events", "key_parts", "key = repair || '/' || kind"),
    )


def _scores() -> None:
    _record_table(
        "scores",
        "key",
        sa.Column("repair", CODE, nullable=False),
        *_text("name", "timepoint"),
        sa.Column("assessed_on", sa.Date, nullable=False),
        sa.Column("total", sa.Double, nullable=False),
        *_text("parts"),
        _link("scores", "repair", "repairs.code"),
        _check("scores", "name", "name <> ''"),
        _check(
            "scores",
            "key_parts",
            "timepoint = '' OR key = repair || '/' || name || '/' || timepoint",
        ),
    )


def _scans() -> None:
    _record_table(
        "scans",
        "uid",
        sa.Column("repair", CODE, nullable=False),
        *_text("timepoint"),
        sa.Column("acquired_on", sa.Date, nullable=False),
        *_text("modality", "stage"),
        _link("scans", "repair", "repairs.code"),
        _check("scans", "modality", "modality IN ('MR', 'CR', 'DX', 'US')"),
        _check("scans", "stage", "stage IN ('scan in', 'being read', 'readers differ', 'final')"),
    )


def _readings() -> None:
    _record_table(
        "readings",
        "key",
        sa.Column("scan", CODE, nullable=False),
        *_text("reader", "round", "answers", "protocol_hash", "software_version"),
        sa.Column("began_at", MOMENT, nullable=False),
        sa.Column("signed_at", MOMENT, nullable=False),
        sa.Column("amends", CODE),
        *_text("reason"),
        _link("readings", "scan", "scans.uid"),
        _link("readings", "amends", "readings.key"),
        _check("readings", "reader", "reader <> ''"),
        _check("readings", "round", "round IN ('first', 'second', 'repeat', 'settling')"),
        _check("readings", "amends", "amends <> key"),
        _check("readings", "reason", "(amends IS NULL) = (reason = '')"),
    )


def _verdicts() -> None:
    _record_table(
        "verdicts",
        "key",
        sa.Column("scan", CODE, nullable=False),
        *_text("rule", "answers", "readings", "decided_by"),
        sa.Column("decided_at", MOMENT, nullable=False),
        _link("verdicts", "scan", "scans.uid"),
    )


def _amendments() -> None:
    _record_table(
        "amendments",
        "key",
        *_text("kind", "record", "reason", "amended_by"),
        sa.Column("amended_at", MOMENT, nullable=False),
        _check("amendments", "reason", "reason <> ''"),
    )


def _protocol_versions() -> None:
    _record_table(
        "protocol_versions",
        "key",
        *_text("text", "accepted_by"),
        sa.Column("accepted_at", MOMENT, nullable=False),
        *_text("reason"),
    )
