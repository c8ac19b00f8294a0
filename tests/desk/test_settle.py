"""From two signed readings to a verdict: who decides, by which rule, and what each may see."""

from __future__ import annotations

import json
from dataclasses import replace
from itertools import count

import pytest
from reading_desk import PHRASE, desk_of, healed, log_of, torn
from settling_desk import SHELF, Desk, with_people, without

from imgtrack.desk.board import board
from imgtrack.desk.cases.lists import CaseState
from imgtrack.desk.readings.amending import amend
from imgtrack.desk.readings.settle import answer_sets, settle, waiting
from imgtrack.desk.readings.verdicts import adjudicator_for, follow, follow_all, latest_verdicts
from imgtrack.domain.allotment import order_key
from imgtrack.domain.cases import Case, TrainingKey
from imgtrack.domain.errors import InvalidInput, Refused
from imgtrack.domain.imaging import Scan, Stage
from imgtrack.domain.protocol import Person, Role
from imgtrack.domain.reading import Reading, Round
from imgtrack.domain.series import Series


@pytest.fixture
def made(reading_study, clock):
    numbers = count(1)
    return lambda **how: Desk(reading_study, clock, name=f"desk{next(numbers)}", **how)


def test_readers_who_agree_give_the_verdict_at_once(made):
    desk = made()
    first = desk.read("R1", torn())
    assert desk.stage() is Stage.BEING_READ
    assert desk.verdicts() == []
    second = desk.read("R2", torn())
    (verdict,) = desk.verdicts()
    assert (verdict.rule, verdict.decided_by) == ("agreed", "protocol")
    assert set(verdict.readings) == {first, second}
    assert verdict.answers["sugaya"] == {"value": "IV"}
    assert desk.stage() is Stage.FINAL
    assert board(desk.study).lines[0].cells["m06"].state.value == "final"
    assert desk.settling_cases() == []


def test_readers_who_differ_are_settled_by_somebody_else(made):
    desk = made()
    first, second = desk.read("R1", torn()), desk.read("R2", healed())
    assert desk.verdicts() == []
    assert board(desk.study).lines[0].cells["m06"].state.value == "readers differ"
    (case,) = desk.settling_cases()
    assert (case.reader, case.scan) == ("A1", desk.scans[0].uid)
    own = desk.settle(torn())
    (verdict,) = desk.verdicts()
    assert verdict.rule == "settled by the adjudicator's own answer"
    assert verdict.decided_by == "A1"
    assert set(verdict.readings) == {first, second, own.reading}
    assert verdict.answers["sugaya"] == {"value": "IV"}
    assert desk.stage() is Stage.FINAL
    with desk.study.store.look() as look:
        assert look.get(Reading, own.reading).shown == ("first readings",)
    assert waiting(desk.study) == waiting(desk.who["A1"]) == ()


def test_the_adjudicator_sees_two_sets_of_answers_and_no_name(made):
    desk = made()
    keys = desk.read("R1", torn()), desk.read("R2", healed())
    code = desk.settling_cases()[0].code
    sets = answer_sets(desk.who["A1"], code)
    assert [each.label for each in sets] == ["A", "B"]
    assert {each.answers["sugaya"]["value"] for each in sets} == {"IV", "II"}
    shown = json.dumps([each.answers for each in sets])
    secret = ("R1", "R2", "S001", "m06", desk.scans[0].uid, "2031", *keys)
    assert [word for word in secret if word in shown] == []
    assert '"uid": "0.1.3"' in shown
    (mine,) = waiting(desk.who["A1"])
    assert (mine.adjudicator, mine.repair, mine.timepoint) == ("", "", "")
    assert any("healed against retear" in words for words in mine.differences)
    (known,) = waiting(desk.study)
    assert (known.adjudicator, known.repair, known.timepoint) == ("A1", "S001-R", "m06")
    assert known.state is CaseState.OPEN


def test_the_order_of_the_answer_sets_changes_from_scan_to_scan(made):
    desk = made(scans=6)
    order = set()
    for scan in desk.scans:
        desk.read("R1", torn(), scan)
        desk.read("R2", healed(), scan)
        sets = answer_sets(desk.who["A1"], desk.case("A1", scan, Round.SETTLING))
        order.add(sets[0].answers["sugaya"]["value"])
    assert order == {"IV", "II"}


