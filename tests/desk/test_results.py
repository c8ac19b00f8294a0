"""Who may see results and when, and what they are computed from."""

from __future__ import annotations

import pytest
from reading_desk import add_scans, desk_of, healed, log_of, torn
from settling_desk import Desk

from imgtrack.desk.cases.allot import allot
from imgtrack.desk.results import gather, open_first_readings, require_results
from imgtrack.domain.errors import Refused

ACT = "see the rates"


@pytest.fixture
def half_read(reading_study, clock):
    made = Desk(reading_study, clock)
    made.read("R1", torn())
    return made


def test_results_are_closed_while_a_first_reading_is_open(half_read):
    coordinator = desk_of(half_read.study, "C1")
    assert open_first_readings(coordinator) == 1
    with pytest.raises(Refused, match="1 first readings not signed or not yet allotted"):
        require_results(coordinator, ACT)
    assert log_of(half_read.study)[-1] == ("C1", "refused", "person:C1")


def test_results_open_with_the_last_first_reading(half_read):
    half_read.read("R2", torn())
    before = log_of(half_read.study)
    for who in ("C1", "L1", "S1"):
        require_results(desk_of(half_read.study, who), ACT)
    assert log_of(half_read.study) == before


def test_a_scan_on_no_list_yet_closes_them_too(half_read):
    half_read.read("R2", torn())
    add_scans(half_read.study, [7])
    coordinator = desk_of(half_read.study, "C1")
    assert open_first_readings(coordinator) == 2
    with pytest.raises(Refused, match="2 first readings not signed or not yet allotted"):
        require_results(coordinator, ACT)
    allot(half_read.study)
    assert open_first_readings(coordinator) == 2


def test_what_waits_for_an_adjudicator_does_not_close_them(half_read):
    half_read.read("R2", healed())
    require_results(desk_of(half_read.study, "C1"), ACT)
    assert gather(half_read.study).verdicts == ()


@pytest.mark.parametrize("who", ["R1", "A1"])
def test_those_who_read_or_settle_see_none(half_read, who):
    half_read.read("R2", torn())
    with pytest.raises(Refused, match="may not see the rates"):
        require_results(desk_of(half_read.study, who), ACT)
    assert log_of(half_read.study)[-1][:2] == (who, "refused")


def test_an_interim_look_is_logged(reading_study, clock):
    made = Desk(reading_study, clock, interim_look="true")
    made.read("R1", torn())
    require_results(desk_of(made.study, "L1"), ACT)
    assert log_of(made.study)[-1] == ("L1", "interim look", "study")


def test_an_interim_look_needs_the_role_too(reading_study, clock):
    made = Desk(reading_study, clock, interim_look="true")
    with pytest.raises(Refused):
        require_results(desk_of(made.study, "R1"), ACT)
    assert "interim look" not in {what for _, what, _ in log_of(made.study)}


def test_records_are_of_one_moment(half_read):
    half_read.read("R2", torn())
    records = gather(half_read.study)
    with half_read.study.store.look() as look:
        assert records.head == look.head()[1]
    assert records.today == half_read.clock().date()
    assert [reading.reader for reading in records.readings] == ["R1", "R2"]
    assert [verdict.scan for verdict in records.verdicts] == [half_read.scans[0].uid]
