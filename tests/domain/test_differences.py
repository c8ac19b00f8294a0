"""What the protocol calls a difference between readings, whoever gave which."""

from __future__ import annotations

from itertools import permutations

import pytest
from form_samples import (
    EVERYTHING,
    FULL_DX,
    FULL_MR,
    MR,
    PLAIN,
    STARTER,
    answer_sets,
    drawn,
    intact,
    torn,
    unreadable,
)
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from imgtrack.domain.differences import Kind, differences
from imgtrack.domain.form import Purpose, form_for, read_answers
from imgtrack.domain.imaging import Modality
from imgtrack.domain.protocol import read_protocol

# The four grounds (outcome, grades two steps apart, millimetres, one not assessable) are common
# practice of reading with two readers and an adjudicator, no single source.

quick = settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow], derandomize=True
)


def rule(**changes):
    """Return the starter's protocol with other keys in [reading.difference]."""
    text = STARTER
    for key, value in changes.items():
        old = next(line for line in text.splitlines() if line.startswith(f"{key} = "))
        text = text.replace(old, f"{key} = {value}")
    return read_protocol(text)


def found(*readings, protocol=PLAIN, form=MR, purpose=Purpose.SIGNING):
    checked = [read_answers(form, answers, purpose=purpose).answers for answers in readings]
    return differences(form, checked, protocol)


def kinds(*readings, **how):
    return [(each.question, each.kind) for each in found(*readings, **how)]


def test_equal_readings_do_not_differ():
    for answers in (intact(), torn(), unreadable()):
        assert kinds(answers, answers) == []


def test_healed_against_retear_differs_even_one_grade_apart():
    answers = intact("III"), torn("IV")
    (difference,) = found(*answers)
    assert (difference.question, difference.kind) == ("sugaya", Kind.OUTCOME)
    assert difference.values == ("III", "IV")
    assert difference.words == "Sugaya type: III and IV, healed against retear"
    assert kinds(*answers, protocol=rule(outcome="false")) == []


def test_the_outcome_follows_the_protocols_rule():
    text = STARTER.replace('retear_rule = "sugaya_iv_v"', 'retear_rule = "sugaya_iii_v"')
    assert kinds(intact("II"), intact("III")) == []
    assert kinds(intact("II"), intact("III"), protocol=read_protocol(text)) == [
        ("sugaya", Kind.OUTCOME)
    ]
    assert kinds(intact("III"), torn("IV"), protocol=read_protocol(text)) == []


@pytest.mark.parametrize(("steps", "differ"), [(1, True), (2, True), (3, False)])
def test_grades_that_many_steps_apart_or_more_differ(steps, differ):
    answers = intact("I"), intact("III")
    assert bool(kinds(*answers, protocol=rule(grade_steps=steps))) == differ
    if differ:
        (difference,) = found(*answers, protocol=rule(grade_steps=steps))
        assert difference.words == "Sugaya type: I and III, 2 steps apart"


def test_one_step_is_one_step():
    (difference,) = found(intact("I"), intact("II"), protocol=rule(grade_steps=1))
    assert difference.words == "Sugaya type: I and II, 1 step apart"


def test_every_ordered_scale_counts_and_shapes_do_not():
    muscle = {"goutallier supraspinatus": {"value": "4"}}
    assert kinds(intact(), {**intact(), **muscle}) == [("goutallier supraspinatus", Kind.GRADE)]
    pattern = {"retear_pattern": {"value": "3"}}
    assert kinds(torn(), {**torn(), **pattern}, protocol=rule(grade_steps=1)) == []


def test_lengths_differ_when_further_apart_than_the_limit_in_decimal_numbers():
    # 8.3 - 3.3 is above 5 in binary floating point, and 5 in the numbers a reader sees.
    assert 8.3 - 3.3 > 5.0
    assert kinds(torn(width=3.3), torn(width=8.3)) == []
    (difference,) = found(torn(width=3.3), torn(width=8.31))
    assert (difference.question, difference.kind) == ("tear width", Kind.LENGTH)
    assert difference.values == ("3.3 mm", "8.31 mm")
    assert difference.words == "Width of the tear, front to back: 3.3 and 8.3 mm, 5.0 mm apart"


