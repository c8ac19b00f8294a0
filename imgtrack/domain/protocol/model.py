"""The protocol as one frozen object: timepoints, people, reading design, scales, outcome, scores.

Every class forbids keys it does not know, so that a misspelt key is a fault and not a silent
default. Days count from the operation, which is day 0; millimetres are patient millimetres.
"""

from __future__ import annotations

import hashlib
from enum import StrEnum
from itertools import pairwise
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator

from imgtrack.domain.imaging import Modality
from imgtrack.domain.log import canonical

Name = Annotated[str, Field(min_length=1, max_length=32, pattern=r"^[A-Za-z0-9][A-Za-z0-9_.-]*$")]
Text = Annotated[str, Field(min_length=1, max_length=200)]
Share = Annotated[float, Field(ge=0, le=1)]
Millimetres = Annotated[float, Field(gt=0, allow_inf_nan=False)]


class Part(BaseModel):
    """Base of every part of the protocol: frozen, strict about unknown keys."""

    model_config = ConfigDict(frozen=True, extra="forbid", str_strip_whitespace=True)


class Role(StrEnum):
    """What a person does in the study."""

    COORDINATOR = "coordinator"
    READER = "reader"
    ADJUDICATOR = "adjudicator"
    SURGEON = "surgeon"
    ANALYST = "analyst"


class Plane(StrEnum):
    """Imaging planes of the shoulder."""

    CORONAL_OBLIQUE = "coronal oblique"
    SAGITTAL_OBLIQUE = "sagittal oblique"
    AXIAL = "axial"


class Weighting(StrEnum):
    """What makes the contrast of a series, with or without suppression of fat."""

    T1 = "T1"
    T2 = "T2"
    PD = "PD"
    T1_FAT_SUPPRESSED = "T1 fat suppressed"
    T2_FAT_SUPPRESSED = "T2 fat suppressed"
    PD_FAT_SUPPRESSED = "PD fat suppressed"
    STIR = "STIR"
    DIXON = "Dixon"
    FLUID_SENSITIVE = "fluid sensitive"
    """Any of T2, T2 fat suppressed, PD fat suppressed or STIR."""


class ThicknessReference(StrEnum):
    """What "normal thickness" means when thinning is graded; the literature gives no number."""

    PREOP_SAME_SHOULDER = "preop same shoulder"
    ADJACENT_INTACT_CUFF = "adjacent intact cuff"
    CONTRALATERAL = "contralateral"
    FIXED = "fixed"


class Measure(StrEnum):
    """What a study may ask its readers to measure, beside the grades of its scales."""

    GAP_SLICES = "gap slices"
    WIDTH = "tear width"
    RETRACTION = "straight retraction"
    RETRACTION_ALONG_HEAD = "retraction along the head"
    PATTE_LANDMARKS = "patte landmarks"
    THICKNESS = "tendon thickness"
    FOOTPRINT_COVERAGE = "footprint coverage"
    SIGNAL_RATIO = "signal ratio"
    TANGENT_LINE = "tangent line"
    OCCUPATION_RATIO = "occupation ratio"
    FAT_FRACTION = "fat fraction"
    IMPLANTS = "implant positions"
    ACROMIOHUMERAL_INTERVAL = "acromiohumeral interval"
    CRITICAL_SHOULDER_ANGLE = "critical shoulder angle"


class StudyPart(Part):
    """Name of the study, its sites, and the reference for tendon thickness."""

    name: Text
    sites: tuple[Name, ...] = ()
    thickness_reference: ThicknessReference
    fixed_thickness_mm: Millimetres | None = None


class ExpectedSeries(Part):
    """One series a scan must hold."""

    plane: Plane
    weighting: Weighting


class ExpectedScan(Part):
    """Imaging expected at a timepoint, with the limits a scan must keep (none when left out)."""

    modality: Modality
    series: tuple[ExpectedSeries, ...] = ()
    max_slice_thickness_mm: Millimetres | None = None
    max_slice_gap_mm: Annotated[float, Field(ge=0, allow_inf_nan=False)] | None = None
    max_pixel_mm: Millimetres | None = None
    min_field_tesla: Annotated[float, Field(gt=0, allow_inf_nan=False)] | None = None
    min_coverage_mm: Millimetres | None = None


class Timepoint(Part):
    """A named moment of the follow-up.

    ``window`` holds its first and last day, both included; ``scan`` the imaging expected, the
    first one being what the follow-up board watches.
    """

    name: Name
    label: Text
    target_day: int
    window: tuple[int, int]
    scan: tuple[ExpectedScan, ...] = ()

    def holds(self, day: int) -> bool:
        """Whether a day after (or, negative, before) the operation lies in the window."""
        return self.window[0] <= day <= self.window[1]


class Person(Part):
    """A person of the study, known by a code; names stay out of the study."""

    code: Name
    role: Role
    site: str = ""


class Difference(Part):
    """What makes two first readings differ enough to be settled."""

    outcome: bool = True
    grade_steps: Annotated[int, Field(ge=1)] = 2
    millimetres: Millimetres = 5.0
    one_not_assessable: bool = True


