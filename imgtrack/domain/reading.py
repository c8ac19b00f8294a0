"""Readings, verdicts and amendments: records that are written once and never changed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from types import MappingProxyType
from typing import Any

NOTHING: Mapping[str, Any] = MappingProxyType({})


class Round(StrEnum):
    """Why a scan is read."""

    FIRST = "first"
    """By each of the scan's independent readers."""
    SECOND = "second"
    """Again and knowingly, by a group that reads everything twice; only from spreadsheets."""
    REPEAT = "repeat"
    """Again and unknowingly, after the washout, by a reader who read it first."""
    SETTLING = "settling"
    """By an adjudicator, who was none of its readers."""
    TRAINING = "training"
    """To be compared with the expert's key; never a result."""


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
    case_code
        Code of the case it signs, which it alone may sign; empty for an amendment, which is no
        new look at the case, and for a reading that came from a spreadsheet.
    shown
        What the protocol let the reader see beyond the images: ``timepoint``, ``earlier scans``.
    images
        Every image of the series that were measured on, by its alias in the case: SOP Instance
        UID, frame, and geometry in patient LPS mm.
    active_seconds
        Reading time without the pauses; ``None`` when not known.
    derived
        Grades that the measurements imply, by scale.
    mismatches
        Where the reader's grade is not the one the measurements imply, in plain words.
    source
        Spreadsheet it was taken from; empty when it was signed at the reading desk.
    proposals
        What the program proposed to the reader and what became of it, by question; see
        `imgtrack.domain.form.proposals`. Empty when it proposed nothing, ``None`` when that was not
        recorded: imported readings, and those signed before it was.
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
    case_code: str = ""
    shown: tuple[str, ...] = ()
    images: Mapping[str, Any] = field(default_factory=lambda: NOTHING)
    active_seconds: float | None = None
    derived: Mapping[str, Any] = field(default_factory=lambda: NOTHING)
    mismatches: tuple[str, ...] = ()
    source: str = ""
    proposals: Mapping[str, Any] | None = None


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