def test_an_angle_is_no_length():
    seen = {"adequacy radiograph": {"value": "adequate"}}
    one, other = (
        {**seen, "critical shoulder angle": drawn([0, 0], [0, 9], [9, 0], degrees=each)}
        for each in (20.0, 45.0)
    )
    assert kinds(one, other, protocol=EVERYTHING, form=FULL_DX, purpose=Purpose.DRAFT) == []


def test_of_questions_that_fall_together_only_the_first_is_named():
    (difference,) = found(torn(), unreadable("metal"))
    assert (difference.question, difference.kind) == ("tendon defect", Kind.ASSESSABLE)
    assert difference.values == ("metal", "assessable")
    assert "not assessable to one (metal), answered by another" in difference.words
    assert kinds(torn(), unreadable(), protocol=rule(one_not_assessable="false")) == []
    assert kinds(unreadable("metal"), unreadable("motion")) == []


def test_a_question_that_falls_by_itself_is_named():
    lost = {"not_assessable": "motion"}
    assert kinds(torn(), {**torn(), "tear width": lost}) == [("tear width", Kind.ASSESSABLE)]
    # One says so of the tendon, the other of all images: neither could judge it.
    assert (
        kinds(
            {**unreadable(), "adequacy tendon": {"value": "adequate"}, "tendon defect": lost},
            unreadable(),
        )
        == []
    )


def test_optional_questions_are_no_ground_by_being_left_out_or_lost():
    along = {"retraction along the head": drawn(mm=12.0)}
    lost = {"retraction along the head": {"not_assessable": "motion"}}
    longer = {"retraction along the head": drawn(mm=22.0)}
    assert kinds(torn(), {**torn(), **along}) == []
    assert kinds({**torn(), **lost}, {**torn(), **along}) == []
    assert kinds({**torn(), **longer}, {**torn(), **along}) == [
        ("retraction along the head", Kind.LENGTH)
    ]


def test_without_a_grade_of_the_repair_the_defect_itself_is_the_outcome():
    form = form_for(PLAIN, Modality.MR, before_repair=True)
    seen = {"adequacy tendon": {"value": "adequate"}}
    answers = [
        {**seen, "tendon defect": {"value": each}}
        for each in ("no full-thickness defect", "full-thickness defect")
    ]
    (difference,) = found(*answers, form=form, purpose=Purpose.DRAFT)
    assert difference.kind is Kind.OUTCOME
    assert difference.words.endswith("torn against not torn")


def test_imported_readings_are_compared_by_what_they_hold():
    one = {"sugaya": {"value": "IV"}, "tear width": {"mm": 20.0, "origin": "imported"}}
    other = {"sugaya": {"value": "V"}}
    assert kinds(one, other, purpose=Purpose.IMPORT) == []
    assert kinds(one, {"sugaya": {"value": "II"}}, purpose=Purpose.IMPORT) == [
        ("sugaya", Kind.OUTCOME),
        ("sugaya", Kind.GRADE),
    ]


def test_of_three_readings_the_furthest_two_are_compared_in_any_order():
    three = intact("I"), intact("II"), torn("V")
    results = {tuple(found(*order)) for order in permutations(three)}
    (result,) = results
    assert [(each.kind, each.values) for each in result] == [
        (Kind.OUTCOME, ("I", "II", "V")),
        (Kind.GRADE, ("I", "II", "V")),
    ]
    assert result[1].words.endswith("4 steps apart")


@pytest.mark.parametrize(
    "form", [MR, FULL_MR, FULL_DX], ids=["starter", "everything", "radiograph"]
)
@quick
@given(data=st.data())
def test_it_does_not_matter_who_is_named_first(form, data):
    protocol = PLAIN if form is MR else EVERYTHING
    one, other = (read_answers(form, data.draw(answer_sets(form))).answers for _ in range(2))
    result = differences(form, [one, other], protocol)
    assert result == differences(form, [other, one], protocol)
    assert differences(form, [one, one], protocol) == ()
    assert all(each.question in form.names and each.words for each in result)
