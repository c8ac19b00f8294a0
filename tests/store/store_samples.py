"""An invented study that has every kind of record and every awkward value in it."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta, timezone

from imgtrack.domain.cases import Case, PassPhrase, TrainingKey
from imgtrack.domain.certainty import Certainty
from imgtrack.domain.imaging import Modality, Scan, Stage
from imgtrack.domain.protocol import Plane, Weighting
from imgtrack.domain.reading import Amendment, ProtocolVersion, Reading, Round, Verdict
from imgtrack.domain.series import (
    ProblemState,
    ScanProblem,
    ScanProblemKind,
    Series,
)
from imgtrack.domain.subjects import Event, EventKind, Repair, Score, Sex, Side

BEGAN = datetime(2025, 3, 1, 8, 30, 0, 123456, tzinfo=UTC)
SIGNED = datetime(2025, 3, 1, 10, 0, tzinfo=timezone(timedelta(hours=2)))


class Clock:
    """Starts at a fixed moment and moves one second at every look."""

    def __init__(self) -> None:
        self.at = datetime(2025, 6, 1, 12, 0, tzinfo=UTC)

    def __call__(self) -> datetime:
        self.at += timedelta(seconds=1)
        return self.at


def repair(number: int = 1, side: Side = Side.RIGHT, **changes: object) -> Repair:
    subject = f"S{number:03}"
    letter = side.value[0].upper()
    values = {"code": f"{subject}-{letter}", "subject": subject, "side": side}
    return Repair(**{**values, "operated_on": date(2024, 1, 10), **changes})


BARE = repair(1)
FULL = repair(
    2,
    Side.LEFT,
    sequence=1,
    site="Nørrebro",
    sex=Sex.FEMALE,
    age_years=61,
    tear_size_mm=0.1 + 0.2,
    tendons=("supraspinatus", "infraspinatus"),
    technique='double row, "suture bridge"',
    arm="A",
    extra={"wound": "clean; \\u0000 stays text", "größe": "é𝒳", "empty": ""},
)
SCAN = Scan("2.25.1", FULL.code, "m06", date(2024, 7, 9), Modality.MR)
UNSCHEDULED = Scan("2.25.2", FULL.code, "", date(2024, 9, 1), Modality.ULTRASOUND, Stage.FINAL)
STACK = Series(
    uid="2.25.11",
    number=2,
    scan=SCAN.uid,
    plane=Plane.CORONAL_OBLIQUE,
    plane_certainty=Certainty.CERTAIN,
    weighting=Weighting.PD_FAT_SUPPRESSED,
    weighting_certainty=Certainty.LIKELY,
    side=Side.LEFT,
    side_claims=("left by Laterality (certain): stated as L", 'left, "likely"'),
    part="magnitude",
    rows=256,
    columns=320,
    slices=2,
    spacing_mm=3.3000000000000003,
    thickness_mm=3.0,
    row_spacing_mm=0.1 + 0.2,
    column_spacing_mm=0.5,
    field_tesla=2.8936,
    images=("2.25.111", "2.25.112#3"),
    problems=("missing slices: 3 of 20",),
    corrected=("plane", "side"),
)
RADIOGRAPH = Series(
    uid="2.25.12",
    number=1,
    scan=SCAN.uid,
    plane=None,
    plane_certainty=Certainty.UNSURE,
    weighting=None,
    weighting_certainty=Certainty.UNSURE,
    side=None,
    side_claims=(),
    part="",
    rows=0,
    columns=0,
    slices=0,
    spacing_mm=None,
    thickness_mm=None,
    row_spacing_mm=None,
    column_spacing_mm=None,
    field_tesla=None,
    images=(),
)
PROBLEM = ScanProblem(SCAN.uid, ScanProblemKind.SIDE, "", "header says right")
SETTLED = ScanProblem(
    SCAN.uid,
    ScanProblemKind.SERIES_MISSING,
    "axial, PD",
    "no such series",
    ProblemState.SETTLED,
    "patient could not lie still",
)
EVENT = Event(BARE.code, EventKind.WITHDRAWAL, date(2024, 5, 1), "moved away")
SCORE = Score(FULL.code, "constant", "m06", date(2024, 7, 10), 71.5, {"pain": 12, "power": 14.5})
ANSWERS = {
    "sugaya": 2,
    "gap_mm": 11.25,
    "points": [[1.0, -2.5e-17, 3.0], [4.0, 5.0, 6.0]],
    "assessable": True,
    "pattern": None,
    "nested": {"b": [], "a": {"é": "x \\u0000"}},
}
FIRST = Reading("r1", SCAN.uid, "A", Round.FIRST, ANSWERS, "p" * 64, "0.1.0", BEGAN, SIGNED)
CORRECTED = Reading(
    "r2",
    SCAN.uid,
    "A",
    Round.FIRST,
    ANSWERS | {"sugaya": 4},
    "p" * 64,
    "0.1.0",
    BEGAN,
    SIGNED + timedelta(days=1),
    amends="r1",
    reason="wrong slice",
)
CASE = Case("K7Q2M9XD", "A", SCAN.uid, Round.REPEAT, 2, 1, 3, date(2025, 4, 1))
TRAINING_CASE = Case("M2P4R6T8", "A", UNSCHEDULED.uid, Round.TRAINING, 1, 1)
TRAINING_KEY = TrainingKey(UNSCHEDULED.uid, {"sugaya": "IV", "tendon defect": "é"}, "JD")
PASS_PHRASE = PassPhrase("A/1", "A", "$argon2id$v=19$m=8,t=1,p=1$c2FsdA$aGFzaA", "A", SIGNED)
CLEARED = PassPhrase("A/2", "A", "", "JD", SIGNED)
REPEATED = Reading(
    CASE.code,
    SCAN.uid,
    "A",
    Round.REPEAT,
    ANSWERS,
    "p" * 64,
    "0.1.0",
    BEGAN,
    SIGNED,
    case_code=CASE.code,
    shown=("timepoint", "earlier scans"),
    images={"0.1.1": {"uid": "2.25.111", "frame": 1, "plane": None, "spacing": [0.3, 0.3]}},
    active_seconds=0.1 + 0.2,
    derived={"sugaya": {"possible": ["IV"], "reason": "2 slices"}},
    mismatches=("graded II, the slices imply IV",),
    source="grades.xlsx",
)
PROPOSED = Reading(
    "r3",
    SCAN.uid,
    "B",
    Round.FIRST,
    ANSWERS,
    "p" * 64,
    "0.1.0",
    BEGAN,
    SIGNED,
    proposals={"tear width": [{"value": {"mm": 0.1 + 0.2}, "before": {}, "fate": "accepted"}]},
)
VERDICT = Verdict("v1", SCAN.uid, "agreed", {"retear": True}, ("r1", "r2"), "JD", SIGNED)
AMENDMENT = Amendment("a1", "reading", "r1", "wrong slice", "A", SIGNED)
PROTOCOL = ProtocolVersion("p1", 'name = "invented"\n', "JD", BEGAN)

RECORDS = (
    PROTOCOL,
    BARE,
    FULL,
    SCAN,
    UNSCHEDULED,
    STACK,
    RADIOGRAPH,
    PROBLEM,
    SETTLED,
    EVENT,
    SCORE,
    CASE,
    TRAINING_CASE,
    TRAINING_KEY,
    PASS_PHRASE,
    CLEARED,
    FIRST,
    CORRECTED,
    REPEATED,
    PROPOSED,
    VERDICT,
    AMENDMENT,
)

DESK = (Case, TrainingKey, PassPhrase)
NEWER: dict[str, tuple[type, ...]] = {"0001": (Series, ScanProblem, *DESK), "0002": DESK}
"""Kinds of record that a revision does not know."""

FIELDS_FROM: dict[str, tuple[Reading, ...]] = {"0003": (REPEATED,), "0004": (PROPOSED,)}
"""Readings with fields that came with a revision."""


def records_of(revision: str) -> tuple[object, ...]:
    """Return the records that a database kept at a revision holds."""
    later = [each for since, those in FIELDS_FROM.items() if since > revision for each in those]
    return tuple(
        record
        for record in RECORDS
        if not isinstance(record, NEWER.get(revision, ())) and record not in later
    )
