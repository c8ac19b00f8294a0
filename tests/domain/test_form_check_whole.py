"""Imported answers, notices, and what holds for any set of answers; never a traceback."""

from __future__ import annotations

import json

import pytest
from form_samples import (
    FULL_DX,
    FULL_MR,
    MR,
    PLAIN,
    answer_sets,
    drawn,
    faults_of,
    only_fault,
    torn,
    unreadable,
)
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from imgtrack.domain.errors import InvalidInput
from imgtrack.domain.form import (
    Purpose,
    Reason,
    derived,
    gap_count,
    is_answered,
    is_torn,
    length_mm,
    mismatches,
    ratio_of,
    read_answers,
    reason_of,
    review,
)
from imgtrack.domain.protocol import Plane

quick = settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow], derandomize=True
)


# ---------------------------------------------------------------------------- imported readings


def test_an_import_may_hold_a_grade_alone_from_which_the_defect_follows():
    for code, says in (("II", "no full-thickness defect"), ("V", "full-thickness defect")):
        checked = read_answers(MR, {"sugaya": {"value": code}}, purpose=Purpose.IMPORT).answers
        assert checked["tendon defect"] == {"value": says}
        assert "adequacy tendon" not in checked
        assert not is_answered(checked, "tear width")


def test_an_import_takes_lengths_and_counts_without_points_and_reasons_not_stated():
    answers = {
        "sugaya": {"value": "IV"},
        "tear width": {"mm": 12.5, "origin": "imported"},
        "gap slices": {"coronal oblique": {"count": 2}},
        "straight retraction": {"not_assessable": "not stated"},
    }
    checked = read_answers(MR, answers, purpose=Purpose.IMPORT).answers
    assert length_mm(checked, "tear width") == 12.5
    assert gap_count(checked, Plane.CORONAL_OBLIQUE) == 2
    assert gap_count(checked, Plane.SAGITTAL_OBLIQUE) is None
    assert reason_of(checked, "straight retraction") is Reason.NOT_STATED
    assert read_answers(MR, checked, purpose=Purpose.IMPORT).answers == checked
    assert faults_of(answers, purpose=Purpose.DRAFT)
    with_ratio = {"occupation ratio": {"value": 0.55}}
    assert ratio_of(
        read_answers(FULL_MR, with_ratio, purpose=Purpose.IMPORT).answers, "occupation ratio"
    ) == pytest.approx(0.55)


def test_an_import_keeps_to_the_same_rules():
    lost = {"sugaya": {"not_assessable": "not stated"}}
    checked = read_answers(MR, lost, purpose=Purpose.IMPORT).answers
    assert reason_of(checked, "tendon defect") is Reason.NOT_STATED
    assert reason_of(checked, "patte_stage") is Reason.NOT_STATED
    width = {"tear width": {"mm": 12.5, "origin": "imported"}}
    for other in ({"sugaya": {"value": "II"}}, lost):
        fault = only_fault({**other, **width}, purpose=Purpose.IMPORT)
        assert "cannot be answered beside an earlier answer" in fault
    assert not faults_of(width, purpose=Purpose.IMPORT)
    odd = {"tear width": {**width["tear width"], "points": [[0, 0, 0]], "images": []}}
    assert "a list of 0" in only_fault(odd, purpose=Purpose.IMPORT)


def test_whether_there_is_a_partial_tear_does_not_follow_from_a_type():
    checked = read_answers(FULL_MR, {"sugaya": {"value": "III"}}, purpose=Purpose.IMPORT).answers
    assert "tendon defect" not in checked
    checked = read_answers(FULL_MR, {"hayashida": {"value": "4"}}, purpose=Purpose.IMPORT).answers
    assert is_torn(checked)
    checked = read_answers(FULL_DX, {"hamada": {"value": "3"}}, purpose=Purpose.IMPORT).answers
    assert checked == {"hamada": {"value": "3"}}


# ------------------------------------------------------------------------------------- notices


def test_what_looks_odd_is_told_and_not_refused():
    answers = {
        **torn(width=95.0, retraction=30.0),
        "retraction along the head": drawn([0, 0, 0], [1, 0, 0], [2, 0, 0], mm=25.0),
    }
    words = [notice.words for notice in read_answers(MR, answers).notices]
    assert words == [
        "Width of the tear, front to back: 95.0 mm is more than 80 mm",
        "25.0 mm along the head is shorter than 30.0 mm straight",
        "tear width of 95.0 mm, but the coronal oblique slices show the gap over 8.0 mm",
        "straight retraction of 30.0 mm, but the sagittal oblique slices show the gap over 8.0 mm",
    ]


def test_a_length_within_two_slices_of_what_the_slices_show_is_not_remarked_upon():
    assert read_answers(MR, torn(width=16.0, retraction=0.5)).notices == ()
    assert len(read_answers(MR, torn(width=16.1)).notices) == 1


def test_images_of_the_wrong_side_are_told():
    (notice, other) = read_answers(MR, unreadable("wrong side")).notices
    assert (notice.question, other.question) == ("adequacy tendon", "adequacy thickness")
    assert "wrong side" in notice.words


# ---------------------------------------------------------------------------------- properties


@pytest.mark.parametrize(
    "form", [MR, FULL_MR, FULL_DX], ids=["starter", "everything", "radiograph"]
)
@quick
@given(data=st.data())
def test_every_sound_set_is_accepted_and_comes_back_from_json_unchanged(form, data):
    answers = data.draw(answer_sets(form))
    checked = read_answers(form, answers).answers
    assert tuple(checked) == form.names
    again = json.loads(json.dumps(checked, allow_nan=False))
    assert again == checked
    assert read_answers(form, again).answers == checked
    mismatches(derived(form, checked, PLAIN))


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(["value", "mm", "points", "images", "not_assessable", "origin", "x"]),
            inner,
            max_size=4,
        )
    ),
    max_leaves=8,
)


@pytest.mark.parametrize("purpose", list(Purpose))
@quick
@given(data=st.data())
def test_any_set_is_accepted_or_its_faults_are_named(purpose, data):
    names = st.sampled_from([*FULL_MR.names, "shoe size"])
    answers = data.draw(st.dictionaries(names, json_values, max_size=6))
    sound = data.draw(st.just({}) | answer_sets(FULL_MR))
    mixed = {**sound, **answers}
    found = review(FULL_MR, mixed, purpose=purpose)
    assert all(fault.what for fault in found.faults)
    json.dumps(found.answers, allow_nan=False)
    mismatches(derived(FULL_MR, found.answers, PLAIN))
    if found.faults:
        with pytest.raises(InvalidInput) as caught:
            read_answers(FULL_MR, mixed, purpose=purpose)
        assert caught.value.faults == found.faults
    else:
        assert read_answers(FULL_MR, mixed, purpose=purpose).answers == found.answers
