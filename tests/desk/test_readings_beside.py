"""What the window of an adjudicator is given of the first readings, and every other window not."""

from __future__ import annotations

from dataclasses import replace
from itertools import count

import pytest
from blindness import found_in
from reading_desk import PHRASE, healed, torn
from settling_desk import SHELF, Desk

from imgtrack.desk.cases.booth import open_booth
from imgtrack.desk.cases.opening import open_case
from imgtrack.desk.readings.settle import readings_beside
from imgtrack.domain.errors import InvalidInput, Refused
from imgtrack.domain.reading import Round
from imgtrack.store.drafts import draft_of, keep_draft


@pytest.fixture
def made(reading_study, clock):
    numbers = count(1)
    return lambda **how: Desk(reading_study, clock, name=f"desk{next(numbers)}", **how)


@pytest.fixture
def sit():
    """Sit down at a booth; it is closed afterwards."""
    opened = []

    def booth(study):
        opened.append(open_booth(study, shelf=SHELF))
        return opened[-1]

    yield booth
    for each in opened:
        each.close()


def test_the_adjudicators_window_gets_both_readings_and_no_name(made, sit):
    desk = made()
    keys = desk.read("R1", torn()), desk.read("R2", healed())
    booth = sit(desk.who["A1"])
    case = booth.open_next()
    assert [each.label for each in booth.beside] == ["A", "B"]
    answers = {each.answers["sugaya"]["value"]: each.answers for each in booth.beside}
    assert answers["IV"]["straight retraction"] == torn()["straight retraction"]
    assert answers["II"]["tendon thickness"] == healed()["tendon thickness"]
    planted = ("R1", "R2", "S001", "m06", "2031", desk.scans[0].uid, str(desk.study.folder), *keys)
    assert found_in([booth, case], planted) == set()


def test_a_first_reader_and_a_booth_without_a_case_get_none(made, sit):
    desk = made()
    desk.read("R1", torn())
    booth = sit(desk.who["R2"])
    booth.open_next()
    assert booth.beside == ()
    desk.read("R2", healed())
    assert booth.open_next() is None
    assert booth.beside == ()


def test_a_protocol_may_show_none(made, sit):
    desk = made(settle_shows_readings="false")
    desk.read("R1", torn())
    desk.read("R2", healed())
    booth = sit(desk.who["A1"])
    assert booth.open_next() is not None
    assert booth.beside == ()


def test_images_go_by_their_alias_of_now_or_the_case_is_not_shown(made):
    """The series of a scan may have changed since it was read."""
    desk = made()
    desk.read("R1", torn())
    desk.read("R2", healed())
    code, judge = desk.case("A1", desk.scans[0], Round.SETTLING), desk.who["A1"]
    open_case(judge, code, shelf=SHELF).close()
    with judge.store.change(who="A1", now=judge.now) as change:
        draft = draft_of(change, code)
        moved = {alias.replace("0.1.", "0.7."): each for alias, each in draft.images.items()}
        keep_draft(change, replace(draft, images=moved))
    shown = [each.answers for each in readings_beside(judge, code)]
    assert {"uid": "0.7.3", "frame": 1} in [
        image
        for answers in shown
        for name in ("straight retraction", "tendon thickness")
        for image in answers[name].get("images", ())
    ]
    with judge.store.change(who="A1", now=judge.now) as change:
        left = {alias: each for alias, each in moved.items() if alias != "0.7.3"}
        keep_draft(change, replace(draft_of(change, code), images=left))
    with pytest.raises(InvalidInput):
        readings_beside(judge, code)


def test_where_the_protocol_asks_for_a_pick_own_answers_cannot_be_signed(made, sit):
    """Else the verdict would be an own answer in a study that promised a pick."""
    desk = made(settle_choice='"pick one reading"')
    desk.read("R1", torn())
    desk.read("R2", healed())
    booth = sit(desk.who["A1"])
    case = booth.open_next()
    assert booth.is_pick
    booth.save(case, torn())
    with pytest.raises(Refused, match="pick a reading"):
        booth.sign(case, PHRASE)
    assert desk.verdicts() == []
    desk.pick("A")
    (verdict,) = desk.verdicts()
    assert verdict.rule == "settled by the reading the adjudicator picked"
