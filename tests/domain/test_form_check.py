"""A set of answers is completed, or every fault of it is named; never a traceback."""

from __future__ import annotations

import math

import pytest
from form_samples import (
    FULL_DX,
    FULL_MR,
    IMAGE,
    MR,
    STARTER,
    drawn,
    faults_of,
    gap,
    intact,
    only_fault,
    protocol_with,
    slices,
    torn,
    unreadable,
    without,
)

from imgtrack.domain.errors import InvalidInput
from imgtrack.domain.form import (
    Purpose,
    Reason,
    form_for,
    gap_count,
    is_torn,
    length_mm,
    ratio_of,
    read_answers,
    reason_of,
    review,
)
from imgtrack.domain.imaging import Modality
from imgtrack.domain.protocol import Plane, read_protocol

# What must not stand together, and that a missing answer is never a blank, are rules of the
# form; that IV and V are interruptions of the whole tendon and I to III are none is Sugaya et al,
# J Bone Joint Surg Am 2007;89:953-60.

# ------------------------------------------------------------------------------ completeness


@pytest.mark.parametrize("answers", [intact(), torn(), unreadable()])
def test_signed_answers_leave_no_question_blank(answers):
    checked = read_answers(MR, answers)
    assert tuple(checked.answers) == MR.names
    assert checked.notices == ()


def test_an_intact_tendon_has_no_retraction_rather_than_0_mm():
    checked = read_answers(MR, intact()).answers
    for name in (
        "tear width",
        "straight retraction",
        "gap slices",
        "patte_stage",
        "retear_pattern",
    ):
        assert checked[name] == {"not_asked": "no full-thickness defect"}
        assert length_mm(checked, name) is None
    assert gap_count(checked, Plane.CORONAL_OBLIQUE) == 0


def test_what_falls_with_the_tendon_says_why_and_with_what():
    checked = read_answers(MR, unreadable("motion")).answers
    for name in ("tendon defect", "sugaya", "tear width", "bright signal"):
        assert checked[name] == {"not_assessable": "motion", "because": "adequacy tendon"}
        assert reason_of(checked, name) is Reason.MOTION
    assert checked["goutallier supraspinatus"] == {"value": "2"}
    assert is_torn(checked) is None
    assert gap_count(checked, Plane.CORONAL_OBLIQUE) is None


@pytest.mark.parametrize("name", [*torn()])
def test_each_required_question_that_is_left_out_is_named(name):
    title = MR.question(name).title
    faults = faults_of(without(torn(), name))
    assert f"{title}: this question is not answered" in "\n".join(faults)
    assert len(faults) == 1
    assert not faults_of(without(torn(), name), purpose=Purpose.DRAFT)


def test_optional_questions_may_be_left_out_and_say_so():
    checked = read_answers(MR, torn()).answers
    assert checked["retraction along the head"] == {"not_asked": "optional, left out"}
    assert checked["free note"] == {"not_asked": "optional, left out"}
    noted = read_answers(MR, {**torn(), "free note": {"text": "  "}}).answers
    assert noted == checked


def test_an_answer_that_cannot_be_read_is_not_called_missing_as_well():
    faults = faults_of({**torn(), "tear width": {"mm": 8}})
    assert [fault.split("; ")[0].split(": ")[1] for fault in faults] == [
        "'origin' is missing",
        "'points' is missing",
        "'images' is missing",
    ]


# ------------------------------------------------------------------ what never stands together


@pytest.mark.parametrize("grade", ["I", "II", "III"])
def test_a_defect_and_a_continuous_type_contradict_each_other(grade):
    answers = without({**torn(), "sugaya": {"value": grade}}, "retear_pattern")
    fault = only_fault(answers)
    assert "contradicts the defect" in fault
    assert f"expected one of IV, V; found {grade} with full-thickness defect" in fault


@pytest.mark.parametrize("grade", ["IV", "V"])
def test_no_defect_and_an_interrupted_type_contradict_each_other(grade):
    assert "contradicts the defect" in only_fault(intact(grade))


@pytest.mark.parametrize(
    ("name", "answer"),
    [
        ("straight retraction", drawn(mm=3.0)),
        ("gap slices", gap(1, 1)),
        ("patte_stage", {"value": "1"}),
        ("retear_pattern", {"value": "1"}),
        ("retear_pattern", {"not_assessable": "metal"}),
    ],
)
def test_nothing_of_a_tear_is_answered_where_there_is_none(name, answer):
    fault = only_fault({**intact(), name: answer})
    assert MR.question(name).title in fault
    assert "found no full-thickness defect" in fault


def test_nothing_is_measured_on_images_that_do_not_serve():
    fault = only_fault({**unreadable(), "sugaya": {"value": "II"}})
    assert "found Images serve for: continuity of the tendon: not assessable" in fault


