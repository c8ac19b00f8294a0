"""The log's entries: who, when, what, old, new, reason, version, chained by hash."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from datetime import datetime
from typing import Any

FIRST_DIGEST = "0" * 64
"""What the first entry names as its predecessor."""


def canonical(value: Any) -> str:
    """Return the one JSON text of a value: keys sorted, no spaces, nothing escaped needlessly."""
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False)


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of the log.

    Attributes
    ----------
    number
        1, 2, 3 ... without gaps.
    at
        UTC.
    who
        Code of the person.
    what
        The act, as ``repair added`` or ``repair amended``.
    record
        Kind and key of what was acted on, as ``repair:S014-R``.
    old, new
        Canonical JSON of the record before and after; empty when there was none.
    reason
        Why, where a reason is asked for.
    version
        Version of imgtrack that wrote it.
    previous, digest
        SHA-256 of the entry before, and of this one.
    """

    number: int
    at: datetime
    who: str
    what: str
    record: str
    old: str
    new: str
    reason: str
    version: str
    previous: str
    digest: str


def digest(
    *,
    number: int,
    at: datetime,
    who: str,
    what: str,
    record: str,
    old: str,
    new: str,
    reason: str,
    version: str,
    previous: str,
) -> str:
    """Return the SHA-256 of an entry over all its fields, ``previous`` included."""
    fields = [number, at.isoformat(), who, what, record, old, new, reason, version, previous]
    return hashlib.sha256(canonical(fields).encode()).hexdigest()