def test_a_protocol_may_keep_the_readings_from_the_adjudicator(made):
    desk = made(settle_shows_readings="false")
    desk.read("R1", torn())
    desk.read("R2", healed())
    code = desk.settling_cases()[0].code
    with pytest.raises(Refused, match="shows no readings"):
        answer_sets(desk.who["A1"], code)
    assert waiting(desk.who["A1"])[0].differences == ()
    own = desk.settle(healed())
    with desk.study.store.look() as look:
        assert look.get(Reading, own.reading).shown == ()


def test_picking_a_reading_makes_it_the_verdict(made):
    desk = made(settle_choice='"pick one reading"')
    desk.read("R1", torn())
    desk.read("R2", healed())
    code = desk.settling_cases()[0].code
    sets = {each.label: each.answers for each in answer_sets(desk.who["A1"], code)}
    signed = desk.pick("B")
    (verdict,) = desk.verdicts()
    assert verdict.rule == "settled by the reading the adjudicator picked"
    assert verdict.decided_by == "A1"
    assert verdict.answers["sugaya"] == sets["B"]["sugaya"]
    assert len(verdict.readings) == 3
    with desk.study.store.look() as look:
        picked = look.get(Reading, signed.reading).answers["picked reading"]["value"]
    assert picked in verdict.readings
    with pytest.raises(Refused, match="signed"):
        desk.pick("A")


@pytest.mark.parametrize(
    "answers",
    [{"picked reading": {"value": "C"}}, {"picked reading": {"value": "A"}, "sugaya": {}}],
)
def test_a_pick_that_is_none_is_refused(made, answers):
    desk = made(settle_choice='"pick one reading"')
    desk.read("R1", torn())
    desk.read("R2", healed())
    with pytest.raises(InvalidInput, match="with A or B"):
        desk.settle(answers)
    assert desk.verdicts() == []


def test_the_protocol_says_which_way_of_settling(made):
    desk = made()
    desk.read("R1", torn())
    desk.read("R2", healed())
    with pytest.raises(Refused, match="an answer of their own"):
        desk.pick("A")
    picking = made(settle_choice='"pick one reading"')
    picking.read("R1", torn())
    picking.read("R2", healed())
    with pytest.raises(Refused, match="a pick of one reading"):
        picking.settle(torn())


def test_a_wrong_phrase_settles_nothing(made):
    desk = made(settle_choice='"pick one reading"')
    desk.read("R1", torn())
    desk.read("R2", healed())
    code = desk.settling_cases()[0].code
    answers = {"picked reading": {"value": "A"}}
    with pytest.raises(Refused, match="pass phrase is wrong"):
        settle(desk.who["A1"], code, answers, pass_phrase="another phrase")
    assert desk.verdicts() == []


def test_an_amended_reading_leads_to_another_verdict_beside_the_first(made):
    desk = made()
    desk.read("R1", torn())
    key = desk.read("R2", torn())
    changed = torn() | {"goutallier supraspinatus": {"value": "2"}}
    new = amend(desk.who["R2"], key, changed, reason="other slice", pass_phrase=PHRASE, shelf=SHELF)
    before, after = desk.verdicts()
    assert key in before.readings
    assert new.reading in after.readings
    assert key not in after.readings
    assert desk.stage() is Stage.FINAL
    with desk.study.store.look() as look:
        assert latest_verdicts(look) == {desk.scans[0].uid: after}


def test_an_amendment_may_make_readers_differ_after_the_verdict(made):
    desk = made()
    desk.read("R1", torn())
    key = desk.read("R2", torn())
    desk.clock.move(days=1)
    amend(desk.who["R2"], key, healed(), reason="wrong case", pass_phrase=PHRASE, shelf=SHELF)
    assert desk.stage() is Stage.READERS_DIFFER
    assert len(desk.verdicts()) == 1
    desk.settle(healed())
    assert [each.rule for each in desk.verdicts()][1:] == [
        "settled by the adjudicator's own answer"
    ]
    assert desk.stage() is Stage.FINAL