def test_a_reader_may_name_another_reason_for_what_falls_anyway():
    checked = read_answers(MR, {**unreadable(), "sugaya": {"not_assessable": "motion"}}).answers
    assert checked["sugaya"] == {"not_assessable": "motion"}


def test_a_question_that_applies_cannot_be_waved_away():
    for answer in (
        {"not_asked": "no full-thickness defect"},
        {"not_asked": "optional, left out"},
        {"not_assessable": "metal", "because": "adequacy tendon"},
    ):
        assert "this question does apply" in only_fault({**torn(), "tear width": answer})


def test_a_defect_shows_in_a_slice():
    assert "shows in one slice at least" in only_fault({**torn(), "gap slices": gap(0, 0)})
    one_plane_lost = {
        "coronal oblique": slices(0),
        "sagittal oblique": {"not_assessable": "motion"},
    }
    assert not faults_of({**torn(), "gap slices": one_plane_lost})


def test_partial_tears_do_not_contradict_the_types_of_a_continuous_tendon():
    answers = {"tendon defect": {"value": "partial-thickness defect"}, "sugaya": {"value": "III"}}
    seen = {"adequacy tendon": {"value": "adequate"}}
    assert not faults_of({**seen, **answers}, FULL_MR, Purpose.DRAFT)
    wrong = {**seen, **answers, "patte_extent": {"value": "2"}}
    assert "contradicts the defect" in only_fault(wrong, FULL_MR, Purpose.DRAFT)


# ------------------------------------------------------------------------- one answer by itself

SEEN = {
    "adequacy tendon": {"value": "adequate"},
    "tendon defect": {"value": "full-thickness defect"},
}
SEEN_ALL = {
    **SEEN,
    "adequacy muscle": {"value": "adequate"},
    "adequacy implants": {"value": "adequate"},
}
OUTLINE = [[0.0, 0.0, 0.0], [9.0, 0.0, 0.0], [9.0, 9.0, 0.0]]


def deep():
    value = []
    for _ in range(100_000):
        value = [value]
    return value


def area(mm2):
    return drawn(*OUTLINE, mm2=mm2)


def signal(mean):
    return drawn(*OUTLINE, mean=mean, sd=3.0, voxels=25)


