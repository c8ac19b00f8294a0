"""Why the tables refused some rows: which keys are taken, which named records are not there."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Any

from imgtrack.domain.errors import Fault
from imgtrack.store.connection import fetch_by
from imgtrack.store.kinds import BY_NAME, KINDS

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    import sqlalchemy as sa

    from imgtrack.store.connection import fetch_by
from imgtrack.store.kinds import Kind

Rows = list[dict[str, Any]]


def taken_keys(connection: sa.Connection, rows: Mapping[str, Rows]) -> list[Fault]:
    """Return a fault for every new row whose key is there already or comes twice.

    Parameters
    ----------
    connection
        The transaction, rolled back to before the rows.
    rows
        Refused rows by name of their kind.
    """
    faults = []
    for kind in KINDS:
        counts = Counter(row[kind.key] for row in rows.get(kind.name, []))
        there = _present(connection, kind, counts)
        taken = (key for key, count in counts.items() if count > 1 or key in there)
        faults += [_taken(kind, key, there) for key in taken]
    return faults


def _taken(kind: Kind[Any], key: str, there: set[str]) -> Fault:
    what = "is already there" if key in there else "comes twice"
    return Fault(
        f"this {kind.name} {what}",
        where=kind.label(key),
        expected="a new key",
        next_step="amend the one that is there, or leave this one out",
    )


def missing_links(connection: sa.Connection, rows: Mapping[str, Rows]) -> list[Fault]:
    """Return a fault for every row that names a record which is not there.

    Parameters
    ----------
    connection, rows
        As for `taken_keys`; rows may name each other.
    """
    faults = []
    for kind in KINDS:
        for field, target_name in kind.links:
            target = BY_NAME[target_name]
            naming = [row for row in rows.get(kind.name, []) if row[field] is not None]
            there = _present(connection, target, (row[field] for row in naming))
            there |= {row[target.key] for row in rows.get(target_name, [])}
            faults += [_lost(kind, row, field) for row in naming if row[field] not in there]
    return faults


def _lost(kind: Kind[Any], row: dict[str, Any], field: str) -> Fault:
    return Fault(
        f"the {field} it names is not there",
        where=kind.label(row[kind.key]),
        found=f"{field} {row[field]}",
        next_step="add that record first, or correct the name",
    )


def _present(connection: sa.Connection, kind: Kind[Any], keys: Iterable[str]) -> set[str]:
    return {row[kind.key] for row in fetch_by(connection, kind.table.c[kind.key], keys)}


def unexplained(rows: Mapping[str, Rows], error: sa.exc.IntegrityError) -> Fault:
    """Return the fault of a refused row that only the words of the database explain."""
    name = next(name for name in rows if rows[name])
    kind, row = BY_NAME[name], rows[name][0]
    return Fault(
        "the tables refuse this record",
        where=kind.label(row[kind.key]),
        expected="values within the limits of the table",
        found=str(error.orig).strip(),
        next_step="correct the record",
    )
