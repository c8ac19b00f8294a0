"""The reading desk: cases, drafts, training keys and pass phrases; more about each reading."""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

CODE = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")
COUNT = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
MOMENT = sa.DateTime(timezone=True)
ROUNDS = "round IN ('first', 'second', 'repeat', 'settling', 'training')"


def upgrade() -> None:
    """Create the desk's tables and give the readings their new columns."""
    _cases()
    _training_keys()
    _pass_phrases()
    _drafts()
    _readings()


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


def _cases() -> None:
    _record_table(
        "cases",
        "code",
        *_text("reader"),
        sa.Column("scan", CODE, nullable=False),
        *_text("round"),
        *(sa.Column(name, sa.Integer, nullable=False) for name in ("batch", "place", "attempt")),
        sa.Column("open_from", sa.Date),
        _link("cases", "scan", "scans.uid"),
        _unique("cases", "reader", "scan", "round", "attempt"),
        _unique("cases", "reader", "batch", "place"),
        _check("cases", "reader", "reader <> ''"),
        _check("cases", "round", ROUNDS),
        _check("cases", "counts", "batch >= 1 AND place >= 1 AND attempt >= 1"),
    )


def _training_keys() -> None:
    _record_table(
        "training_keys",
        "scan",
        *_text("answers", "set_by"),
        _link("training_keys", "scan", "scans.uid"),
    )


def _pass_phrases() -> None:
    _record_table(
        "pass_phrases",
        "key",
        *_text("person", "encoded", "set_by"),
        sa.Column("set_at", MOMENT, nullable=False),
        _check("pass_phrases", "person", "person <> ''"),
    )


def _drafts() -> None:
    op.create_table(
        "drafts",
        sa.Column("case_code", CODE, nullable=False),
        *_text("session"),
        sa.Column("version", sa.Integer, nullable=False),
        *_text("answers", "images", "shown"),
        sa.Column("began_at", MOMENT, nullable=False),
        sa.Column("saved_at", MOMENT, nullable=False),
        sa.Column("active_seconds", sa.Double, nullable=False),
        sa.PrimaryKeyConstraint("case_code", name=op.f("pk_drafts")),
        _link("drafts", "case_code", "cases.code"),
    )


def _readings() -> None:
    """Rebuild the readings where a check cannot be changed in place (SQLite)."""
    filled = {"shown": "[]", "images": "{}", "derived": "{}", "mismatches": "[]", "source": ""}
    with op.batch_alter_table("readings", copy_from=_readings_of_0001()) as batch:
        batch.drop_constraint(op.f("ck_readings_round"), type_="check")
        batch.create_check_constraint(op.f("ck_readings_round"), ROUNDS)
        batch.add_column(sa.Column("case_code", CODE))
        for name in ("shown", "images"):
            batch.add_column(_filled(name, filled[name]))
        batch.add_column(sa.Column("active_seconds", sa.Double))
        for name in ("derived", "mismatches", "source"):
            batch.add_column(_filled(name, filled[name]))
        batch.create_foreign_key(op.f("fk_readings_case_code"), "cases", ["case_code"], ["code"])
        batch.create_unique_constraint(op.f("uq_readings_case_code"), ["case_code"])
        batch.create_check_constraint(op.f("ck_readings_active_seconds"), "active_seconds >= 0")


def _filled(name: str, value: str) -> sa.Column[str]:
    return sa.Column(name, sa.Text, nullable=False, server_default=value)


def _readings_of_0001() -> sa.Table:
    return sa.Table(
        "readings",
        sa.MetaData(),
        sa.Column("key", CODE, nullable=False),
        sa.Column("entry", COUNT, nullable=False),
        sa.Column("scan", CODE, nullable=False),
        *_text("reader", "round", "answers", "protocol_hash", "software_version"),
        sa.Column("began_at", MOMENT, nullable=False),
        sa.Column("signed_at", MOMENT, nullable=False),
        sa.Column("amends", CODE),
        *_text("reason"),
        sa.PrimaryKeyConstraint("key", name=op.f("pk_readings")),
        _link("readings", "entry", "log.number"),
        _unique("readings", "entry"),
        _check("readings", "key", "key <> ''"),
        _link("readings", "scan", "scans.uid"),
        _link("readings", "amends", "readings.key"),
        _check("readings", "reader", "reader <> ''"),
        _check("readings", "round", "round IN ('first', 'second', 'repeat', 'settling')"),
        _check("readings", "amends", "amends <> key"),
        _check("readings", "reason", "(amends IS NULL) = (reason = '')"),
    )
