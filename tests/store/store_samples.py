"""An invented study that has every kind of record and every awkward value in it."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta, timezone

from imgtrack.domain.imaging import Modality, Scan, Stage
from imgtrack.domain.reading import Amendment, ProtocolVersion, Reading, Round, Verdict
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
VERDICT = Verdict("v1", SCAN.uid, "agreed", {"retear": True}, ("r1", "r2"), "JD", SIGNED)
AMENDMENT = Amendment("a1", "reading", "r1", "wrong slice", "A", SIGNED)
PROTOCOL = ProtocolVersion("p1", 'name = "invented"\n', "JD", BEGAN)

RECORDS = (
    PROTOCOL,
    BARE,
    FULL,
    SCAN,
    UNSCHEDULED,
    EVENT,
    SCORE,
    FIRST,
    CORRECTED,
    VERDICT,
    AMENDMENT,
)
