"""Allotment: each reader's list, added to and never disturbed; repeats after the washout."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from datetime import timedelta

import pytest
from reading_desk import (
    PHRASE,
    InventedShelf,
    add_scans,
    desk_of,
    healed,
    log_of,
    torn,
    with_phrase,
)

from imgtrack.desk.cases.allot import CODE_SIGNS, allot, random_code
from imgtrack.desk.cases.lists import CaseState, lines_of, my_cases, next_case
from imgtrack.desk.cases.opening import open_case, open_next
from imgtrack.desk.cases.training import take_training_key
from imgtrack.desk.people.roll import people
from imgtrack.desk.readings.amending import amend
from imgtrack.desk.readings.drafts import save_draft
from imgtrack.desk.readings.signing import sign
from imgtrack.domain.allotment import order_key
from imgtrack.domain.cases import Case
from imgtrack.domain.errors import InvalidInput, Refused
from imgtrack.domain.imaging import Modality
from imgtrack.domain.reading import Round
from imgtrack.domain.series import ProblemState, ScanProblem, ScanProblemKind
from imgtrack.domain.training import Standing


def cases_of(study, reader):
    with study.store.look() as look:
        return sorted(look.where(Case, reader=reader), key=lambda case: (case.batch, case.place))


def read_all(study, reader, answers=healed):
    desk = desk_of(study, reader)
    while (case := open_next(desk, shelf=InventedShelf())) is not None:
        with case:
            save_draft(desk, case, answers())
            sign(desk, case, PHRASE)


def test_every_reader_gets_every_scan_in_an_order_of_their_own(reading_study):
    study = reading_study(order_seed="20417")
    scans = {scan.uid for scan in add_scans(study, range(1, 21))}
    done = allot(study)
    assert (len(done.cases), done.count(Round.FIRST)) == (40, 40)
    lists = {reader: [case.scan for case in cases_of(study, reader)] for reader in ("R1", "R2")}
    assert set(lists["R1"]) == set(lists["R2"]) == scans
    assert lists["R1"] != lists["R2"]
    for reader, order in lists.items():
        assert order == sorted(scans, key=lambda uid: order_key(20417, "first", reader, uid))
    assert [case.place for case in cases_of(study, "R1")] == list(range(1, 21))


def test_two_machines_make_the_same_lists_with_other_codes(reading_study):
    made = []
    for name, order in (("a", range(1, 9)), ("b", range(8, 0, -1))):
        study = reading_study(name, readers=3)
        add_scans(study, order)
        allot(study)
        made.append(cases_of(study, "R3"))
    one, two = made
    assert [case.scan for case in one] == [case.scan for case in two]
    assert not {case.code for case in one} & {case.code for case in two}


def test_codes_tell_nothing_and_one_that_is_taken_is_drawn_again(reading_study):
    assert set(random_code()) <= set(CODE_SIGNS)
    assert len({random_code() for _ in range(200)}) == 200
    study = reading_study()
    add_scans(study, [1])
    drawn = iter(["AAAAAAAA", "AAAAAAAA", "BBBBBBBB"])
    assert {case.code for case in allot(study, draw_code=lambda: next(drawn)).cases} == {
        "AAAAAAAA",
        "BBBBBBBB",
    }


def test_work_is_shared_out_when_there_are_more_readers_than_a_scan_needs(reading_study):
    study = reading_study(readers=5)
    add_scans(study, range(1, 26))
    done = allot(study)
    assert Counter(Counter(case.scan for case in done.cases).values()) == {2: 25}
    assert set(Counter(case.reader for case in done.cases).values()) == {10}


def test_allotting_again_adds_only_what_is_new(reading_study):
    study = reading_study()
    add_scans(study, range(1, 6))
    first = allot(study)
    assert allot(study).cases == ()
    add_scans(study, range(6, 9))
    second = allot(study)
    assert len(second.cases) == 6
    assert {case.batch for case in second.cases} == {2}
    before = [case for case in cases_of(study, "R1") if case.batch == 1]
    assert before == [case for case in first.cases if case.reader == "R1"]


def test_a_scan_with_an_open_problem_waits(reading_study):
    study = reading_study()
    one, two, three = add_scans(study, [1, 2, 3])
    problems = [
        ScanProblem(one.uid, ScanProblemKind.SIDE, "", "header says left"),
        ScanProblem(two.uid, ScanProblemKind.SIDE, "", "x", ProblemState.SETTLED, "seen"),
        ScanProblem(three.uid, ScanProblemKind.THICKNESS, "", "5 mm"),
    ]
    with study.store.change(who="C1", now=study.now) as change:
        change.add(problems)
    done = allot(study)
    assert done.held == 1
    assert {case.scan for case in done.cases} == {two.uid, three.uid}


def test_who_left_without_reading_is_replaced_and_what_was_read_stays(reading_study, clock):
    study = reading_study(readers=3)
    add_scans(study, range(1, 7))
    allot(study)
    with_phrase(study, "R3")
    case = open_next(desk_of(study, "R3"), shelf=InventedShelf())
    save_draft(desk_of(study, "R3"), case, healed())
    sign(desk_of(study, "R3"), case, PHRASE)
    left = study.protocol.model_copy(
        update={"person": tuple(p for p in study.protocol.person if p.code != "R3")}
    )
    done = allot(replace(study, protocol=left))
    assert {case.reader for case in done.cases} == {"R1", "R2"}
    assert len(done.cases) == len(cases_of(study, "R3")) - 1


def test_hidden_repeats_come_with_new_codes_after_the_washout(reading_study, clock):
    study = reading_study(repeat_share="0.5", washout_days="28")
    add_scans(study, range(1, 5))
    assert allot(study).repeats_to_come == 4
    for reader in ("R1", "R2"):
        with_phrase(study, reader)
        read_all(study, reader)
    add_scans(study, range(5, 9))
    done = allot(study)
    assert (done.count(Round.REPEAT), done.repeats_to_come) == (4, 4)
    repeats = [case for case in done.cases if case.round is Round.REPEAT]
    assert {case.open_from for case in repeats} == {clock().date() + timedelta(days=28)}
    assert {case.batch for case in repeats} == {2}
    firsts = {case.code for case in cases_of(study, "R1") if case.batch == 1}
    assert not firsts & {case.code for case in repeats}
    for reader in ("R1", "R2"):
        order = [case.scan for case in cases_of(study, reader) if case.batch == 2]
        assert len(order) == 6
    assert allot(study).cases == ()

    reader = desk_of(study, "R1")
    hidden = next(case.code for case in repeats if case.reader == "R1")
    assert hidden not in {case.code for case in my_cases(reader)}
    with pytest.raises(Refused, match="not open yet") as caught:
        open_case(reader, hidden, shelf=InventedShelf())
    assert "washout" not in str(caught.value)
    clock.move(days=27)
    assert hidden not in {case.code for case in my_cases(reader)}
    clock.move(days=1)
    assert hidden in {case.code for case in my_cases(reader)}
    read_all(study, "R1")
    with study.store.look() as look:
        lines = lines_of(look, study.protocol, "R1", clock().date())
    assert {line.state for line in lines} == {CaseState.SIGNED}


def test_a_new_look_at_a_scan_moves_the_washout_of_its_repeat(reading_study, clock):
    study = reading_study(repeat_share="1.0", washout_days="10", readers_per_scan="2")
    add_scans(study, [1])
    allot(study)
    reader = with_phrase(study, "R1")
    (first,) = cases_of(study, "R1")
    read_all(study, "R1")
    allot(study)
    clock.move(days=6)
    answers = healed() | {"sugaya": {"value": "I"}, "bright signal": {"value": "no"}}
    amend(reader, first.code, answers, reason="misread", pass_phrase=PHRASE)
    clock.move(days=6)
    assert next_case(reader) is None
    clock.move(days=4)
    assert next_case(reader) is not None


@pytest.fixture
def trained(reading_study, sheet):
    """A study with two training scans and two real ones, the key set."""
    study = reading_study(training_pass_share="0.75")
    add_scans(study, range(1, 5))
    key = sheet(
        "repair,timepoint,modality,Sugaya,Retear pattern",
        "S001-R,m06,MR,IV,1",
        "S002-R,m06,,II,",
    )
    return study, key


def test_the_training_set_comes_first_and_must_be_passed(trained, clock):
    study, key = trained
    assert take_training_key(study, key).added == 2
    done = allot(study)
    assert (done.count(Round.TRAINING), done.count(Round.FIRST)) == (4, 4)
    assert [case.training for case in cases_of(study, "R1")] == [True, True, False, False]
    reader = with_phrase(study, "R1")
    states = [case.state for case in my_cases(reader)]
    assert states == [CaseState.OPEN] * 2 + [CaseState.LOCKED] * 2
    locked = my_cases(reader)[2].code
    with pytest.raises(Refused, match="training set comes first"):
        open_case(reader, locked, shelf=InventedShelf())

    read_all(study, "R1")  # healed twice: misses IV and its pattern, hits II: 1 of 3
    (standing,) = [each for each in people(study) if each.person.code == "R1"]
    assert (standing.training.standing, standing.training.hits) == (Standing.FAILED, 1)
    assert next_case(reader) is None

    again = allot(study)
    assert again.count(Round.TRAINING) == 2
    assert {case.attempt for case in again.cases} == {2}
    for code in [case.code for case in again.cases]:
        with open_case(reader, code, shelf=InventedShelf()) as case:
            with study.store.look() as look:
                is_torn = look.get(Case, code).scan == "2.25.11"
            save_draft(reader, case, torn() if is_torn else healed())
            assert case.training
            sign(reader, case, PHRASE)
    assert next_case(reader) == locked
    (standing,) = [each for each in people(study) if each.person.code == "R1"]
    assert (standing.training.standing, standing.training.hits) == (Standing.PASSED, 3)
    assert allot(study).count(Round.TRAINING) == 0


def test_a_key_that_cannot_be_used_changes_nothing(trained, sheet):
    study, _ = trained
    bad = sheet(
        "repair,timepoint,sugaya,colour",
        "S001-R,m06,VI,",
        "S009-R,m06,II,",
        "S002-R,m06,II,red",
        name="bad.csv",
    )
    with pytest.raises(InvalidInput) as caught:
        take_training_key(study, bad)
    assert [fault.what for fault in caught.value.faults] == [
        "no such answer to 'sugaya'",
        "S009-R has no scan at m06",
        "'colour' is no question a key can answer",
    ]
    assert allot(study).count(Round.TRAINING) == 0


def test_a_scan_that_is_read_for_real_is_no_training_scan(trained):
    study, key = trained
    allot(study)
    with pytest.raises(InvalidInput, match="allotted as a real case"):
        take_training_key(study, key)


def test_a_timepoint_with_two_scans_needs_its_modality(trained, sheet):
    study, _ = trained
    (scan,) = add_scans(study, [7])
    with study.store.change(who="C1", now=study.now) as change:
        change.add([replace(scan, uid="2.25.71-DX", modality=Modality.DIGITAL_RADIOGRAPHY)])
    with pytest.raises(InvalidInput, match="S007-R has MR, DX at m06"):
        take_training_key(study, sheet("repair,timepoint,sugaya", "S007-R,m06,II"))
    named = sheet("repair,timepoint,modality,sugaya", "S007-R,m06,mr,II", name="named.csv")
    assert take_training_key(study, named).added == 1


def test_a_changed_key_needs_a_reason(trained, sheet):
    study, key = trained
    take_training_key(study, key)
    changed = sheet("repair,timepoint,sugaya", "S001-R,m06,V", name="changed.csv")
    with pytest.raises(Refused, match="differs from what is recorded"):
        take_training_key(study, changed)
    assert len(take_training_key(study, changed, reason="expert looked again").changed) == 1


@pytest.mark.parametrize("who", ["R1", "A1", "L1", "S1", "Z9"])
def test_only_a_coordinator_allots_and_sets_the_key(trained, who):
    study, key = trained
    desk = desk_of(study, who)
    for act in (lambda: allot(desk), lambda: take_training_key(desk, key), lambda: people(desk)):
        with pytest.raises(Refused, match=f"{who} may not"):
            act()
    assert log_of(study)[-3:] == [(who, "refused", f"person:{who}")] * 3


@pytest.mark.parametrize("who", ["C1", "L1", "S1"])
def test_who_reads_nothing_has_no_list(reading_study, who):
    desk = desk_of(reading_study(), who)
    for act in (my_cases, next_case, open_next):
        with pytest.raises(Refused):
            act(desk)
