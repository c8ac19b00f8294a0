"""The words of the demo study: patients, repairs, courses, visits, events, scores and scans."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from typing import Literal

from synthetic_scans.spec import ShoulderSpec, Side
from synthetic_scans.writing.identities import Identity

Sex = Literal["female", "male"]
EventKind = Literal["revision", "infection", "withdrawal", "death", "lost"]


class Technique(StrEnum):
    """The two techniques the invented study compares."""

    SINGLE_ROW = "single row"
    SUTURE_BRIDGE = "suture bridge"


class Course(StrEnum):
    """What becomes of a repair."""

    HEALS = "heals"
    STAYS_BRIGHT = "heals and stays bright"
    THINS = "thins"
    TEARS_PARTLY = "tears partly"
    FILLS_IN = "small gap fills with scar"
    STAYS_FAILED = "stays failed"
    RETEARS_EARLY = "retears before month 3"
    RETEARS = "retears between months 3 and 6"
    RETEARS_LATE = "retears between months 6 and 12"
    FAILS_MEDIALLY = "fails medially between months 3 and 6"


RETEARING = frozenset(
    {
        Course.STAYS_FAILED,
        Course.RETEARS_EARLY,
        Course.RETEARS,
        Course.RETEARS_LATE,
        Course.FAILS_MEDIALLY,
    }
)
"""Courses that end with a full-thickness defect."""


class Trouble(StrEnum):
    """What went wrong with a scan on purpose."""

    WRONG_SIDE = "wrong side label"
    WRONG_PLANE = "wrong plane"
    MISSING_SLICES = "missing slices"
    MOTION = "motion"
    FAT_SUPPRESSION = "failed fat suppression"


@dataclass(frozen=True, slots=True)
class Timepoint:
    """A planned visit: target day, and the first and last day of its window, from operation."""

    name: str
    target: int
    first: int
    last: int


TIMEPOINTS = (
    Timepoint("preop", -21, -75, -1),
    Timepoint("m03", 91, 77, 105),
    Timepoint("m06", 183, 155, 211),
    Timepoint("m12", 365, 323, 407),
    Timepoint("m24", 730, 660, 800),
)
"""Schedule of the study. Three months plus or minus two weeks, six months plus or minus four,
a year plus or minus six, two years plus or minus ten: common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Patient:
    """A person who does not exist.

    Attributes
    ----------
    subject, site
        Codes of the study and of the hospital.
    identity
        The identity planted in the headers and written into the enrolment sheet, nowhere else.
    """

    subject: str
    site: str
    identity: Identity

    @property
    def sex(self) -> Sex:
        """As the study records it."""
        return "female" if self.identity.sex == "F" else "male"


@dataclass(frozen=True, slots=True, kw_only=True)
class Repair:
    """One operated shoulder and what will become of it.

    Attributes
    ----------
    patient, side, sequence
        Whose, which, and whether the first operation (1) or its revision (2).
    operated_on, technique
        Day 0, and how it was fixed.
    healthy
        The shoulder without any tear.
    tear_width_mm, tear_retraction_mm
        Tear before surgery, front to back and side to side.
    fat_fraction
        Of the supraspinatus muscle before surgery.
    titanium, anchor_fluid, pull_out_mm
        Whether the anchors are of titanium, how much fluid they draw (0 to 1), and how far one
        of them moves outwards in the end.
    course, severity
        What becomes of it; 0 mild to 1 severe within that course.
    failed_on_day
        Day from operation on which the repair became discontinuous; None when it never did.
    """

    patient: Patient
    side: Side
    sequence: int
    operated_on: date
    technique: Technique
    healthy: ShoulderSpec
    tear_width_mm: float
    tear_retraction_mm: float
    fat_fraction: float
    titanium: bool
    anchor_fluid: float
    pull_out_mm: float
    course: Course
    severity: float
    failed_on_day: int | None

    @property
    def code(self) -> str:
        """Subject, side and sequence, as ``H07-R`` or ``H07-R2``."""
        letter = self.side[0].upper()
        return f"{self.patient.subject}-{letter}" + ("" if self.sequence == 1 else "2")

    @property
    def tear_size_mm(self) -> float:
        """Greatest dimension of the tear before surgery."""
        return max(self.tear_width_mm, self.tear_retraction_mm)

    @property
    def age(self) -> int:
        """Completed years at operation."""
        born, day = self.patient.identity.birth_date, self.operated_on
        return day.year - born.year - ((day.month, day.day) < (born.month, born.day))

    @property
    def arm(self) -> str:
        """The study arm: a letter that tells a reader nothing."""
        return "A" if self.technique is Technique.SINGLE_ROW else "B"


@dataclass(frozen=True, slots=True)
class Visit:
    """A visit: which timepoint it was meant for, and what was done when.

    ``in_window`` is False for a visit that came too late for its window.
    """

    timepoint: str
    scanned_on: date | None
    assessed_on: date | None
    in_window: bool = True


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened to a repair."""

    kind: EventKind
    happened_on: date
    note: str


@dataclass(frozen=True, slots=True)
class Constant:
    """A Constant score by its parts: at most 15, 20, 40 and 25 points."""

    timepoint: str
    assessed_on: date
    pain: int
    activities: int
    motion: int
    strength: int

    @property
    def total(self) -> int:
        """The sum of the parts, 0 to 100."""
        return self.pain + self.activities + self.motion + self.strength


@dataclass(frozen=True, slots=True, kw_only=True)
class ScanPlan:
    """One imaging examination that will be written.

    Attributes
    ----------
    repair
        Code of the repair.
    timepoint, in_window
        The visit it belongs to.
    scanned_on
        Day of the examination.
    state
        The shoulder as it was on that day.
    dixon, enhanced, radiograph
        Whether it has a two-point Dixon series, is written as Enhanced multi-frame MR, and
        has a plain radiograph beside it.
    metal
        How much of the tendon metal hides, 0 to 1.
    trouble
        What goes wrong, or None.
    """

    repair: str
    timepoint: str
    in_window: bool
    scanned_on: date
    state: ShoulderSpec
    dixon: bool
    enhanced: bool
    radiograph: bool
    metal: float
    trouble: Trouble | None

    @property
    def code(self) -> str:
        """Repair and timepoint, as ``H07-R_m06``; unique in the study."""
        return f"{self.repair}_{self.timepoint}"


@dataclass(frozen=True, slots=True, kw_only=True)
class RepairRecord:
    """A repair with everything that happened to it."""

    repair: Repair
    visits: tuple[Visit, ...]
    events: tuple[Event, ...]
    scores: tuple[Constant, ...]
    scans: tuple[ScanPlan, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Cohort:
    """The whole invented study as it stood on one day."""

    seed: int
    as_of: date
    records: tuple[RepairRecord, ...]
