"""The training set: hits against the expert's key, attempts, and faults of a key."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from imgtrack.domain.cases import Case, TrainingKey
from imgtrack.domain.form import form_for
from imgtrack.domain.imaging import Modality
from imgtrack.domain.protocol import read_protocol
from imgtrack.domain.reading import Reading, Round
from imgtrack.domain.training import Standing, key_faults, training

AT = datetime(2031, 9, 1, tzinfo=UTC)
KEYS = {
    "s1": TrainingKey("s1", {"sugaya": "IV", "retear_pattern": "1"}, "C1"),
    "s2": TrainingKey("s2", {"sugaya": "II", "goutallier supraspinatus": "not assessable"}, "C1"),
}


def case(scan: str, attempt: int = 1) -> Case:
    return Case(f"{scan}-{attempt}", "R1", scan, Round.TRAINING, attempt, 1, attempt)


def read(case_: Case, **answers: object) -> Reading:
    named = {name.replace("_of_", " "): value for name, value in answers.items()}
    return Reading(case_.code, case_.scan, "R1", case_.round, named, "p", "1", AT, AT)


def stands(*pairs: tuple[Case, Reading | None], share: float = 0.75, keys=KEYS):
    readings = {c.code: reading for c, reading in pairs if reading is not None}
    return training(keys, [c for c, _ in pairs], readings, pass_share=share)


def attempt(number: int, grade: str) -> list[tuple[Case, Reading]]:
    one, two = case("s1", number), case("s2", number)
    return [
        (one, read(one, sugaya={"value": grade}, retear_pattern={"value": "1"})),
        (two, read(two, sugaya={"value": "II"}, goutallier_of_supraspinatus={"value": "0"})),
    ]


def test_without_a_key_nothing_is_needed_and_with_one_nothing_is_open():
    assert stands(keys={}).standing is Standing.NOT_NEEDED
    assert stands(keys={}).lets_in
    assert stands().standing is Standing.NOT_ALLOTTED
    assert not stands().lets_in


def test_an_attempt_is_open_until_every_case_is_signed():
    (one, reading), (two, _) = attempt(1, "IV")
    found = stands((one, reading), (two, None))
    assert (found.standing, found.share) == (Standing.OPEN, None)


def test_hits_are_counted_over_all_the_key_asks():
    """By hand: IV and 1 and II hit; the expert could not tell the fourth, the reader could."""
    found = stands(*attempt(1, "IV"))
    assert (found.hits, found.asked, found.share) == (3, 4, 0.75)
    assert found.standing is Standing.PASSED
    assert stands(*attempt(1, "IV"), share=0.76).standing is Standing.FAILED


def test_not_assessable_hits_where_the_expert_could_not_tell_either():
    one, two = case("s1"), case("s2")
    found = stands(
        (one, read(one, sugaya={"not_assessable": "metal"})),
        (two, read(two, goutallier_of_supraspinatus={"not_assessable": "coverage"})),
    )
    assert (found.hits, found.asked) == (1, 4)


def test_the_attempt_that_passed_counts_and_else_the_latest():
    failed, passed = attempt(1, "V"), attempt(2, "IV")
    assert stands(*failed).standing is Standing.FAILED
    found = stands(*failed, *passed)
    assert (found.standing, found.attempt) == (Standing.PASSED, 2)
    assert stands(*passed, *((c, None) for c, _ in attempt(3, "V"))).lets_in


@pytest.fixture(scope="module")
def form():
    from importlib import resources

    text = resources.files("imgtrack.desk").joinpath("starter.toml").read_text("utf-8")
    return form_for(read_protocol(text.format(name="x", who="C1")), Modality.MR)


def test_a_key_may_say_any_level_any_choice_and_not_assessable(form):
    answers = {"sugaya": "V", "bright signal": "yes", "retear_pattern": "not assessable"}
    assert key_faults(form, answers, "key") == []


@pytest.mark.parametrize(
    ("answers", "what"),
    [
        ({}, "no answer"),
        ({"sugaya": "VI"}, "no such answer to 'sugaya'"),
        ({"tear width": "12"}, "'tear width' is no question a key can answer"),
        ({"colour": "red"}, "'colour' is no question"),
    ],
)
def test_what_a_key_cannot_say(form, answers, what):
    (fault,) = key_faults(form, answers, "sheet row 2")
    assert what in fault.what
    assert fault.where == "sheet row 2"
    assert fault.expected
