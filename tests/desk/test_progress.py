"""How far each reader has come, and whether they read as they did before."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest
from reading_desk import PHRASE, desk_of, healed, torn
from settling_desk import SHELF, Desk
from statsmodels.stats.proportion import proportion_confint

from imgtrack.desk.cases.allot import allot
from imgtrack.desk.cases.opening import open_case
from imgtrack.desk.imports.readings import import_readings
from imgtrack.desk.readings.amending import amend
from imgtrack.desk.readings.drafts import save_draft
from imgtrack.desk.readings.progress import LEVELS, Against, drift, progress
from imgtrack.desk.readings.signing import sign
from imgtrack.domain.cases import Case
from imgtrack.domain.errors import InvalidInput, Refused
from imgtrack.domain.imaging import Scan
from imgtrack.domain.protocol import Role
from imgtrack.domain.reading import Round


@pytest.fixture
def made(reading_study, clock):
    return lambda **how: Desk(reading_study, clock, **how)


def of(found, reader):
    return next(each for each in found if each.reader == reader)


def not_assessable():
    return {
        name: {"not_assessable": "motion"}
        for name in ("adequacy tendon", "adequacy thickness", "adequacy muscle")
    }


def test_cases_are_counted_by_their_state(made):
    desk = made(scans=3)
    first, second, _ = desk.scans
    desk.read("R1", torn(), first)
    with open_case(desk.who["R1"], desk.case("R1", second), shelf=SHELF) as case:
        save_draft(desk.who["R1"], case, {})
    mine = of(progress(desk.study), "R1")
    assert (mine.open, mine.drafted, mine.signed, mine.not_yet) == (1, 1, 1, 0)
    assert (mine.role, mine.imported, mine.overdue) == (Role.READER, 0, 0)
    other = of(progress(desk.study), "R2")
    assert (other.open, other.signed, other.active_minutes) == (3, 0, None)
    assert [each.reader for each in progress(desk.study)] == ["R1", "R2", "A1"]


def test_minutes_are_a_mean_of_active_time(made):
    desk = made(scans=2)
    for scan, minutes in zip(desk.scans, (1.0, 2.0), strict=True):
        with open_case(desk.who["R1"], desk.case("R1", scan), shelf=SHELF) as case:
            desk.clock.move(minutes=minutes)
            save_draft(desk.who["R1"], case, torn())
            sign(desk.who["R1"], case, PHRASE)
    assert of(progress(desk.study), "R1").active_minutes == pytest.approx(1.5)


def test_mismatches_count_readings_and_an_amendment_replaces_one(made):
    desk = made()
    key = desk.read("R1", torn() | {"patte_stage": {"value": "3"}})
    assert of(progress(desk.study), "R1").mismatches == 1
    amend(desk.who["R1"], key, torn(), reason="slip", pass_phrase=PHRASE, shelf=SHELF)
    assert of(progress(desk.study), "R1").mismatches == 0


def test_what_waits_too_long_is_overdue(made):
    desk = made(scans=2)
    desk.read("R1", torn())
    desk.clock.move(days=14)
    assert of(progress(desk.study), "R1").overdue == 0
    desk.clock.move(seconds=1)
    assert of(progress(desk.study), "R1").overdue == 1
    assert of(progress(desk.study), "R2").overdue == 2
    assert of(progress(desk.study, overdue_after=timedelta(days=15)), "R2").overdue == 0


def test_a_hidden_repeat_is_overdue_from_the_end_of_its_washout(made):
    desk = made(repeat_share="1.0", washout_days="28")
    desk.read("R1", torn())
    allot(desk.study)
    desk.clock.move(days=27)
    waits = of(progress(desk.study), "R1")
    assert (waits.open, waits.not_yet, waits.overdue) == (0, 1, 0)
    desk.clock.move(days=2)
    opened = of(progress(desk.study), "R1")
    assert (opened.open, opened.not_yet, opened.overdue) == (1, 0, 0)
    desk.clock.move(days=15)
    assert of(progress(desk.study), "R1").overdue == 1


def test_drift_compares_first_readings_with_hidden_repeats(made):
    """Limits by Wilson's interval of statsmodels."""
    desk = made(scans=3, repeat_share="1.0", washout_days="1")
    for scan in desk.scans:
        desk.read("R1", torn(), scan)
        desk.clock.move(minutes=1)
    allot(desk.study)
    desk.clock.move(days=2)
    for scan, again in zip(desk.scans, (torn, torn, not_assessable), strict=True):
        desk.read("R1", again(), scan, Round.REPEAT)
        desk.clock.move(minutes=1)
    (found,) = drift(desk.study, pairs_at_once=2)
    assert (found.reader, found.against) == ("R1", Against.REPEATS)
    assert [step.agreement.estimate for step in found.steps] == [1.0, 0.5]
    assert found.steps[0].until < found.steps[1].until
    (whole,) = drift(desk.study)
    (step,) = whole.steps
    low, high = proportion_confint(2, 3, method="wilson")
    assert (step.agreement.n_used, step.agreement.estimate) == (3, pytest.approx(2 / 3))
    assert (step.agreement.low, step.agreement.high) == pytest.approx((low, high))


