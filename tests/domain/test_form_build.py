"""Which questions a protocol asks, of which modality, in which order and under which answers."""

from __future__ import annotations

import pytest
from form_samples import (
    EVERYTHING,
    FULL_DX,
    FULL_MR,
    MR,
    PLAIN,
    STARTER,
    intact,
    protocol_with,
    torn,
    without,
)

from imgtrack.domain.errors import InvalidInput
from imgtrack.domain.form import (
    Choice,
    Graded,
    Implants,
    State,
    Step,
    asking,
    form_for,
    names,
    read_answers,
)
from imgtrack.domain.imaging import Modality
from imgtrack.domain.protocol import Measure, read_protocol

# What each answer opens follows the criteria of the scales: Sugaya et al, J Bone Joint Surg Am
# 2007;89:953-60 (thickness and signal of a continuous tendon, slices of an interrupted one) and
# Cho et al, Am J Sports Med 2010;38:664-71 (pattern of a retear). That retraction is no 0 mm in
# an intact tendon is common practice, no source.

OWN = """
[[own_scale]]
id = "{id}"
title = "Own scale {id}"
grades = "something"
unit = "{unit}"
modalities = ["MR"]
{more}
[[own_scale.level]]
code = "a"
title = "a"
criteria = "a"
[[own_scale.level]]
code = "b"
title = "b"
criteria = "b"
[[scale]]
name = "{id}"
"""


def own(identifier, *, unit="repair", more=""):
    return OWN.format(id=identifier, unit=unit, more=more)


def asked(form, answers):
    return [name for name, each in asking(form, answers).items() if each.state is State.ASKED]


def test_the_starter_asks_what_its_scales_are_derived_from_and_the_size_of_a_tear():
    assert MR.names == (
        "adequacy tendon",
        "adequacy thickness",
        "adequacy muscle",
        "tendon defect",
        "gap slices",
        "tear width",
        "straight retraction",
        "retraction along the head",
        "patte landmarks",
        "patte_stage",
        "tendon thickness",
        "reference thickness",
        "bright signal",
        "goutallier supraspinatus",
        "goutallier infraspinatus",
        "goutallier subscapularis",
        "goutallier teres minor",
        "sugaya",
        "retear_pattern",
        "free note",
    )
    optional = [question.name for question in MR.questions if not question.required]
    assert optional == ["retraction along the head", "goutallier teres minor", "free note"]


@pytest.mark.parametrize("form", [MR, FULL_MR, FULL_DX])
def test_names_are_unique_steps_in_order_and_conditions_look_back(form):
    assert len(set(form.names)) == len(form.names)
    steps = [list(Step).index(question.step) for question in form.questions]
    assert steps == sorted(steps)
    for place, question in enumerate(form.questions):
        assert {when.question for when in question.when} <= set(form.names[:place])


def test_a_torn_tendon_is_asked_for_its_tear_and_an_intact_one_for_its_thickness():
    of_tear = {"gap slices", "tear width", "straight retraction", "patte_stage", "retear_pattern"}
    of_intact = {"tendon thickness", "reference thickness", "bright signal"}
    assert of_tear <= set(asked(MR, torn()))
    assert not of_intact & set(asked(MR, torn()))
    assert of_intact <= set(asked(MR, intact()))
    assert not of_tear & set(asked(MR, intact()))
    assert asking(MR, intact())["tear width"].record == {"not_asked": "no full-thickness defect"}
    assert asking(MR, torn())["tendon thickness"].record == {"not_asked": "full-thickness defect"}


def test_before_an_answer_is_given_what_depends_on_it_waits():
    states = asking(MR, {"adequacy tendon": {"value": "adequate"}})
    assert states["tendon defect"].state is State.ASKED
    assert states["tear width"].state is State.LATER
    assert states["goutallier supraspinatus"].state is State.LATER
    assert states["tear width"].record is None


def test_what_cannot_be_understood_counts_as_not_answered_yet():
    for nonsense in (7, {"value": "torn a bit"}, {"value": ["no defect"]}, {"not_assessable": 3}):
        answers = {"adequacy tendon": {"value": "adequate"}, "tendon defect": nonsense}
        assert asking(MR, answers)["tear width"].state is State.LATER


def test_a_question_that_falls_takes_those_that_depend_on_it_along():
    lost = {"not_assessable": "metal"}
    states = asking(MR, {**intact(), "adequacy tendon": lost})
    for name in ("tendon defect", "tear width", "sugaya", "retear_pattern", "bright signal"):
        assert states[name].record == {"not_assessable": "metal", "because": "adequacy tendon"}
    assert states["goutallier supraspinatus"].state is State.ASKED
    # A thickness that nobody measures has no reference, whatever the images are worth.
    states = asking(MR, {**torn(), "adequacy thickness": lost})
    assert states["tendon thickness"].record == {"not_asked": "full-thickness defect"}


