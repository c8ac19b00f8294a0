"""The board of a small study whose every cell was worked out by hand."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from datetime import date

import pytest

from imgtrack.desk.board import board
from imgtrack.desk.registry.enrol import enrol
from imgtrack.desk.registry.events import take_events
from imgtrack.domain.errors import InvalidInput, Refused
from imgtrack.domain.imaging import Modality, Scan, Stage
from imgtrack.domain.schedule import State

TODAY = date(2031, 9, 1)


@pytest.fixture
def followed(study, sheet):
    enrol(
        study,
        sheet(
            "subject,side,operation_date,revision",
            "S1,right,2031-03-03,",  # day 182
            "S2,left,2031-05-15,",  # day 109
            "S3,left,2031-02-20,",  # day 193, revised on day 100
            "S3,left,2031-05-31,yes",  # day 93
            "S4,right,2031-06-10,",  # day 83
        ),
    )
    take_events(study, sheet("subject,side,event,date", "S4,,withdrawal,2031-08-30"))
    with study.store.change(who="C1", now=study.now) as change:
        change.add(
            [
                Scan("1.1", "S1-R", "m03", date(2031, 6, 2), Modality.MR, Stage.FINAL),
                Scan("1.2", "S3-L", "preop", date(2031, 2, 1), Modality.MR),
            ]
        )
    return study


def states(shown) -> dict[str, list[str]]:
    return {
        line.repair.code: [line.cells[name].state.value for name in shown.timepoints]
        for line in shown.lines
    }


def test_every_cell(followed):
    assert states(board(followed)) == {
        "S1-R": ["missed", "final", "due", "not yet due", "not yet due"],
        "S2-L": ["missed", "overdue", "not yet due", "not yet due", "not yet due"],
        "S3-L": ["scan in", "ended", "ended", "ended", "ended"],
        "S3-L2": ["missed", "overdue", "not yet due", "not yet due", "not yet due"],
        "S4-R": ["missed", "ended", "ended", "ended", "ended"],
    }


def test_the_board_of_another_day(followed):
    shown = board(followed, day=date(2031, 12, 31))
    assert states(shown)["S1-R"] == ["missed", "final", "missed", "not yet due", "not yet due"]


def test_counts_and_completeness(followed):
    shown = board(followed)
    assert shown.counts()["m03"] == Counter({State.FINAL: 1, State.OVERDUE: 2, State.ENDED: 2})
    assert shown.completeness()["m03"] == (1, 3)
    assert shown.completeness()["m24"] == (0, 0)


def test_the_window_that_closes_soonest_is_called_first_and_overdue_before_due(followed):
    calls = board(followed).calls()
    assert [(c.repair.code, c.timepoint, c.days_left) for c in calls] == [
        ("S2-L", "m03", 10),
        ("S3-L2", "m03", 26),
        ("S1-R", "m06", 42),
    ]


def test_only_the_late_ones(followed):
    late = board(followed, day=date(2031, 9, 1)).only_late()
    assert [line.repair.code for line in late.lines] == ["S1-R", "S2-L", "S3-L2", "S4-R"]


def test_as_a_table_and_as_plain_values(followed):
    shown = board(followed)
    frame = shown.frame()
    assert list(frame.columns[:5]) == ["repair", "subject", "side", "operation_date", "site"]
    assert frame.loc[frame["repair"] == "S2-L", "m03"].item() == "overdue"
    plain = shown.plain()
    assert plain["counts"]["m03"]["overdue"] == 2
    assert plain["completeness"]["m03"] == {"in": 1, "asked_for": 3}
    assert plain["call_first"][0]["closes_on"] == "2031-09-11"
    assert plain["repairs"][0]["timepoints"]["m03"]["state"] == "final"


def test_a_site_that_is_none(followed):
    with pytest.raises(InvalidInput, match="no such site"):
        board(followed, site="moon")


@pytest.mark.parametrize("code", ["R1", "A1"])
def test_readers_do_not_see_the_board(followed, code):
    with pytest.raises(Refused, match="may not see the follow-up board"):
        board(replace(followed, who=code))


def test_an_empty_study_has_an_empty_board(study):
    shown = board(study)
    assert shown.lines == ()
    assert shown.frame().empty
    assert shown.calls() == []
