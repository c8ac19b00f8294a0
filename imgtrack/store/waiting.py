"""Studies that wait for a person to say whose they are; kept in the key file only."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from imgtrack.store.key_tables import WAITING

if TYPE_CHECKING:
    from collections.abc import Mapping


class WaitingState(StrEnum):
    """What became of a study that could not be linked."""

    WAITING = "waiting"
    PLACED = "placed"
    SET_ASIDE = "set aside"


@dataclass(frozen=True, slots=True)
class WaitingStudy:
    """One study that could not be linked to a repair; printing it names nobody.

    Attributes
    ----------
    code
        Opaque code by which a person places it.
    study_uid
        Original Study Instance UID.
    reason
        Why it waits, in words that name nobody.
    examined_on
        Day of the examination; ``None`` when the headers do not tell.
    modalities
        Kinds of imaging in it.
    claim
        Who the headers say the patient is: texts by ``name``, ``number`` and ``birth date``.
    files
        Path and, in an archive, member of every file.
    state
        Waiting until it is placed, or set aside for good.
    """

    code: str
    study_uid: str = field(repr=False)
    reason: str
    examined_on: date | None
    modalities: tuple[str, ...]
    claim: Mapping[str, str] = field(repr=False)
    files: tuple[tuple[str, str], ...] = field(repr=False)
    state: WaitingState = WaitingState.WAITING


def waiting_row(study: WaitingStudy) -> dict[str, Any]:
    """Return the columns of a waiting study.

    JSON in ASCII also keeps names of files that are no text.
    """
    return {
        "code": study.code,
        "study_uid": study.study_uid,
        "state": study.state.value,
        "reason": study.reason,
        "examined_on": study.examined_on,
        "modalities": " ".join(study.modalities),
        "claim": json.dumps(dict(study.claim), sort_keys=True),
        "files": json.dumps(study.files),
    }


def waiting_study(row: sa.RowMapping) -> WaitingStudy:
    """Return the waiting study of a row."""
    return WaitingStudy(
        code=row["code"],
        study_uid=row["study_uid"],
        reason=row["reason"],
        examined_on=row["examined_on"],
        modalities=tuple(row["modalities"].split()),
        claim=json.loads(row["claim"]),
        files=tuple((path, member) for path, member in json.loads(row["files"])),
        state=WaitingState(row["state"]),
    )


def write(connection: sa.Connection, study: WaitingStudy) -> None:
    """Write a waiting study over the one of the same code, if there is one."""
    row = waiting_row(study)
    done = connection.execute(sa.update(WAITING).where(WAITING.c.code == study.code), row)
    if not done.rowcount:
        connection.execute(sa.insert(WAITING), row)


def read(connection: sa.Connection, *conditions: sa.ColumnElement[bool]) -> list[WaitingStudy]:
    """Return the waiting studies that meet the conditions, ordered by day and code."""
    query = sa.select(WAITING).where(*conditions)
    rows = connection.execute(query.order_by(WAITING.c.examined_on, WAITING.c.code)).mappings()
    return [waiting_study(row) for row in rows]
