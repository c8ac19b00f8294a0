"""Log entries: as rows, as digests computed anew, and what else they tell."""

from __future__ import annotations

from dataclasses import fields
from importlib import metadata
from typing import TYPE_CHECKING, Any

from imgtrack.domain.log import Entry, digest
from imgtrack.domain.reading import Amendment
from imgtrack.store.kinds import KINDS

if TYPE_CHECKING:
    from imgtrack.store.kinds import Kind

RESERVED = frozenset(f"{kind.name} {act}" for kind in KINDS for act in ("added", "amended"))
"""Acts that stand for a change of a record, by which the log can be replayed."""

_FIELDS = tuple(field.name for field in fields(Entry))


def entry_row(entry: Entry) -> dict[str, Any]:
    """Return the columns of an entry."""
    return {name: getattr(entry, name) for name in _FIELDS}


def recomputed_digest(entry: Entry) -> str:
    """Return the digest an entry should have by its other fields."""
    parts = entry_row(entry)
    del parts["digest"]
    return digest(**parts)


def amendment_of(entry: Entry, kind: Kind[Any], key: str) -> Amendment:
    """Return the amendment that goes with a log entry about an amended record."""
    return Amendment(
        key=f"amendment-{entry.number}",
        kind=kind.name,
        record=key,
        reason=entry.reason,
        amended_by=entry.who,
        amended_at=entry.at,
    )


def software_version() -> str:
    """Return the version of imgtrack that runs, as the log keeps it."""
    try:
        return metadata.version("imgtrack")
    except metadata.PackageNotFoundError:
        return "not installed"
