"""States of the follow-up board on the exact days where they change."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from imgtrack.domain.imaging import Modality, Scan, Stage
from imgtrack.domain.protocol import ExpectedScan, Protocol, Timepoint
from imgtrack.domain.schedule import State, cell, follow_up_ends, lost_on, repair_on
from imgtrack.domain.subjects import Event, EventKind, Repair, Side

OPERATED = date(2031, 3, 3)
REPAIR = Repair("S1-R", "S1", Side.RIGHT, OPERATED)
M03 = Timepoint(
    name="m03",
    label="3 months",
    target_day=91,
    window=(77, 119),
    scan=(ExpectedScan(modality=Modality.MR), ExpectedScan(modality=Modality.DIGITAL_RADIOGRAPHY)),
)


def day(number: int) -> date:
    return OPERATED + timedelta(days=number)


def state(today: int, *events: Event, scans: tuple[Scan, ...] = ()) -> State:
    return cell(REPAIR, M03, events, scans, day(today)).state


def event(kind: EventKind, on: int) -> Event:
    return Event(REPAIR.code, kind, day(on))


@pytest.mark.parametrize(
    ("today", "expected"),
    [
        (76, State.NOT_YET_DUE),
        (77, State.DUE),
        (91, State.DUE),
        (92, State.OVERDUE),
        (119, State.OVERDUE),
        (120, State.MISSED),
    ],
)
def test_each_edge_of_the_window(today, expected):
    assert state(today) is expected


def test_the_window_before_surgery_counts_back_from_the_operation():
    preop = Timepoint(name="preop", label="before", target_day=-14, window=(-60, 0), scan=M03.scan)
    states = [cell(REPAIR, preop, (), (), day(d)).state for d in (-61, -60, -14, -13, 0, 1)]
    assert states == [
        State.NOT_YET_DUE,
        State.DUE,
        State.DUE,
        State.OVERDUE,
        State.OVERDUE,
        State.MISSED,
    ]


@pytest.mark.parametrize("kind", [EventKind.REVISION, EventKind.WITHDRAWAL, EventKind.DEATH])
@pytest.mark.parametrize(
    ("ended", "today", "expected"),
    [
        (10, 20, State.ENDED),
        (77, 80, State.ENDED),
        (119, 200, State.ENDED),
        (120, 200, State.MISSED),
    ],
)
def test_an_ending_on_the_last_day_of_the_window_still_ends_it(kind, ended, today, expected):
    assert state(today, event(kind, ended)) is expected


def test_an_infection_does_not_end_the_follow_up():
    assert state(80, event(EventKind.INFECTION, 40)) is State.DUE
    assert follow_up_ends([event(EventKind.INFECTION, 40)]) is None


@pytest.mark.parametrize(
    ("lost", "today", "expected"),
    [
        (50, 76, State.NOT_YET_DUE),
        (50, 77, State.MISSED),
        (90, 89, State.DUE),
        (90, 90, State.MISSED),
    ],
)
def test_a_lost_patient_is_missed_once_the_window_opens(lost, today, expected):
    assert state(today, event(EventKind.LOST, lost)) is expected


def test_without_a_loss_there_is_no_day_of_it():
    assert lost_on([event(EventKind.DEATH, 3)]) is None


def scan(stage: Stage, modality: Modality = Modality.MR, timepoint: str = "m03") -> Scan:
    return Scan(f"1.2.{stage.value}", REPAIR.code, timepoint, day(90), modality, stage)


def test_a_scan_that_is_in_shows_how_far_its_reading_has_come_even_after_the_end():
    scans = (scan(Stage.SCAN_IN), scan(Stage.READERS_DIFFER))
    assert state(400, event(EventKind.DEATH, 100), scans=scans) is State.READERS_DIFFER
    assert state(90, scans=(scan(Stage.FINAL, timepoint="m06"),)) is State.DUE


def test_the_first_expected_modality_decides_and_the_others_are_told_as_missing():
    mr_only = cell(REPAIR, M03, (), (scan(Stage.FINAL),), day(100))
    assert (mr_only.state, mr_only.missing) == (State.FINAL, (Modality.DIGITAL_RADIOGRAPHY,))
    radiograph_only = (scan(Stage.FINAL, Modality.DIGITAL_RADIOGRAPHY),)
    assert state(80, scans=radiograph_only) is State.DUE


class Windows:
    """Only what the choice of a repair asks of a protocol."""

    def timepoint_on(self, number: int) -> Timepoint | None:
        return M03 if -60 <= number <= 0 or M03.holds(number) else None


WINDOWS: Protocol = Windows()  # type: ignore[assignment]


@pytest.mark.parametrize(
    ("on", "expected"),
    [
        (-400, "S1-R"),  # long before anything: the first operation to come
        (-10, "S1-R"),  # the window before the first operation
        (80, "S1-R"),
        (130, "S1-R"),  # outside every window of the first repair and before those of the second
        (190, "S1-R2"),  # the window before the revision on day 200
        (200, "S1-R2"),
        (285, "S1-R2"),
        (319, "S1-R2"),  # would be in no window of either; the first repair has ended
    ],
)
def test_a_day_belongs_to_the_repair_that_was_on_then(on, expected):
    revision = Repair("S1-R2", "S1", Side.RIGHT, day(200), sequence=2)
    other = Repair("S1-L", "S1", Side.LEFT, day(100))
    found = repair_on([revision, other, REPAIR], "S1", Side.RIGHT, day(on), WINDOWS)
    assert found.code == expected


def test_a_shoulder_without_a_repair():
    assert repair_on([REPAIR], "S1", Side.LEFT, OPERATED, WINDOWS) is None