def test_grades_that_follow_from_measurements_are_not_asked():
    computed = {"deorio_cofield", "ellman_depth", "occupation_ratio", "gfdi", "fuchs"}
    assert not [name for name in FULL_MR.names if name.split()[0] in computed - {"occupation"}]
    assert computed <= {scale.id for scale in FULL_MR.scales}
    by_eye = form_for(protocol_with(*computed, form="ask = []"), Modality.MR)
    assert {"deorio_cofield", "occupation_ratio"} <= set(by_eye.names)
    assert "fuchs supraspinatus" not in by_eye.names


def test_fuchs_alone_is_asked_and_the_index_brings_the_grades_it_is_made_of():
    text = STARTER.replace('name = "goutallier"', 'name = "fuchs"')
    fuchs = form_for(read_protocol(text), Modality.MR)
    assert "fuchs teres minor" in fuchs.names
    text = STARTER.replace('name = "goutallier"', 'name = "gfdi"')
    index = form_for(read_protocol(text), Modality.MR)
    assert "goutallier subscapularis" in index.names


def test_partial_tears_are_told_apart_only_where_a_scale_of_them_is_used():
    assert MR.question("tendon defect").asks == Choice((names.NO_FULL_DEFECT, names.FULL_DEFECT))
    three = (names.NO_DEFECT, names.PARTIAL_DEFECT, names.FULL_DEFECT)
    assert FULL_MR.question("tendon defect").asks == Choice(three)
    seen = {"adequacy tendon": {"value": "adequate"}}
    partial = asking(FULL_MR, {**seen, "tendon defect": {"value": names.PARTIAL_DEFECT}})
    for name in ("ellman_side", "partial tear depth", "patte_extent", "bright signal"):
        assert partial[name].state is State.ASKED
    assert partial["tear width"].record == {"not_asked": "no full-thickness defect"}
    whole = asking(FULL_MR, {**seen, "tendon defect": {"value": names.NO_DEFECT}})
    assert whole["patte_extent"].record == {"not_asked": "no defect"}
    assert whole["ellman_side"].record == {"not_asked": "no partial-thickness defect"}


def test_a_scan_before_the_repair_is_asked_nothing_about_a_repair():
    form = form_for(EVERYTHING, Modality.MR, before_repair=True)
    for name in (
        "sugaya",
        "hayashida",
        "retear_pattern",
        "implant positions",
        "footprint coverage",
    ):
        assert name in FULL_MR.names
        assert name not in form.names
    assert {"tendon defect", "tear width", "goutallier supraspinatus"} <= set(form.names)


def test_radiographs_are_asked_for_interval_angle_findings_and_implants():
    assert FULL_DX.names == (
        "adequacy radiograph",
        "image_quality",
        "acromiohumeral interval",
        "critical shoulder angle",
        "implant positions",
        "acromion hollowed",
        "glenohumeral narrowing",
        "head collapse",
        "hamada",
        "free note",
    )
    assert FULL_DX.dimensions == 2
    assert form_for(EVERYTHING, Modality.COMPUTED_RADIOGRAPHY).names == FULL_DX.names
    needed = form_for(protocol_with("hamada"), Modality.DIGITAL_RADIOGRAPHY).names
    assert "acromiohumeral interval" in needed
    assert "critical shoulder angle" not in needed


def test_there_is_no_form_for_ultrasound_yet():
    with pytest.raises(InvalidInput, match=r"no reading form.*MR, CR, DX.*found US"):
        form_for(PLAIN, Modality.ULTRASOUND)


@pytest.mark.parametrize(
    ("reference", "is_asked"),
    [
        ('"adjacent intact cuff"', True),
        ('"preop same shoulder"', False),
        ('"contralateral"', False),
        ('"fixed"\nfixed_thickness_mm = 5.0', False),
    ],
)
def test_the_reference_is_measured_where_it_lies_on_the_same_scan(reference, is_asked):
    text = STARTER.replace('"adjacent intact cuff"\n', f"{reference}\n")
    form = form_for(read_protocol(text), Modality.MR)
    assert ("reference thickness" in form.names) == is_asked
    assert "tendon thickness" in form.names


def test_the_first_wording_of_sugaya_needs_no_thickness():
    text = STARTER.replace('version = "2007"', 'version = "2005"')
    names_2005 = form_for(read_protocol(text), Modality.MR).names
    assert "sugaya" in names_2005
    assert not {"tendon thickness", "bright signal", "gap slices"} & set(names_2005)


