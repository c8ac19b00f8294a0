"""Which question keys answer, and what a digit means."""

from __future__ import annotations

import pytest

from imgtrack.desk.cases.loose import loose_form
from imgtrack.domain.form import Step
from imgtrack.domain.imaging import Modality
from imgtrack_napari.marking import Marking, digit_of, option_of
from imgtrack_napari.standing import standing_of


@pytest.fixture
def marking(session):
    found = Marking(session)
    found.begin()
    return found


def test_a_case_begins_at_its_first_missing_question(marking):
    assert marking.name == "adequacy tendon"


def test_going_on_marks_what_is_missing_next_and_its_step(marking, session):
    for name in ("adequacy tendon", "adequacy thickness", "adequacy muscle"):
        assert marking.name == name
        session.choose(name, "adequate")
        marking.go_on()
    assert marking.name == "tendon defect"
    assert session.step is Step.TEAR
    session.choose("tendon defect", "full-thickness defect")
    marking.go_on()
    assert marking.name == "gap slices"


def test_a_scale_of_digits_is_answered_by_the_digit_itself(session):
    goutallier = session.question("goutallier supraspinatus")
    assert [digit_of(goutallier, each) for each in goutallier.options] == list("01234")
    assert option_of(goutallier, "0") == "0"
    sugaya = session.question("sugaya")
    assert [digit_of(sugaya, each) for each in sugaya.options] == list("12345")
    assert option_of(sugaya, "4") == "IV"
    assert option_of(sugaya, "6") is None


def test_where_nothing_is_required_the_first_question_is_marked(session, monkeypatch):
    form = loose_form(Modality.MR)
    monkeypatch.setattr(type(session), "form", form)
    session.standing = standing_of(form, {}, lambda _form, _answers: ())
    marking = Marking(session)
    marking.begin()
    assert marking.name == form.questions[0].name


def test_moving_passes_questions_that_are_not_asked_and_stops_at_the_ends(marking, session):
    marking.move(-1)
    assert marking.name == "adequacy tendon"
    asked = [name for step in session.steps for name in marking.asked(step)]
    for _ in range(len(asked) + 2):
        marking.move(1)
    assert marking.name == asked[-1]
    assert "tear width" not in asked  # waits for the defect
