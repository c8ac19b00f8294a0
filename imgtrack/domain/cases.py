"""What the reading desk keeps: who reads what in which place, drafts, keys to the training set."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from types import MappingProxyType
from typing import Any

from imgtrack.domain.reading import Round

NO_ANSWERS: Mapping[str, Any] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class Case:
    """One scan in one place of one reader's list; the reader knows it by its code only.

    Attributes
    ----------
    code
        Drawn at random, so that neither scan nor round can be told from it; the key.
    reader
        Code of the person who reads it.
    scan
        UID of the scan.
    round
        Why it is read.
    batch, place
        The run of the allotment that made it and its place in the list of that run, both from 1.
        Batches follow each other.
    attempt
        1, and one more each time a reader who failed takes the training set again.
    open_from
        First day on which it may be opened, so that a hidden repeat waits for its washout;
        ``None`` when it may be opened at once.
    """

    code: str
    reader: str
    scan: str
    round: Round
    batch: int
    place: int
    attempt: int = 1
    open_from: date | None = None

    @property
    def key(self) -> str:
        """The code."""
        return self.code

    @property
    def training(self) -> bool:
        """Whether it belongs to the training set and never counts as a result."""
        return self.round is Round.TRAINING


@dataclass(frozen=True, slots=True)
class TrainingKey:
    """What an expert answered on a scan of the training set.

    Attributes
    ----------
    scan
        UID of the scan, the key.
    answers
        The expert's grade by name of the question; only these questions are scored.
    set_by
        Code of the person who set it.
    """

    scan: str
    answers: Mapping[str, str]
    set_by: str

    @property
    def key(self) -> str:
        """The scan's UID."""
        return self.scan


@dataclass(frozen=True, slots=True)
class PassPhrase:
    """What a person's pass phrase is checked against; the latest counts.

    Attributes
    ----------
    key
        Person and number, as ``R1/2``.
    person
        Code of the person.
    encoded
        Argon2 hash with its parameters and salt (RFC 9106); empty when the coordinator cleared
        it and the person has to set a new one.
    set_by, set_at
        Who set it and when, UTC.
    """

    key: str
    person: str
    encoded: str = field(repr=False)
    set_by: str
    set_at: datetime


@dataclass(frozen=True, slots=True)
class Draft:
    """A reading under way. No record: it changes with every answer and goes when it is signed.

    Attributes
    ----------
    case_code
        Code of the case, the key.
    session
        Drawn when a window opened the case; only the window that opened it last may save.
    version
        0 when opened for the first time, one more with every saved change.
    answers
        As the window gave them, complete or not; images by their alias.
    images
        By alias: SOP Instance UID, frame and geometry of every image that was shown.
    shown
        What the protocol let the reader see beyond the images.
    began_at, saved_at
        First opened, last opened or saved; UTC.
    active_seconds
        Reading time so far without the pauses.
    proposals
        What the program proposed so far; see `imgtrack.domain.form.proposals`. ``None`` where the
        window does not record it.
    """

    case_code: str
    session: str
    version: int
    answers: Mapping[str, Any]
    images: Mapping[str, Any]
    shown: tuple[str, ...]
    began_at: datetime
    saved_at: datetime
    active_seconds: float = 0.0
    proposals: Mapping[str, Any] | None = None
