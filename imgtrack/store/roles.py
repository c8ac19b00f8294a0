"""Who may do what in a PostgreSQL database, held by the server: grants and row-level security.

imgtrack asks for a person's role before every act. Where people reach the database with logins of
their own, the server asks too, whatever program speaks to it. Nothing here is part of the schema:
it can be granted, changed and revoked at any time, and a study without it works as before.

What a login may see is tied to the code of one person, written into the policies as a constant,
so that nothing a session can set changes it. The owner of the tables is not bound by them, nor is
a superuser: they are for the desk's own account and for the administrator.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

import sqlalchemy as sa

from imgtrack.domain.errors import Fault, InvalidInput, Refused
from imgtrack.domain.protocol import Role
from imgtrack.store.tables import (
    AMENDMENTS,
    CASES,
    DRAFTS,
    EVENTS,
    HEAD,
    LOG,
    METADATA,
    PASS_PHRASES,
    PROTOCOL_VERSIONS,
    READINGS,
    REPAIRS,
    SCAN_PROBLEMS,
    SCANS,
    SCORES,
    SERIES,
    TRAINING_KEYS,
    VERDICTS,
)

if TYPE_CHECKING:
    from imgtrack.store.database import Change

TABLES = tuple(METADATA.sorted_tables)
VERSION_TABLE = "alembic_version"
LOGIN = re.compile(r"[A-Za-z0-9_.@-]{1,40}")
"""Logins that are bound; names of policies are made of them and cut at 63 characters."""


@dataclass(frozen=True, slots=True)
class Access:
    """What one login of the server stands for.

    Attributes
    ----------
    login
        Name of the login; the administrator of the server makes it.
    person, role
        Code and role of the person whose login it is.
    one_reader
        Whether the protocol has one reader per scan, whose reading is the verdict.
    shows_readings
        Whether the protocol shows first readings to adjudicators.
    """

    login: str
    person: str
    role: Role
    one_reader: bool = False
    shows_readings: bool = False


@dataclass(frozen=True, slots=True)
class Rule:
    """What a role may do with one table.

    Attributes
    ----------
    table
        Which one.
    acts
        Of ``SELECT``, ``INSERT``, ``UPDATE`` and ``DELETE``.
    rows
        Condition on the rows, with ``{me}`` for the person; empty for all rows.
    columns
        The only columns that may be seen, or changed; empty for all.
    """

    table: sa.Table
    acts: tuple[str, ...]
    rows: str = ""
    columns: tuple[str, ...] = ()


LOOK = ("SELECT",)
ADD = ("SELECT", "INSERT")
AMEND = ("SELECT", "INSERT", "UPDATE")

OWN_CASES = "SELECT cases.scan FROM cases WHERE cases.reader = {me}"
OWN_SETTLING = OWN_CASES + " AND cases.round = 'settling'"
OWN_SCANS = f"uid IN ({OWN_CASES})"

CHAIN = (
    Rule(HEAD, ("SELECT", "UPDATE")),
    Rule(PROTOCOL_VERSIONS, LOOK),
    Rule(PASS_PHRASES, ("SELECT",), "person = {me}"),
    Rule(PASS_PHRASES, ("INSERT",), "person = {me} AND set_by = {me}"),
    Rule(AMENDMENTS, ("INSERT",), "amended_by = {me}"),
)
"""What every change needs: the head of the log, the protocol, and one's own pass phrase."""

OWN_LOG = (Rule(LOG, ADD, "who = {me}"),)
WHOLE_LOG = (Rule(LOG, LOOK), Rule(LOG, ("INSERT",), "who = {me}"))