class ReadingDesign(Part):
    """How scans are read."""

    readers_per_scan: Annotated[int, Field(ge=1, le=9)] = 2
    order_seed: Annotated[int, Field(ge=0)]
    mask_timepoint: bool = True
    show_earlier_scans: bool = False
    repeat_share: Share = 0.1
    washout_days: Annotated[int, Field(ge=0)] = 28
    training_pass_share: Share = 0.8
    settle_by: Literal["adjudicator", "majority"] = "adjudicator"
    settle_choice: Literal["own answer", "pick one reading"] = "own answer"
    settle_shows_readings: bool = True
    settle_agreeing_share: Share = 0.0
    interim_look: bool = False
    difference: Difference = Difference()


class ScaleUse(Part):
    """A grading scale used by the study, in one of its published versions."""

    name: Name
    version: str = ""


class FormDesign(Part):
    """What readers measure.

    ``ask`` must be answered, were it by "not assessable"; left out, it is what the study's scales
    are derived from, with the width and the straight retraction of a tear, less what is
    ``optional``: shown, and free to be left unanswered.
    """

    ask: tuple[Measure, ...] | None = None
    optional: tuple[Measure, ...] = ()


class Outcome(Part):
    """The rules that turn a grade into healed or retear."""

    retear_rule: Name
    sensitivity_rule: Name


class ScoreRule(Part):
    """A clinical score: range, direction, parts with their maxima, smallest change that matters."""

    name: Name
    low: float
    high: float
    better: Literal["higher", "lower"]
    minimal_important_difference: Annotated[float, Field(gt=0)] | None = None
    parts: dict[Name, Annotated[float, Field(gt=0)]] = {}


class Subgroup(Part):
    """A split of the repairs: by the levels of a column, or by bounds of a numeric one.

    ``bounds`` cut half-open intervals: ``[10, 30]`` gives below 10, 10 to below 30, 30 and more.
    """

    name: Text
    column: Text
    bounds: tuple[float, ...] = ()

    @field_validator("bounds")
    @classmethod
    def rising(cls, bounds: tuple[float, ...]) -> tuple[float, ...]:
        """Refuse bounds that do not rise."""
        if any(low >= high for low, high in pairwise(bounds)):
            msg = "bounds must rise"
            raise ValueError(msg)
        return bounds


class SheetColumns(Part):
    """How the study's spreadsheets name their columns and write their dates.

    ``columns`` maps our name of a column to the sheet's; what is left out keeps our name.
    ``keep`` lists columns that may be kept although their names look like identity.
    """

    date_format: str = "ISO"
    columns: dict[str, str] = {}
    keep: tuple[str, ...] = ()

    @field_validator("date_format")
    @classmethod
    def unambiguous(cls, text: str) -> str:
        """Accept ISO or a pattern that names day, month and year once each."""
        if text != "ISO" and not (
            text.count("%d") == 1
            and text.count("%m") + text.count("%b") == 1
            and text.count("%Y") + text.count("%y") == 1
        ):
            msg = 'must be "ISO" or a pattern with day, month and year, as "%d.%m.%Y"'
            raise ValueError(msg)
        return text


class Protocol(Part):
    """The whole protocol; made by :func:`imgtrack.domain.protocol.read_protocol`."""

    study: StudyPart
    timepoint: Annotated[tuple[Timepoint, ...], Field(min_length=1)]
    person: Annotated[tuple[Person, ...], Field(min_length=1)]
    reading: ReadingDesign
    scale: Annotated[tuple[ScaleUse, ...], Field(min_length=1)]
    own_scale: tuple[dict[str, Any], ...] = ()
    form: FormDesign = FormDesign()
    outcome: Outcome
    score: tuple[ScoreRule, ...] = ()
    subgroup: tuple[Subgroup, ...] = ()
    sheets: SheetColumns = SheetColumns()

    @property
    def hash(self) -> str:
        """SHA-256 of what the protocol says; comments, order of keys and spacing do not count."""
        return hashlib.sha256(canonical(self.model_dump(mode="json")).encode()).hexdigest()

    def timepoint_named(self, name: str) -> Timepoint | None:
        """Return the timepoint of that name, or ``None``."""
        return next((point for point in self.timepoint if point.name == name), None)

    def timepoint_on(self, day: int) -> Timepoint | None:
        """Return the timepoint whose window holds the day, or ``None`` when it is unscheduled."""
        return next((point for point in self.timepoint if point.holds(day)), None)

    def score_named(self, name: str) -> ScoreRule | None:
        """Return the score of that name, or ``None``."""
        return next((rule for rule in self.score if rule.name == name), None)

    def people(self, role: Role) -> tuple[Person, ...]:
        """Return everyone in a role, in the order of the file."""
        return tuple(person for person in self.person if person.role is role)

    def person_coded(self, code: str) -> Person | None:
        """Return the person with that code, or ``None``."""
        return next((person for person in self.person if person.code == code), None)