def test_a_picked_reading_that_is_amended_has_to_be_settled_again(made):
    desk = made(settle_choice='"pick one reading"')
    keys = {"R1": desk.read("R1", torn()), "R2": desk.read("R2", healed())}
    desk.pick("A")
    with desk.study.store.look() as look:
        (settled,) = look.where(Reading, round=Round.SETTLING)
    picked = settled.answers["picked reading"]["value"]
    who = next(code for code, key in keys.items() if key == picked)
    answers = torn() if who == "R1" else healed()
    changed = answers | {"goutallier supraspinatus": {"value": "2"}}
    amend(desk.who[who], picked, changed, reason="slip", pass_phrase=PHRASE, shelf=SHELF)
    assert desk.stage() is Stage.READERS_DIFFER
    assert [case.attempt for case in desk.settling_cases()] == [1, 2]
    desk.pick("A")
    assert len(desk.verdicts()) == 2
    assert desk.stage() is Stage.FINAL


def test_a_sample_of_agreeing_scans_is_settled_too(made):
    desk = made(settle_agreeing_share="1.0")
    desk.read("R1", torn())
    desk.read("R2", torn())
    assert desk.stage() is Stage.FINAL
    assert [each.rule for each in desk.verdicts()] == ["agreed"]
    (case,) = desk.settling_cases()
    assert waiting(desk.study)[0].differences == ()
    desk.settle(healed())
    assert [each.rule for each in desk.verdicts()] == ["agreed"]
    assert [each.code for each in desk.settling_cases()] == [case.code]


def test_only_the_adjudicator_of_the_case_may_settle(made):
    desk = made()
    desk.read("R1", torn())
    desk.read("R2", healed())
    code = desk.settling_cases()[0].code
    for who in ("R1", "C1", "L1"):
        with pytest.raises(Refused):
            settle(desk_of(desk.study, who), code, torn(), pass_phrase=PHRASE, shelf=SHELF)
        with pytest.raises(Refused):
            answer_sets(desk_of(desk.study, who), code)
    with pytest.raises(Refused, match="not on your list"):
        settle(desk.who["A1"], "NOSUCHCD", torn(), pass_phrase=PHRASE, shelf=SHELF)
    with pytest.raises(Refused):
        waiting(desk.who["R1"])
    refused = [(who, what) for who, what, _ in log_of(desk.study) if what == "refused"]
    assert len(refused) == 8
    assert desk.verdicts() == []


def test_a_case_that_is_read_first_is_not_settled(made):
    desk = made()
    code = desk.case("R1", desk.scans[0])
    people = (*desk.study.protocol.person[:1], Person(code="R1", role=Role.ADJUDICATOR))
    with pytest.raises(Refused, match="role has changed"):
        answer_sets(with_people(desk.who["R1"], people), code)


def test_an_adjudicator_who_read_the_scan_does_not_settle_it(made):
    desk = made()
    people = (
        *(each for each in desk.study.protocol.person if each.role is not Role.ADJUDICATOR),
        Person(code="A1", role=Role.ADJUDICATOR),
        Person(code="A2", role=Role.ADJUDICATOR),
    )
    protocol = with_people(desk.study, people).protocol
    uid = desk.scans[0].uid
    assert adjudicator_for(uid, (), protocol, but={"R1", "A1"}) == "A2"
    assert adjudicator_for(uid, (), protocol, but={"R1", "A2"}) == "A1"
    assert adjudicator_for(uid, (), protocol, but={"A1", "A2"}) is None


def test_adjudicators_get_alike_many(made):
    desk = made()
    more = Person(code="A2", role=Role.ADJUDICATOR)
    people = (*desk.study.protocol.person, more)
    protocol = desk.study.protocol.model_copy(update={"person": people})
    cases: list[Case] = []
    for number in range(10):
        chosen = adjudicator_for(f"2.25.{number}", cases, protocol, but=())
        again = adjudicator_for(f"2.25.{number}", list(reversed(cases)), protocol, but=())
        assert chosen == again
        cases.append(Case(f"K{number}", chosen, f"2.25.{number}", Round.SETTLING, 1, number + 1))
    assert sorted(case.reader for case in cases) == ["A1"] * 5 + ["A2"] * 5
    seed = protocol.reading.order_seed
    first = min(("A1", "A2"), key=lambda code: order_key(seed, "settling", code, "2.25.0"))
    assert cases[0].reader == first