OWN_WORK = (
    *CHAIN,
    *OWN_LOG,
    Rule(CASES, LOOK, "reader = {me}"),
    Rule(
        DRAFTS,
        (*AMEND, "DELETE"),
        "case_code IN (SELECT cases.code FROM cases WHERE cases.reader = {me})",
    ),
    Rule(READINGS, LOOK, "reader = {me}"),
    Rule(READINGS, ("INSERT",), f"reader = {{me}} AND source = '' AND scan IN ({OWN_CASES})"),
    Rule(SERIES, LOOK, f"scan IN ({OWN_CASES})"),
    Rule(SCANS, LOOK, OWN_SCANS),
    Rule(SCANS, ("UPDATE",), OWN_SCANS, ("stage",)),
    Rule(
        REPAIRS,
        LOOK,
        "code IN (SELECT scans.repair FROM scans)",  # of those the login sees
        ("code", "entry", "operated_on", "side"),
    ),
)

DRAFT_TIMES = Rule(DRAFTS, LOOK, columns=("case_code", "saved_at"))
"""That a case is begun, and nothing of what is answered."""

REGISTRY = (REPAIRS, SCANS, SERIES, SCAN_PROBLEMS, EVENTS, SCORES)
RESULTS = (*REGISTRY, CASES, TRAINING_KEYS, READINGS, VERDICTS, AMENDMENTS, PROTOCOL_VERSIONS)
"""What analysts see: no pass phrase and no draft."""


def _looking(*tables: sa.Table) -> tuple[Rule, ...]:
    return tuple(Rule(table, LOOK) for table in tables)


BY_ROLE: Mapping[Role, tuple[Rule, ...]] = MappingProxyType(
    {
        Role.READER: (
            *OWN_WORK,
            Rule(TRAINING_KEYS, LOOK, f"scan IN ({OWN_CASES} AND cases.round = 'training')"),
        ),
        Role.ADJUDICATOR: (*OWN_WORK, Rule(TRAINING_KEYS, LOOK, "false")),
        Role.ANALYST: (
            Rule(HEAD, ("SELECT", "UPDATE")),
            *WHOLE_LOG,
            *_looking(*RESULTS),
            DRAFT_TIMES,
        ),
        Role.SURGEON: (
            Rule(HEAD, ("SELECT", "UPDATE")),
            *OWN_LOG,
            *_looking(*REGISTRY, PROTOCOL_VERSIONS),
        ),
        Role.COORDINATOR: (
            Rule(HEAD, ("SELECT", "UPDATE")),
            *WHOLE_LOG,
            *(Rule(table, AMEND) for table in (*REGISTRY, TRAINING_KEYS)),
            *(Rule(table, ADD) for table in (CASES, VERDICTS, PASS_PHRASES, PROTOCOL_VERSIONS)),
            Rule(READINGS, LOOK),
            Rule(READINGS, ("INSERT",), "source <> ''"),
            Rule(AMENDMENTS, LOOK),
            Rule(AMENDMENTS, ("INSERT",), "amended_by = {me}"),
            DRAFT_TIMES,
        ),
    }
)
"""What each role may do. The surgeon's follow-up board shows that a scan is read, and no answer."""


def grant(change: Change, access: Access) -> None:
    """Let a login do what the role of its person may, and nothing else; log it.

    Parameters
    ----------
    change
        Of a study in PostgreSQL, by the owner of its tables.
    access
        Who, as what. What the login was granted before is taken back first.

    Raises
    ------
    Refused
        When the study is a SQLite file, or the login is missing, owns the tables or is a
        superuser.
    InvalidInput
        When the name of the login is too long.
    """
    connection = change.connection
    _require_bound(connection, access.login)
    _take_back(connection, access.login)
    login = _quoted(connection, access.login)
    for table in TABLES:
        connection.exec_driver_sql(f"ALTER TABLE {table.name} ENABLE ROW LEVEL SECURITY")
    connection.exec_driver_sql(f"GRANT SELECT ON {VERSION_TABLE} TO {login}")
    for number, rule in enumerate(_rules(access), 1):
        for statement in _statements(connection, access, rule, number):
            connection.exec_driver_sql(statement)
    change.note(
        what="access granted",
        record=f"person:{access.person}",
        new=f"{access.login} as {access.role.value}",
    )


