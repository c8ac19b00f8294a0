"""Readings, verdicts and amendments: records that are written once and never changed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Any


class Round(StrEnum):
    """Why a scan is read."""

    FIRST = "first"
    SECOND = "second"
    REPEAT = "repeat"
    SETTLING = "settling"


@dataclass(frozen=True, slots=True)
class Reading:
    """One reader's signed answers and measurements on one scan in one round.

    Attributes
    ----------
    key
        Opaque code, unique in the study.
    scan
        UID of the scan that was read.
    reader
        Code of the reader.
    round
        Why the scan was read.
    answers
        Findings by name: grades, measurements with their defining points in patient LPS mm and
        the SOP Instance UIDs they lie on, adequacy, reasons. JSON values only.
    protocol_hash, software_version
        Under which protocol and by which program it was signed.
    began_at, signed_at
        UTC.
    amends, reason
        Key of the reading this one replaces and why; both empty for an original reading.
    """

    key: str
    scan: str
    reader: str
    round: Round
    answers: Mapping[str, Any]
    protocol_hash: str
    software_version: str
    began_at: datetime
    signed_at: datetime
    amends: str = ""
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Verdict:
    """The final answer on one scan and the rule that gave it.

    A later verdict on the same scan (after an amended reading) stands beside the earlier one;
    the latest counts.
    """

    key: str
    scan: str
    rule: str
    answers: Mapping[str, Any]
    readings: tuple[str, ...]
    decided_by: str
    decided_at: datetime


@dataclass(frozen=True, slots=True)
class Amendment:
    """A change to something already recorded, with its reason; the log holds old and new."""

    key: str
    kind: str
    record: str
    reason: str
    amended_by: str
    amended_at: datetime


@dataclass(frozen=True, slots=True)
class ProtocolVersion:
    """One text of the protocol that was in force, from ``accepted_at`` on."""

    key: str
    text: str
    accepted_by: str
    accepted_at: datetime
    reason: str = ""