def test_without_a_free_adjudicator_the_scan_waits_and_is_listed(made):
    desk = made()
    desk.who = {code: without(each, "A1") for code, each in desk.who.items()}
    desk.read("R1", torn())
    desk.read("R2", healed())
    assert desk.settling_cases() == []
    assert desk.stage() is Stage.READERS_DIFFER
    (listed,) = waiting(desk.study)
    assert (listed.code, listed.state, listed.repair) == ("", None, "S001-R")
    (added,) = follow_all(desk.study)
    assert added.case is not None
    assert waiting(desk.study)[0].code == added.case.code
    assert follow_all(desk.study) == ()
    with pytest.raises(Refused):
        follow_all(desk.who["R1"])


def test_a_scan_without_images_waits_for_an_own_answer(made):
    desk = made()
    scan = Scan("2.25.77", "S001-R", "m12", desk.scans[0].acquired_on, desk.scans[0].modality)
    with desk.study.store.change(who="C1", now=desk.clock) as change:
        change.add([scan])
        known = desk.reading(scan, "R1", torn()), desk.reading(scan, "R2", healed())
        change.add(known)
        done = follow(change, desk.study, scan.uid)
        assert change.where(Series, scan=scan.uid) == []
    assert (done.stage, done.case, done.verdict) == (Stage.READERS_DIFFER, None, None)


def test_the_training_set_gets_no_verdict(made):
    desk = made(scans=2)
    scan = desk.scans[1]
    with desk.study.store.change(who="C1", now=desk.clock) as change:
        change.add([TrainingKey(scan.uid, {"sugaya": "IV"}, "C1")])
        change.add([desk.reading(scan, "R1", torn()), desk.reading(scan, "R2", torn())])
        assert follow(change, desk.study, scan.uid).verdict is None
    assert desk.verdicts() == []


def test_a_code_that_is_taken_is_drawn_again(made):
    desk = made()
    scan = Scan("2.25.78", "S001-R", "m12", desk.scans[0].acquired_on, desk.scans[0].modality)
    taken = desk.case("R1", desk.scans[0])
    codes = iter([taken, "FRESHC0D"])
    picking = desk.study.protocol.reading.model_copy(update={"settle_choice": "pick one reading"})
    study = replace(
        desk.study, protocol=desk.study.protocol.model_copy(update={"reading": picking})
    )
    with study.store.change(who="C1", now=desk.clock) as change:
        change.add([scan, desk.reading(scan, "R1", torn()), desk.reading(scan, "R2", healed())])
        done = follow(change, study, scan.uid, draw_code=lambda: next(codes))
    assert done.case is not None
    assert done.case.code == "FRESHC0D"


def test_a_stage_never_goes_back_to_unread(made):
    """A reader's own database role shows that reader's readings alone: one of two."""
    desk = made()
    desk.read("R1", torn())
    with desk.study.store.change(who="C1", now=desk.clock) as change:
        change.amend(replace(change.get(Scan, desk.scans[0].uid), stage=Stage.FINAL), reason="test")
        assert follow(change, desk.study, desk.scans[0].uid).stage is Stage.FINAL


def test_an_unreadable_pick_after_an_amendment_is_told(made, monkeypatch):
    """Between choosing and signing the readings are looked at again."""
    desk = made(settle_choice='"pick one reading"')
    desk.read("R1", torn())
    key = desk.read("R2", healed())

    def amend_meanwhile(*_args):
        changed = healed() | {"goutallier supraspinatus": {"value": "2"}}
        monkeypatch.undo()
        amend(desk.who["R2"], key, changed, reason="slip", pass_phrase=PHRASE, shelf=SHELF)

    sets = answer_sets(desk.who["A1"], desk.settling_cases()[0].code)
    label = next(each.label for each in sets if each.answers["sugaya"]["value"] == "II")
    monkeypatch.setattr("imgtrack.desk.readings.settle.check_pass_phrase", amend_meanwhile)
    with pytest.raises(Refused, match="amended meanwhile"):
        desk.pick(label)