@pytest.mark.parametrize(
    ("name", "answer", "expected"),
    [
        ("tear width", 12, "this is no answer"),
        ("tear width", None, "this is no answer"),
        ("tear width", {**drawn(mm=1.0), 3: 4}, "a key is no text"),
        ("tear width", drawn(mm=0), "a finite number, above 0"),
        ("tear width", drawn(mm=math.nan), "a finite number, above 0"),
        ("tear width", drawn(mm=10**400), "a finite number, above 0"),
        ("tear width", drawn(mm=True), "a finite number, above 0"),
        ("tear width", drawn(mm="12"), "a finite number, above 0"),
        ("tear width", drawn(mm=None), "'mm' is empty"),
        ("tear width", drawn([0, 0, 0], mm=1.0), "a list of 2"),
        ("tear width", drawn([0, 0], [1, 1], mm=1.0), "3 finite numbers"),
        ("tear width", drawn([0, 0, 0], [1, 1, math.inf], mm=1.0), "3 finite numbers"),
        ("tear width", drawn([0, 0, 0], [1, 1, 10**5000], mm=1.0), "a value far too large"),
        ("tear width", {**drawn(mm=1.0), "images": []}, "a list of 1 to 2"),
        ("tear width", {**drawn(mm=1.0), "images": [IMAGE, IMAGE]}, "holds an image twice"),
        ("tear width", {**drawn(mm=1.0), "images": ["2.25.1"]}, "'uid' (SOP Instance UID)"),
        ("tear width", {**drawn(mm=1.0), "images": [{**IMAGE, "uid": "a b"}]}, "'uid' (SOP"),
        ("tear width", {**drawn(mm=1.0), "images": [{**IMAGE, "frame": 0}]}, "'frame' (1 or more)"),
        (
            "tear width",
            {**drawn(mm=1.0), "origin": "imported"},
            "one of drawn, suggestion accepted",
        ),
        ("tear width", {**drawn(mm=1.0), "by": "R1"}, "a key is not known"),
        ("tear width", {"not_assessable": "rain"}, "one of motion, metal"),
        ("tear width", {"not_assessable": "not stated"}, "one of motion, metal"),
        ("tear width", {"not_assessable": "other"}, "'note' is missing"),
        ("tear width", {"not_assessable": "other", "note": " "}, "'note' cannot be used"),
        ("tear width", {"not_assessable": "metal", "note": "\ud800"}, "'note' cannot be used"),
        ("tear width", {"not_assessable": "metal", "note": "a\0b"}, "'note' cannot be used"),
        ("sugaya", {"value": deep()}, "found a value far too large"),
        ("free note", {"not_assessable": "metal"}, "a note is left out"),
        ("free note", {"text": "x" * 2001}, "at most 2000 characters"),
        ("sugaya", {"value": "VI"}, "one of I, II, III, IV, V"),
        ("sugaya", {"value": 4}, "one of I, II, III, IV, V"),
        ("sugaya", {"grade": "IV"}, "'value' is missing"),
        ("gap slices", {**gap(1, 1), "axial": slices(1)}, "a key is not known"),
        ("gap slices", {**gap(1, 1), "axial oblique": None}, "a key is not known"),
        ("gap slices", {**gap(1, 1), "sagittal oblique": None}, "'sagittal oblique' is empty"),
        ("gap slices", gap(1, 1) | {"sagittal oblique": 2}, "this is no answer"),
        (
            "gap slices",
            gap(1, 1) | {"sagittal oblique": {**slices(2), "count": 3}},
            "count and images do not fit",
        ),
        (
            "gap slices",
            gap(1, 1) | {"sagittal oblique": {**slices(2), "count": 2.5}},
            "a whole number from 0 to 500",
        ),
        (
            "gap slices",
            gap(1, 1) | {"sagittal oblique": {**slices(2), "implied_mm": 12.0}},
            "'implied_mm' does not fit",
        ),
        (
            "gap slices",
            gap(1, 1) | {"sagittal oblique": {**slices(2), "implied_mm": 0.0}},
            "'implied_mm' does not fit",
        ),
        (
            "gap slices",
            gap(1, 1) | {"sagittal oblique": {**slices(2), "spacing_mm": 0}},
            "'spacing_mm' cannot be used",
        ),
        ("footprint coverage", {"covered": drawn(mm=9.0), "footprint": drawn(mm=8.0)}, "at most 1"),
        ("footprint coverage", {"covered": drawn(mm=4.0)}, "'footprint' is missing"),
        (
            "footprint coverage",
            {"covered": drawn(mm=4.0), "footprint": drawn(mm=8.0), "value": 0.6},
            "'value' is not the ratio of its parts; expected 0.5; found 0.6",
        ),
        (
            "occupation ratio",
            {"muscle": area(300.0), "fossa": area(400.0), "fossa_roof": "sky"},
            "one of fascia, spine-coracoid line",
        ),
        (
            "occupation ratio",
            {"muscle": area(1e300), "fossa": area(1e-300), "fossa_roof": "fascia"},
            "a finite ratio",
        ),
        (
            "occupation ratio",
            {"muscle": area(1e-300), "fossa": area(1e300), "fossa_roof": "fascia"},
            "do not fit together",
        ),
        ("patte landmarks", {**torn()["patte landmarks"], "points": []}, "this is no answer"),
        (
            "patte landmarks",
            {**torn()["patte landmarks"], "mm": {"stump": 1.0, "apex": -2.0, "rim": 4.0}},
            "'apex' cannot be used",
        ),
        ("implant positions", {"implants": "none"}, "a list of 0 to 40"),
        ("implant positions", {"implants": [3]}, "implant 1: this is no answer"),
    ],
)
def test_what_is_wrong_with_one_answer_is_named(name, answer, expected):
    faults = faults_of({**SEEN_ALL, name: answer}, FULL_MR, Purpose.DRAFT)
    assert expected in "\n".join(faults)
    assert all(fault.startswith(FULL_MR.question(name).title) for fault in faults)


def test_several_faults_of_several_answers_come_together_in_the_order_of_the_form():
    answers = {**torn("VI"), "tear width": {"mm": -1}, "shoe size": 44, 7: 7}
    del answers["adequacy tendon"]
    with pytest.raises(InvalidInput) as caught:
        read_answers(MR, answers)
    found = [(fault.where, fault.what) for fault in caught.value.faults]
    assert found == [
        ("", "the form has no such question"),
        ("", "the form has no such question"),
        ("Images serve for: continuity of the tendon", "this question is not answered"),
        ("Width of the tear, front to back", "'mm' cannot be used"),
        ("Width of the tear, front to back", "'origin' is missing"),
        ("Width of the tear, front to back", "'points' is missing"),
        ("Width of the tear, front to back", "'images' is missing"),
        ("Sugaya type", "'value' cannot be used"),
    ]
    assert list(review(MR, answers).faults_of) == ["", "tear width", "sugaya"]


