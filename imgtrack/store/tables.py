"""The tables as the newest schema revision leaves them.

Migrations spell their own tables out and never import this module; a test holds both together.
Every record table has ``entry``, the number of the log entry that added the row: it ties the row to
the log and is the order of insertion on every database.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

import sqlalchemy as sa

from imgtrack.domain.certainty import Certainty
from imgtrack.domain.imaging import Modality, Stage
from imgtrack.domain.protocol import Plane, Weighting
from imgtrack.domain.reading import Round
from imgtrack.domain.series import ProblemState, ScanProblemKind
from imgtrack.domain.subjects import EventKind, Sex, Side

if TYPE_CHECKING:
    from enum import StrEnum

METADATA = sa.MetaData(
    naming_convention={
        "pk": "pk_%(table_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s",
    }
)

CODE = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")
"""Text compared and sorted by code point on every database."""

COUNT = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


class Moment(sa.TypeDecorator[datetime]):
    """A moment to the microsecond: UTC text on SQLite, ``timestamptz`` on PostgreSQL."""

    impl = sa.DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: sa.Dialect) -> datetime | None:
        """Turn an aware moment into what the database keeps."""
        if value is None or dialect.name != "sqlite":
            return value
        return value.astimezone(UTC).replace(tzinfo=None)

    def process_result_value(self, value: datetime | None, dialect: sa.Dialect) -> datetime | None:
        """Return the moment in UTC."""
        naive = dialect.name == "sqlite"
        return value and (value.replace(tzinfo=UTC) if naive else value.astimezone(UTC))


def _one_of(column: str, allowed: type[StrEnum]) -> sa.CheckConstraint:
    values = ", ".join(f"'{each.value}'" for each in allowed)
    return sa.CheckConstraint(f"{column} IN ({values})", name=column)


def _text(name: str) -> sa.Column[str]:
    return sa.Column(name, sa.Text, nullable=False)


def _link(name: str, target: str, *, nullable: bool = False) -> sa.Column[str]:
    return sa.Column(name, CODE, sa.ForeignKey(target), nullable=nullable)


def _record_table(name: str, key: str, *items: sa.schema.SchemaItem) -> sa.Table:
    return sa.Table(
        name,
        METADATA,
        sa.Column(key, CODE, primary_key=True),
        sa.Column("entry", COUNT, sa.ForeignKey("log.number"), nullable=False, unique=True),
        *items,
        sa.CheckConstraint(f"{key} <> ''", name=key),
    )


LOG = sa.Table(
    "log",
    METADATA,
    sa.Column("number", COUNT, primary_key=True, autoincrement=False),
    sa.Column("at", Moment, nullable=False),
    *(_text(name) for name in ("who", "what", "record", "old", "new", "reason", "version")),
    sa.Column("previous", CODE, nullable=False, unique=True),
    sa.Column("digest", CODE, nullable=False),
    sa.CheckConstraint("number >= 1", name="number"),
    sa.CheckConstraint("who <> ''", name="who"),
)

HEAD = sa.Table(
    "head",
    METADATA,
    sa.Column("one", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("number", COUNT, nullable=False),
    sa.Column("digest", CODE, nullable=False),
    sa.CheckConstraint("one = 1", name="one"),
)
"""One row: number and digest of the last log entry, so that a log cut at its end shows."""

REPAIRS = _record_table(
    "repairs",
    "code",
    sa.Column("subject", CODE, nullable=False),
    _text("side"),
    sa.Column("operated_on", sa.Date, nullable=False),
    sa.Column("sequence", sa.Integer, nullable=False),
    _text("site"),
    sa.Column("sex", sa.Text),
    sa.Column("age_years", sa.Integer),
    sa.Column("tear_size_mm", sa.Double),
    *(_text(name) for name in ("tendons", "technique", "arm", "extra")),
    sa.UniqueConstraint("subject", "side", "sequence"),
    sa.CheckConstraint("subject <> ''", name="subject"),
    _one_of("side", Side),
    _one_of("sex", Sex),
    sa.CheckConstraint("sequence >= 1", name="sequence"),
    sa.CheckConstraint("age_years >= 0", name="age_years"),
    sa.CheckConstraint("tear_size_mm >= 0", name="tear_size_mm"),
)

EVENTS = _record_table(
    "events",
    "key",
    _link("repair", "repairs.code"),
    _text("kind"),
    sa.Column("happened_on", sa.Date, nullable=False),
    _text("note"),
    _one_of("kind", EventKind),
    sa.CheckConstraint("key = repair || '/' || kind", name="key_parts"),
)

SCORES = _record_table(
    "scores",
    "key",
    _link("repair", "repairs.code"),
    _text("name"),
    _text("timepoint"),
    sa.Column("assessed_on", sa.Date, nullable=False),
    sa.Column("total", sa.Double, nullable=False),
    _text("parts"),
    sa.CheckConstraint("name <> ''", name="name"),
    sa.CheckConstraint(
        "timepoint = '' OR key = repair || '/' || name || '/' || timepoint", name="key_parts"
    ),
)

SCANS = _record_table(
    "scans",
    "uid",
    _link("repair", "repairs.code"),
    _text("timepoint"),
    sa.Column("acquired_on", sa.Date, nullable=False),
    _text("modality"),
    _text("stage"),
    _one_of("modality", Modality),
    _one_of("stage", Stage),
)

SERIES = _record_table(
    "series",
    "key",
    _link("scan", "scans.uid"),
    sa.Column("uid", CODE, nullable=False),
    sa.Column("number", sa.Integer, nullable=False),
    sa.Column("plane", sa.Text),
    _text("plane_certainty"),
    sa.Column("weighting", sa.Text),
    _text("weighting_certainty"),
    sa.Column("side", sa.Text),
    *(_text(name) for name in ("side_claims", "part")),
    *(sa.Column(name, sa.Integer, nullable=False) for name in ("rows", "columns", "slices")),
    *(
        sa.Column(name, sa.Double)
        for name in (
            "spacing_mm",
            "thickness_mm",
            "row_spacing_mm",
            "column_spacing_mm",
            "field_tesla",
        )
    ),
    *(_text(name) for name in ("images", "problems", "corrected")),
    sa.CheckConstraint("key = uid || '/' || number", name="key_parts"),
    sa.CheckConstraint("number >= 1", name="number"),
    _one_of("plane", Plane),
    _one_of("plane_certainty", Certainty),
    _one_of("weighting", Weighting),
    _one_of("weighting_certainty", Certainty),
    _one_of("side", Side),
    sa.CheckConstraint("slices >= 0", name="slices"),
)

SCAN_PROBLEMS = _record_table(
    "scan_problems",
    "key",
    _link("scan", "scans.uid"),
    *(_text(name) for name in ("kind", "about", "text", "state", "reason")),
    sa.CheckConstraint("key = scan || '/' || kind || '/' || about", name="key_parts"),
    _one_of("kind", ScanProblemKind),
    _one_of("state", ProblemState),
    sa.CheckConstraint("(state = 'settled') = (reason <> '')", name="reason"),
)

CASES = _record_table(
    "cases",
    "code",
    _text("reader"),
    _link("scan", "scans.uid"),
    _text("round"),
    *(sa.Column(name, sa.Integer, nullable=False) for name in ("batch", "place", "attempt")),
    sa.Column("open_from", sa.Date),
    sa.UniqueConstraint("reader", "scan", "round", "attempt"),
    sa.UniqueConstraint("reader", "batch", "place"),
    sa.CheckConstraint("reader <> ''", name="reader"),
    _one_of("round", Round),
    sa.CheckConstraint("batch >= 1 AND place >= 1 AND attempt >= 1", name="counts"),
)
"""No scan is allotted twice to one reader for one purpose, whoever allots at the same time."""

TRAINING_KEYS = _record_table(
    "training_keys",
    "scan",
    *(_text(name) for name in ("answers", "set_by")),
    sa.ForeignKeyConstraint(["scan"], ["scans.uid"]),
)

PASS_PHRASES = _record_table(
    "pass_phrases",
    "key",
    *(_text(name) for name in ("person", "encoded", "set_by")),
    sa.Column("set_at", Moment, nullable=False),
    sa.CheckConstraint("person <> ''", name="person"),
)

DRAFTS = sa.Table(
    "drafts",
    METADATA,
    sa.Column("case_code", CODE, sa.ForeignKey("cases.code"), primary_key=True),
    _text("session"),
    sa.Column("version", sa.Integer, nullable=False),
    *(_text(name) for name in ("answers", "images", "shown")),
    sa.Column("began_at", Moment, nullable=False),
    sa.Column("saved_at", Moment, nullable=False),
    sa.Column("active_seconds", sa.Double, nullable=False),
    sa.Column("proposals", sa.Text),
)
"""Readings under way: no records, so neither logged nor guarded; a row goes when it is signed."""

READINGS = _record_table(
    "readings",
    "key",
    _link("scan", "scans.uid"),
    _text("reader"),
    _text("round"),
    _text("answers"),
    _text("protocol_hash"),
    _text("software_version"),
    sa.Column("began_at", Moment, nullable=False),
    sa.Column("signed_at", Moment, nullable=False),
    _link("amends", "readings.key", nullable=True),
    _text("reason"),
    sa.CheckConstraint("reader <> ''", name="reader"),
    _one_of("round", Round),
    sa.CheckConstraint("amends <> key", name="amends"),
    sa.CheckConstraint("(amends IS NULL) = (reason = '')", name="reason"),
    sa.Column("case_code", CODE, sa.ForeignKey("cases.code"), unique=True),
    *(_text(name) for name in ("shown", "images")),
    sa.Column("active_seconds", sa.Double),
    *(_text(name) for name in ("derived", "mismatches", "source")),
    sa.CheckConstraint("active_seconds >= 0", name="active_seconds"),
    sa.Column("proposals", sa.Text),
)

VERDICTS = _record_table(
    "verdicts",
    "key",
    _link("scan", "scans.uid"),
    *(_text(name) for name in ("rule", "answers", "readings", "decided_by")),
    sa.Column("decided_at", Moment, nullable=False),
)

AMENDMENTS = _record_table(
    "amendments",
    "key",
    *(_text(name) for name in ("kind", "record", "reason", "amended_by")),
    sa.Column("amended_at", Moment, nullable=False),
    sa.CheckConstraint("reason <> ''", name="reason"),
)

PROTOCOL_VERSIONS = _record_table(
    "protocol_versions",
    "key",
    _text("text"),
    _text("accepted_by"),
    sa.Column("accepted_at", Moment, nullable=False),
    _text("reason"),
)