def test_drift_compares_first_readings_with_verdicts(made):
    desk = made(scans=2)
    for scan, other in zip(desk.scans, (torn, healed), strict=True):
        desk.read("R1", torn(), scan)
        desk.read("R2", other(), scan)
    desk.settle(torn(), desk.scans[1])
    found = {each.reader: each for each in drift(desk.study)}
    assert {each.against for each in found.values()} == {Against.VERDICTS}
    assert found["R1"].steps[-1].agreement.estimate == 1.0
    assert found["R2"].steps[-1].agreement.estimate == 0.5
    assert found["R1"].steps[-1].agreement.categories == LEVELS


def test_scans_before_surgery_are_compared_as_torn_or_not(made, sheet):
    desk = made()
    rows = [
        f"S001,r,2030-12-20,{who},{round_},{defect}"
        for who, round_, defect in (
            ("R1", "first", "full-thickness defect"),
            ("R1", "repeat", "no full-thickness defect"),
            ("R2", "first", "full-thickness defect"),
        )
    ]
    head = "subject,side,scanned_on,reader,round,tendon_defect"
    import_readings(desk.study, sheet(head, *rows))
    found = {(each.reader, each.against): each.steps[0] for each in drift(desk.study)}
    assert found["R1", Against.REPEATS].agreement.estimate == 0.0
    assert found["R1", Against.VERDICTS].agreement.estimate == 1.0
    assert of(progress(desk.study), "R1").imported == 2


def test_a_reader_who_left_is_still_counted(made):
    desk = made()
    desk.read("R1", torn())
    people = tuple(each for each in desk.study.protocol.person if each.code != "R1")
    later = replace(desk.study, protocol=desk.study.protocol.model_copy(update={"person": people}))
    gone = of(progress(later), "R1")
    assert (gone.role, gone.signed) == (None, 1)


def test_who_may_see_it(made):
    desk = made()
    assert progress(desk_of(desk.study, "L1")) == progress(desk.study)
    for who in ("R1", "A1", "S1"):
        with pytest.raises(Refused):
            progress(desk_of(desk.study, who))
        with pytest.raises(Refused):
            drift(desk_of(desk.study, who))


def test_a_window_holds_a_pair(made):
    with pytest.raises(InvalidInput, match="at least one pair"):
        drift(made().study, pairs_at_once=0)


def test_when_records_were_added_is_told_by_the_log(made):
    desk = made(scans=2)
    with desk.study.store.look() as look:
        assert set(look.added_at(Case).values()) == {desk.clock()}
        assert set(look.added_at(Scan)) == {scan.uid for scan in desk.scans}