@pytest.mark.parametrize("answers", [None, 3, "answers", [], [("sugaya", "IV")]])
def test_what_is_no_set_of_answers_is_one_fault(answers):
    assert "these are no answers" in only_fault(answers, purpose=Purpose.DRAFT)


def test_a_ratio_is_filled_in_and_a_bare_footprint_has_ratio_0():
    bare = {"covered": {**drawn(mm=0), "points": [], "images": []}, "footprint": drawn(mm=15.0)}
    part = {"covered": drawn(mm=6.0), "footprint": drawn(mm=15.0)}
    for answer, expected in ((bare, 0.0), (part, 0.4), ({**part, "value": 0.4}, 0.4)):
        given = {**SEEN_ALL, "footprint coverage": answer}
        found = review(FULL_MR, given)
        assert found.faults == ()
        assert ratio_of(found.answers, "footprint coverage") == pytest.approx(expected, abs=0)


def test_a_signal_keeps_its_spread_and_size():
    given = {
        "adequacy tendon": {"value": "adequate"},
        "tendon defect": {"value": "no defect"},
        "signal ratio": {
            "tendon": signal(60.0),
            "reference": signal(120.0),
            "reference_tissue": "deltoid",
        },
    }
    found = review(FULL_MR, given)
    assert found.faults == ()
    assert found.answers["signal ratio"]["tendon"]["voxels"] == 25
    assert ratio_of(found.answers, "signal ratio") == 0.5


def test_an_own_index_takes_numbers_within_its_range():
    index = """
[[own_scale]]
id = "firmness"
title = "Firmness"
grades = "firmness of the tendon"
modalities = ["MR"]
range = { low = 1, high = 3 }
[[scale]]
name = "firmness"
"""
    form = form_for(read_protocol(STARTER + index), Modality.MR)
    for value, expected in (
        (1, []),
        (2.5, []),
        (3.01, ["1 to 3"]),
        (0, ["1 or more"]),
        ("2", [""]),
    ):
        found = review(form, {"firmness": {"value": value}})
        assert len(found.faults) == len(expected)
        assert all(words in str(fault) for words, fault in zip(expected, found.faults, strict=True))
    assert ratio_of({"firmness": {"value": 2.5}}, "firmness") == 2.5


def implant(label="1", **more):
    return {
        "label": label,
        "seat": "in place",
        **drawn([1.0, 2.0, 3.0]),
        "grades": {"peri_implant_fluid": {"value": "2"}},
        "migration": {"mm": 1.2, "residual_mm": 0.4},
        **more,
    }


def test_implants_have_labels_that_differ_a_grade_and_a_migration():
    lost = {"not_assessable": "metal"}
    sound = [implant(), implant("2", migration=lost, grades={"peri_implant_fluid": lost})]
    given = {**SEEN_ALL, "implant positions": {"implants": sound}}
    found = review(FULL_MR, given)
    assert found.faults == ()
    assert found.answers["implant positions"]["implants"] == sound
    bare = form_for(protocol_with(form='ask = ["implant positions"]'), Modality.MR)
    alone = {key: each for key, each in implant().items() if key not in {"grades", "migration"}}
    assert not faults_of(
        {**SEEN_ALL, "implant positions": {"implants": [alone]}}, bare, Purpose.DRAFT
    )
    for wrong, expected in (
        ([implant(), implant()], "labels of implants must differ"),
        ([implant(seat="lost")], "one of in place, proud of the bone, out of the bone"),
        ([implant(grades={})], "'peri_implant_fluid' is missing"),
        ([implant(grades={"peri_implant_fluid": {"value": "5"}})], "one of 0, 1, 2, 3, 4"),
        ([implant(grades=None)], "'grades' is empty"),
        ([implant(migration=None)], "'migration' is empty"),
        ([implant(migration={"mm": -1, "residual_mm": 0})], "'mm' cannot be used"),
    ):
        answers = {**SEEN_ALL, "implant positions": {"implants": wrong}}
        assert expected in "\n".join(faults_of(answers, FULL_MR, Purpose.DRAFT))


def test_points_of_a_radiograph_have_two_coordinates():
    seen = {"adequacy radiograph": {"value": "adequate"}}
    flat = drawn([0.0, 0.0], [0.0, 7.5], mm=7.5)
    assert not faults_of({**seen, "acromiohumeral interval": flat}, FULL_DX, Purpose.DRAFT)
    fault = only_fault({**seen, "acromiohumeral interval": drawn(mm=5.0)}, FULL_DX, Purpose.DRAFT)
    assert "2 finite numbers" in fault
    corner = drawn([0.0, 0.0], [0.0, 40.0], [20.0, 0.0], degrees=34.0)
    assert not faults_of({**seen, "critical shoulder angle": corner}, FULL_DX, Purpose.DRAFT)