def test_migration_is_asked_only_of_readers_who_see_earlier_scans():
    asks = FULL_MR.question("implant positions").asks
    assert isinstance(asks, Implants)
    assert asks.migration
    assert [scale.id for scale in asks.scales] == ["peri_implant_fluid"]
    blind = form_for(protocol_with("peri_implant_fluid"), Modality.MR)
    assert not blind.question("implant positions").asks.migration


def test_own_scales_take_their_place_by_what_they_grade():
    text = STARTER + own("shape", unit="tear") + own("sheen", unit="muscle") + own("repute")
    form = form_for(read_protocol(text), Modality.MR)
    assert form.question("shape").step is Step.TEAR
    assert form.question("sheen teres minor").step is Step.MUSCLE
    assert isinstance(form.question("repute").asks, Graded)
    assert form.question("repute").when == ()


def test_an_own_scale_may_wait_for_another_wherever_the_two_stand():
    more = 'only_with = { second = ["b"], goutallier = ["0"] }'
    text = STARTER + own("first", unit="tear", more=more) + own("second")
    form = form_for(read_protocol(text), Modality.MR)
    assert form.names.index("first") == form.names.index("second") + 1
    assert form.question("first").step is Step.GRADE
    # A grade that is asked of each muscle cannot be waited for.
    assert [when.question for when in form.question("first").when] == ["tendon defect", "second"]
    states = asking(form, {**torn(), "second": {"value": "a"}})
    assert states["first"].record == {"not_asked": "only with second b"}


def test_scales_that_wait_for_each_other_are_refused():
    text = STARTER + own("one", more='only_with = { two = ["a"] }')
    text += own("two", more='only_with = { one = ["a"] }')
    with pytest.raises(InvalidInput, match=r"wait for each other.*one, two"):
        form_for(read_protocol(text), Modality.MR)


def test_a_scale_that_waits_for_an_answer_never_given_is_refused():
    text = STARTER + own("one", more='only_with = { sugaya = ["VI"] }')
    with pytest.raises(InvalidInput, match=r"sugaya never has.*I, II, III, IV, V; found VI"):
        form_for(read_protocol(text), Modality.MR)


def test_what_depends_on_an_optional_question_is_not_asked_when_that_is_left_out():
    form = form_for(protocol_with(form='optional = ["tendon thickness"]'), Modality.MR)
    left_out = {"not_asked": "optional, left out"}
    given = without(intact(), "tendon thickness", "reference thickness")
    assert asking(form, given)["reference thickness"].record == left_out
    signed = read_answers(form, given).answers
    assert signed["tendon thickness"] == signed["reference thickness"] == left_out
    assert read_answers(form, signed).answers == signed
    measured = {**given, "tendon thickness": intact()["tendon thickness"]}
    assert asking(form, measured)["reference thickness"].state is State.ASKED


def test_every_measurement_can_be_asked_and_can_be_optional():
    asked_names = {*FULL_MR.names, *FULL_DX.names}
    assert {measure.value for measure in Measure} <= asked_names
    listed = [measure.value for measure in Measure]
    optional = protocol_with(*["hamada"], form=f"ask = []\noptional = {listed}")
    for modality in (Modality.MR, Modality.DIGITAL_RADIOGRAPHY):
        form = form_for(optional, modality)
        for question in form.questions:
            if question.name in listed:
                assert not question.required
    assert not form_for(optional, Modality.MR).question("reference thickness").required


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ('optional = ["retraction', 'optional = ["guesswork"]\n#', "'form.optional.1' cannot"),
        ("# ask = [", 'ask = ["retraction along the head", ', "is there twice"),
        ("# ask = [", 'ask = ["tear width", ', "'tear width' is there twice"),
        (
            'settle_choice = "own answer"',
            'settle_choice = "pick one reading"\n#',
            "shown no readings cannot pick one",
        ),
    ],
)
def test_faults_of_the_form_section_name_their_line(old, new, expected):
    assert old in STARTER
    text = STARTER.replace("settle_shows_readings = true", "settle_shows_readings = false")
    assert read_protocol(text)
    with pytest.raises(InvalidInput, match=r"study\.toml line \d+") as caught:
        read_protocol(text.replace(old, new))
    assert any(expected in str(fault) for fault in caught.value.faults)


def test_a_rule_that_does_not_fit_the_levels_in_use_is_a_fault():
    ours = own("sugaya").replace('title = "Own', 'version = "ours"\ntitle = "Own')
    text = STARTER.replace('version = "2007"', 'version = "ours"') + ours.partition("[[scale]]")[0]
    with pytest.raises(InvalidInput, match="does not fit the levels of sugaya ours"):
        read_protocol(text)