def revoke(change: Change, login: str) -> None:
    """Take back everything a login was granted; log it.

    Raises
    ------
    Refused
        As `grant`.
    """
    _require_bound(change.connection, login)
    _take_back(change.connection, login)
    change.note(what="access revoked", record=f"login:{login}")


def _rules(access: Access) -> Iterator[Rule]:
    yield from BY_ROLE[access.role]
    if access.role is Role.READER and access.one_reader:
        yield Rule(VERDICTS, ADD, f"scan IN ({OWN_CASES})")
    if access.role is Role.ADJUDICATOR and access.shows_readings:
        yield Rule(READINGS, LOOK, f"round = 'first' AND scan IN ({OWN_SETTLING})")
        yield Rule(VERDICTS, ADD, f"scan IN ({OWN_SETTLING})")


def _statements(
    connection: sa.Connection, access: Access, rule: Rule, number: int
) -> Iterator[str]:
    """Yield the grant of a rule and its policies, one for each act."""
    login = _quoted(connection, access.login)
    columns = f" ({', '.join(rule.columns)})" if rule.columns else ""
    acts = ", ".join(f"{act}{columns}" for act in rule.acts)
    yield f"GRANT {acts} ON {rule.table.name} TO {login}"
    person = "'" + access.person.replace("'", "''") + "'"
    rows = rule.rows.format(me=person) or "true"
    for act in rule.acts:
        name = _quoted(connection, f"{access.login} {number} {act}")
        using = "" if act == "INSERT" else f" USING ({rows})"
        check = f" WITH CHECK ({rows})" if act in {"INSERT", "UPDATE"} else ""
        yield f"CREATE POLICY {name} ON {rule.table.name} FOR {act} TO {login}{using}{check}"


def _take_back(connection: sa.Connection, login: str) -> None:
    query = sa.text(
        "SELECT policyname, tablename FROM pg_policies"
        " WHERE schemaname = current_schema() AND :login = ANY(roles)"
    )
    for row in connection.execute(query, {"login": login}).all():
        name = _quoted(connection, row.policyname)
        connection.exec_driver_sql(f"DROP POLICY {name} ON {row.tablename}")
    for name in (*(table.name for table in TABLES), VERSION_TABLE):
        connection.exec_driver_sql(f"REVOKE ALL ON {name} FROM {_quoted(connection, login)}")


def _quoted(connection: sa.Connection, name: str) -> str:
    return connection.dialect.identifier_preparer.quote_identifier(name)


def _require_bound(connection: sa.Connection, login: str) -> None:
    """Refuse a login that grants and policies would not bind."""
    if connection.dialect.name != "postgresql":
        raise Refused(
            Fault(
                "a SQLite file knows no logins: who can read the file can read all of it",
                expected="a study in PostgreSQL",
                next_step="keep the file where only the desk's account can read it",
            )
        )
    if not LOGIN.fullmatch(login):
        raise InvalidInput(
            Fault("this login cannot be used", login, "up to 40 letters, digits and _ . @ -")
        )
    query = sa.text(
        "SELECT rolsuper OR rolbypassrls OR pg_has_role(oid, :owner, 'USAGE')"
        " FROM pg_roles WHERE rolname = :login"
    )
    owner = connection.execute(
        sa.text(
            "SELECT tableowner FROM pg_tables"
            " WHERE tablename = 'log' AND schemaname = current_schema()"
        )
    ).scalar_one()
    free = connection.execute(query, {"login": login, "owner": owner}).scalar_one_or_none()
    if free is None:
        raise Refused(
            Fault(
                "the server has no such login",
                login,
                next_step=f"the administrator of the server makes it: CREATE ROLE {login} LOGIN",
            )
        )
    if free:
        raise Refused(
            Fault("this login owns the study or may do anything on the server", login, "another")
        )
