"""The question about the fat fraction: asked only where a protocol asks, and never a grade.

That no cut-off for a grade is accepted: common practice, no source.
"""

from __future__ import annotations

import form_samples as forms
import pytest

from imgtrack.domain.form import (
    FatFraction,
    Purpose,
    Step,
    derived,
    form_for,
    percent_of,
    read_answers,
    review,
)
from imgtrack.domain.imaging import Modality
from imgtrack.domain.protocol import Measure

NAME = Measure.FAT_FRACTION.value
PROTOCOL = forms.protocol_with(form='optional = ["retraction along the head", "fat fraction"]')
FORM = form_for(PROTOCOL, Modality.MR)
SIGNAL = {"images": [forms.IMAGE]}
ANSWER = {
    **forms.drawn((0, 0, 0), (0, 10, 0), (0, 0, 10)),
    "percent": 7.3,
    "sd_percent": 5.9,
    "voxels": 200,
    "mm2": 50.0,
    "fat": {"mean": 12.0, **SIGNAL},
    "water": {"mean": 160.0, **SIGNAL},
}


def with_fat(**changes):
    return forms.intact() | {NAME: ANSWER | changes}


def test_it_is_asked_in_the_muscle_step_and_may_be_left_out():
    question = FORM.question(NAME)
    assert isinstance(question.asks, FatFraction)
    assert (question.step, question.required) == (Step.MUSCLE, False)
    assert "No cut-off" in question.help
    assert review(FORM, forms.intact(), purpose=Purpose.SIGNING).faults == ()


def test_a_study_that_asks_for_it_needs_an_answer():
    asked = forms.protocol_with(form='ask = ["fat fraction"]')
    form = form_for(asked, Modality.MR)
    assert form.question(NAME).required
    unasked = ("adequacy thickness", "tendon thickness", "reference thickness")
    without = forms.without(forms.intact(), *unasked)
    assert "Fat fraction of the supraspinatus" in forms.only_fault(without, form)
    told = without | {NAME: {"not_assessable": "not acquired"}}
    assert review(form, told, purpose=Purpose.SIGNING).faults == ()


def test_a_study_that_does_not_ask_has_the_form_it_had():
    assert NAME not in forms.MR.names
    assert tuple(each for each in FORM.names if each != NAME) == forms.MR.names


def test_it_falls_with_the_muscles():
    lost = forms.intact() | {"adequacy muscle": {"not_assessable": "coverage"}}
    kept = forms.without(lost, *forms.MUSCLES)
    looked = review(FORM, kept, purpose=Purpose.SIGNING)
    assert looked.faults == ()
    assert looked.answers[NAME] == {"not_assessable": "coverage", "because": "adequacy muscle"}


def test_a_whole_answer_is_kept_and_implies_no_grade():
    checked = read_answers(FORM, with_fat())
    assert checked.answers[NAME] == ANSWER
    assert percent_of(checked.answers, NAME) == 7.3
    assert percent_of(forms.intact(), NAME) is None
    grades = {each.question for each in derived(FORM, checked.answers, PROTOCOL)}
    assert grades == {each.question for each in derived(FORM, forms.intact(), PROTOCOL)}


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"percent": 101.0}, "0 to 100"),
        ({"percent": -0.1}, "0 or more"),
        ({"sd_percent": "much"}, "'sd_percent' cannot be used"),
        ({"voxels": 1}, "2 to 1000000"),
        ({"mm2": 0}, "above 0"),
        ({"points": [[0, 0, 0], [1, 1, 1]]}, "3 to 2000"),
        ({"fat": {"mean": 1.0}}, "'images' is missing"),
        ({"water": None}, "'water' is empty"),
        ({"water": {"mean": -1.0, **SIGNAL}}, "0 or more"),
        ({"grade": "2"}, "a key is not known"),
    ],
)
def test_what_cannot_be_is_named(changes, words):
    assert words in forms.only_fault(with_fat(**changes), FORM)


def test_an_imported_one_is_the_number_alone():
    given = forms.intact() | {NAME: {"percent": 7.3}}
    found = read_answers(FORM, given, purpose=Purpose.IMPORT)
    assert found.answers[NAME] == {"percent": 7.3}
    assert "'points' is missing" in " ".join(forms.faults_of(given, FORM))
