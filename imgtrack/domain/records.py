"""Everything a study has recorded, as outcomes are computed from it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import date

    from imgtrack.domain.imaging import Scan
    from imgtrack.domain.protocol import Protocol
    from imgtrack.domain.reading import Reading, Verdict
    from imgtrack.domain.subjects import Event, Repair, Score


@dataclass(frozen=True, slots=True)
class Records:
    """The records of a study on a day.

    Attributes
    ----------
    protocol
        In force.
    today
        The day the figures are for.
    repairs, events, scores, scans
        The registry and what came in.
    readings
        All of them; amended ones, training and settling readings too.
    verdicts
        In the order they were given; the last one of a scan counts while the scan is final.
    head
        Digest of the last log entry: what the figures were computed from.
    version
        Of the program.
    """

    protocol: Protocol
    today: date
    repairs: tuple[Repair, ...]
    events: tuple[Event, ...]
    scores: tuple[Score, ...]
    scans: tuple[Scan, ...]
    readings: tuple[Reading, ...]
    verdicts: tuple[Verdict, ...]
    head: str
    version: str
