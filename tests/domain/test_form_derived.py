"""Grades that follow from what a reader measured, and where the reader's own grade differs."""

from __future__ import annotations

import pytest
from form_samples import (
    EVERYTHING,
    FULL_DX,
    FULL_MR,
    MR,
    PLAIN,
    STARTER,
    drawn,
    intact,
    protocol_with,
    torn,
    unreadable,
    without,
)

from imgtrack.domain.form import (
    Purpose,
    angle_of,
    derived,
    form_for,
    mismatches,
    names,
    position_mm,
    read_answers,
    review,
    thickness_ratio,
)
from imgtrack.domain.imaging import Modality
from imgtrack.domain.protocol import read_protocol


def grades(answers, form=MR, protocol=PLAIN, purpose=Purpose.DRAFT, **known):
    """Return the derived grades by question."""
    found = review(form, answers, purpose=purpose)
    assert found.faults == ()
    return {each.question: each for each in derived(form, found.answers, protocol, **known)}


def mismatch_words(answers):
    checked = read_answers(MR, answers).answers
    return [each.words for each in mismatches(derived(MR, checked, PLAIN))]


# -------------------------------------------- Sugaya type: J Bone Joint Surg Am 2007;89:953-60


@pytest.mark.parametrize(
    ("answers", "level"),
    [
        (intact(thickness=5.0, reference=6.0, bright="no"), "I"),
        (intact(thickness=5.0, reference=6.0, bright="yes"), "II"),
        (intact(thickness=2.9, reference=6.0, bright="yes"), "III"),
        (intact(thickness=3.0, reference=6.0, bright="yes"), "II"),
        (torn(coronal=1, sagittal=2), "IV"),
        (torn(coronal=2, sagittal=3), "V"),
    ],
)
def test_the_type_follows_from_slices_thickness_and_signal(answers, level):
    answers = {**answers, "sugaya": {"value": "V" if level in {"IV", "V"} else "II"}}
    assert grades(answers)["sugaya"].derived.level == level


def test_what_is_not_recorded_leaves_the_types_that_remain():
    assert grades(without(intact(), "bright signal"))["sugaya"].derived.possible == ("I", "II")
    assert grades(without(torn(), "gap slices"))["sugaya"].derived.possible == ()
    assert grades(unreadable())["sugaya"].derived.possible == ()
    assert "implies nothing" in grades(unreadable())["sugaya"].words


def test_a_gap_in_one_plane_is_to_be_looked_at():
    words = grades(torn(coronal=2, sagittal=0))["sugaya"].words
    assert words.startswith("Sugaya type: a gap in one plane only")
    assert words.endswith("implies nothing; look at: gap in one plane only")


@pytest.mark.parametrize(
    ("reference", "known", "ratio"),
    [
        ('"adjacent intact cuff"', None, 0.8),
        ('"adjacent intact cuff"', 100.0, 0.8),
        ('"preop same shoulder"', 10.0, 0.4),
        ('"contralateral"', 10.0, 0.4),
        ('"contralateral"', None, None),
        ('"fixed"\nfixed_thickness_mm = 8.0', 100.0, 0.5),
    ],
)
def test_the_reference_of_thickness_is_the_protocols(reference, known, ratio):
    protocol = read_protocol(STARTER.replace('"adjacent intact cuff"\n', f"{reference}\n"))
    answers = {"tendon thickness": drawn(mm=4.0), "reference thickness": drawn(mm=5.0)}
    assert thickness_ratio(answers, protocol, reference_mm=known) == ratio


def test_a_ratio_beyond_all_numbers_is_none():
    huge = {"tendon thickness": drawn(mm=1e300), "reference thickness": drawn(mm=1e-300)}
    assert thickness_ratio(huge, PLAIN) is None


# ------------------------------------------------------------------------------ grades of a tear


def test_the_patte_stage_follows_from_landmarks_and_is_of_a_tear_alone():
    # Patte, Clin Orthop Relat Res 1990;254:81-6; the limits between the stages are our reading.
    for stump, stage in ((12.0, "1"), (20.0, "2"), (44.9, "2"), (45.0, "3")):
        assert grades(torn(stump=stump))["patte_stage"].derived.level == stage
    assert "patte_stage" not in grades(intact())
    answers = torn()
    answers["patte landmarks"]["mm"] |= {"apex": 50.0}
    assert grades(answers)["patte_stage"].words.endswith("look at: landmarks out of order")
    assert position_mm(answers, "patte landmarks", "apex") == 50.0
    assert position_mm(intact(), "patte landmarks", "apex") is None


def test_size_and_shape_follow_from_width_and_retraction():
    # DeOrio and Cofield, J Bone Joint Surg Am 1984;66:563-7; Davidson and Burkhart, Arthroscopy
    # 2010;26:417-24.
    protocol = protocol_with("deorio_cofield", "davidson_burkhart")
    form = form_for(protocol, Modality.MR)
    tear = {"tear width": drawn(mm=15.0), "straight retraction": drawn(mm=31.0)}
    found = grades({**torn(), **tear}, form, protocol)
    assert found["deorio_cofield"].derived.level == "large"
    assert found["deorio_cofield"].given is None
    assert found["davidson_burkhart"].derived.level == "2"
    known = grades({**torn(), **tear}, form, protocol, arthropathy=True)
    assert known["davidson_burkhart"].derived.level == "4"
    missing = grades(without(torn(), "tear width"), form, protocol)
    assert missing["deorio_cofield"].derived.possible == ()
    assert "deorio_cofield" not in grades(intact(), form, protocol)


