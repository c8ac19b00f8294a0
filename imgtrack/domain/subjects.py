"""Patients, repairs, what happened to them and how they scored.

The unit of analysis is a repair: one operated shoulder, one index operation. A patient is known
by a subject code only; who that is stands in the key file and nowhere else.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum
from types import MappingProxyType

NOTHING: Mapping[str, str] = MappingProxyType({})


class Side(StrEnum):
    """The operated shoulder."""

    LEFT = "left"
    RIGHT = "right"


class Sex(StrEnum):
    """Sex as recorded by the study."""

    FEMALE = "female"
    MALE = "male"
    OTHER = "other"


class EventKind(StrEnum):
    """What can happen to a repair besides a scan."""

    REVISION = "revision"
    INFECTION = "infection"
    WITHDRAWAL = "withdrawal"
    DEATH = "death"
    LOST = "lost"


ENDING_EVENTS = frozenset({EventKind.REVISION, EventKind.WITHDRAWAL, EventKind.DEATH})
"""Events after which no further scan of that repair can be asked for."""


@dataclass(frozen=True, slots=True)
class Repair:
    """One operated shoulder and its index operation.

    Attributes
    ----------
    code
        Unique in the study, made from subject, side and sequence, as ``S014-R`` or ``S014-R2``.
    subject
        Subject code of the patient; a patient may have several repairs.
    side
        The operated shoulder.
    operated_on
        Day of the operation, day 0 of the follow-up.
    sequence
        1 for the first repair of that shoulder in the study, 2 for its revision, and so on.
    site
        Code of the hospital, empty in a single-site study.
    sex, age_years
        As recorded; age in completed years at operation. ``None`` when not recorded.
    tear_size_mm
        Greatest tear dimension before surgery in millimetres; ``None`` when not recorded.
    tendons, technique, arm
        What was torn, how it was fixed, and the study arm; empty when not recorded.
    extra
        Further columns of the enrolment sheet, kept as text.
    """

    code: str
    subject: str
    side: Side
    operated_on: date
    sequence: int = 1
    site: str = ""
    sex: Sex | None = None
    age_years: int | None = None
    tear_size_mm: float | None = None
    tendons: tuple[str, ...] = ()
    technique: str = ""
    arm: str = ""
    extra: Mapping[str, str] = field(default_factory=lambda: NOTHING)

    @property
    def key(self) -> str:
        """The repair code."""
        return self.code


def repair_code(subject: str, side: Side, sequence: int) -> str:
    """Return the code of a repair, as ``S014-R`` for a first and ``S014-R2`` for a second one."""
    letter = side.value[0].upper()
    return f"{subject}-{letter}" if sequence == 1 else f"{subject}-{letter}{sequence}"


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened to a repair on a day.

    A revision, withdrawal or death ends the follow-up of the repair; an infection does not; a
    patient lost to follow-up keeps their place in every denominator and is no longer called.
    """

    repair: str
    kind: EventKind
    happened_on: date
    note: str = ""

    @property
    def key(self) -> str:
        """Repair and kind: each kind happens once to a repair."""
        return f"{self.repair}/{self.kind.value}"


@dataclass(frozen=True, slots=True)
class Score:
    """One clinical score of one repair at one timepoint.

    Attributes
    ----------
    repair, name
        Whose score, and which score of the protocol.
    timepoint
        For which timepoint it counts; empty when its day lies outside every window (unscheduled).
    assessed_on
        Day of the assessment.
    total
        The score itself, within the range the protocol declares.
    parts
        Named parts that add up to ``total``; empty when the score has none.
    """

    repair: str
    name: str
    timepoint: str
    assessed_on: date
    total: float
    parts: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))

    @property
    def key(self) -> str:
        """Repair, score and timepoint, or the day of an unscheduled score."""
        return f"{self.repair}/{self.name}/{self.timepoint or self.assessed_on.isoformat()}"