def test_the_depth_of_a_partial_tear_gives_its_grade():
    # Ellman, Clin Orthop Relat Res 1990;254:64-74.
    answers = {
        "adequacy tendon": {"value": "adequate"},
        "tendon defect": {"value": names.PARTIAL_DEFECT},
        "partial tear depth": drawn(mm=4.0),
    }
    assert grades(answers, FULL_MR, EVERYTHING)["ellman_depth"].derived.level == "II"
    whole = {**without(answers, "partial tear depth"), "tendon defect": {"value": names.NO_DEFECT}}
    assert "ellman_depth" not in grades(whole, FULL_MR, EVERYTHING)


# ---------------------------------------------------------------------------------- the muscles


def test_the_index_is_the_mean_of_three_muscles_and_nothing_of_two():
    # Goutallier et al, J Shoulder Elbow Surg 2003;12:550-4: supraspinatus, infraspinatus and
    # subscapularis. The teres minor does not count.
    answers = {**intact(), "goutallier teres minor": {"value": "4"}}
    assert grades(answers)["gfdi"].derived.value == 1.0
    assert grades(answers)["gfdi"].words.endswith("implies 1.00")
    lost = {**answers, "goutallier infraspinatus": {"not_assessable": "coverage"}}
    assert grades(lost)["gfdi"].derived.value is None


def test_grades_of_muscles_follow_from_goutallier_areas_and_heights():
    # Fuchs et al, J Shoulder Elbow Surg 1999;8:599-605; Zanetti et al, Invest Radiol
    # 1998;33:163-70; Thomazeau et al, Acta Orthop Scand 1996;67:264-8.
    outline = [[0.0, 0.0, 0.0], [9.0, 0.0, 0.0], [9.0, 9.0, 0.0]]
    answers = {
        "adequacy muscle": {"value": "adequate"},
        "goutallier supraspinatus": {"value": "3"},
        "tangent line": {
            "points": {"spine": outline[:1], "coracoid": outline[1:2], "muscle": outline},
            "mm": {"height": -1.5},
            "images": [{"uid": "2.25.1", "frame": 1}],
            "origin": "drawn",
        },
        "occupation ratio": {
            "muscle": drawn(*outline, mm2=180.0),
            "fossa": drawn(*outline, mm2=400.0),
            "fossa_roof": "fascia",
        },
        "tangent_sign": {"value": "negative"},
    }
    found = grades(answers, FULL_MR, EVERYTHING)
    assert found["fuchs supraspinatus"].derived.level == "severe"
    assert found["fuchs teres minor"].derived.possible == ()
    assert found["tangent_sign"].derived.level == "positive"
    assert found["tangent_sign"].given == "negative"
    assert found["occupation_ratio"].derived.level == "II"


def test_fuchs_graded_by_eye_is_not_derived():
    protocol = read_protocol(STARTER.replace('name = "goutallier"', 'name = "fuchs"'))
    form = form_for(protocol, Modality.MR)
    assert [name for name in grades({}, form, protocol) if "fuchs" in name] == []


# ------------------------------------------------------------------------------- the radiograph


def test_hamada_follows_from_interval_and_findings():
    # Hamada et al, Clin Orthop Relat Res 1990;254:92-6.
    answers = {
        "adequacy radiograph": {"value": "adequate"},
        "acromiohumeral interval": drawn([0.0, 0.0], [0.0, 4.5], mm=4.5),
        "critical shoulder angle": drawn([0, 0], [0, 40], [20, 0], degrees=36.0),
        "acromion hollowed": {"value": "yes"},
        "glenohumeral narrowing": {"value": "no"},
        "head collapse": {"value": "no"},
        "hamada": {"value": "3"},
    }
    found = grades(answers, FULL_DX, EVERYTHING)
    assert found["hamada"].derived.level == "3"
    assert angle_of(answers, "critical shoulder angle") == 36.0
    unseen = {**answers, "head collapse": {"not_assessable": "coverage"}}
    assert grades(unseen, FULL_DX, EVERYTHING)["hamada"].derived.possible == ()


# ----------------------------------------------------------------------------------- mismatches


def test_a_reader_whose_grades_follow_has_no_mismatch():
    assert mismatch_words(intact("II")) == []
    assert mismatch_words(torn("IV")) == []
    assert mismatch_words(torn("V", coronal=2, sagittal=0)) == []  # implies nothing


def test_mismatches_are_said_in_plain_words_and_the_grade_stands():
    assert mismatch_words(torn("V", patte="2")) == [
        "Sugaya type: V was given, but gap in 2 coronal and 2 sagittal slices, at most 2, "
        "which implies IV",
        "Retraction (Patte stage): 2 was given, but stump lateral to the apex of the head, "
        "which implies 1",
    ]
    (found,) = mismatches(derived(MR, read_answers(MR, intact("I")).answers, PLAIN))
    assert (found.question, found.given, found.implied) == ("sugaya", "I", ("II",))


def test_an_own_scale_that_bears_a_published_id_is_not_derived():
    ours = """
[[own_scale]]
id = "tangent_sign"
version = "ours"
title = "Tangent sign, our way"
grades = "atrophy"
modalities = ["MR"]
unit = "muscle"
[[own_scale.level]]
code = "x"
title = "x"
criteria = "x"
[[own_scale.level]]
code = "y"
title = "y"
criteria = "y"
[[scale]]
name = "tangent_sign"
version = "ours"
"""
    protocol = read_protocol(STARTER + ours)
    form = form_for(protocol, Modality.MR)
    assert "tangent_sign" in form.names
    assert "tangent_sign" not in grades(intact(), form, protocol)
