"""The published scales say what their sources say, and find themselves by name."""

from __future__ import annotations

import re
from dataclasses import FrozenInstanceError
from importlib import resources

import pytest
from pydicom.sr.codedict import codes as dicom_codes

from imgtrack.domain import scales
from imgtrack.domain.errors import InvalidInput
from imgtrack.domain.imaging import Modality
from imgtrack.domain.scales import Provenance, Unit, View

EVERY = [(name, version) for name in scales.known() for version in scales.versions(name)]


def test_the_scales_of_the_trade_are_known():
    assert {
        "davidson_burkhart",
        "deorio_cofield",
        "ellman_depth",
        "ellman_side",
        "fuchs",
        "gfdi",
        "goutallier",
        "hamada",
        "hayashida",
        "image_quality",
        "isakos_pattern",
        "occupation_ratio",
        "patte_extent",
        "patte_segment",
        "patte_stage",
        "peri_implant_fluid",
        "peri_implant_fluid_0_3",
        "retear_pattern",
        "sugaya",
        "tangent_sign",
        "warner_atrophy",
    } == set(scales.known())


# Levels in the order of the paper named in each scale's first citation.
LEVELS = {
    "sugaya": "I II III IV V",  # J Bone Joint Surg Am 2007;89:953-60
    "goutallier": "0 1 2 3 4",  # Clin Orthop 1994;304:78-83
    "hamada": "1 2 3 4a 4b 5",  # Clin Orthop 1990;254:92-6 with Walch's 4a and 4b
    "retear_pattern": "1 2 3",  # Am J Sports Med 2014, doi 10.1177/0363546514521577
    "hayashida": "1 2 3 4 5",  # Arthroscopy 2012;28:458-64: five groups
    "patte_stage": "1 2 3",  # Clin Orthop 1990;254:81-6
    "patte_extent": "1a 1b 1c 2 3 4",
    "patte_segment": "1 2 3 4 5 6",
    "davidson_burkhart": "1 2 3 4",  # Arthroscopy 2010;26:417-24
    "ellman_depth": "I II III",  # Clin Orthop 1990;254:64-74
    "ellman_side": "A B C",
    "deorio_cofield": "small medium large massive",  # J Bone Joint Surg Am 1984;66:563-7
    "occupation_ratio": "I II III",  # Acta Orthop Scand 1996;67:264-8
    "peri_implant_fluid": "0 1 2 3 4",  # Am J Sports Med 2019;47:165-72 reports grades 1 to 4
    "peri_implant_fluid_0_3": "0 1 2 3",  # Arthrosc Sports Med Rehabil 2022;4:e949-55
}


@pytest.mark.parametrize("name", LEVELS)
def test_levels_stand_as_published(name):
    assert " ".join(scales.get(name).codes) == LEVELS[name]


@pytest.mark.parametrize(("name", "version"), EVERY)
def test_every_scale_is_complete(name, version):
    scale = scales.get(name, version)
    assert scale.citations
    assert all(1900 < citation.year < 2030 for citation in scale.citations)
    assert scale.title
    assert scale.grades
    assert scale.views or Unit.SERIES is scale.unit
    assert bool(scale.levels) != bool(scale.value_range)
    assert len(set(scale.codes)) == len(scale.levels)
    for level in scale.levels:
        assert re.search(r"\w.*\.$", level.criteria), "criteria are a sentence"


@pytest.mark.parametrize(("name", "version"), EVERY)
def test_conditions_name_existing_levels(name, version):
    for other, codes in scales.get(name, version).only_with.items():
        assert set(codes) < set(scales.get(other).codes)


def test_files_are_named_after_the_scale_they_hold():
    files = resources.files("imgtrack.domain.scales.catalogue").iterdir()
    stems = {file.name.removesuffix(".toml") for file in files if file.name.endswith(".toml")}
    several = {name for name in scales.known() if len(scales.versions(name)) > 1}
    assert stems == {f"{name}_{version}" if name in several else name for name, version in EVERY}


def test_sugaya_defaults_to_the_wording_of_2007_and_keeps_that_of_2005():
    usual = scales.get("sugaya")
    assert usual.version == "2007"
    assert str(usual.citations[0]).endswith(
        "J Bone Joint Surg Am 2007;89:953-60, doi 10.2106/JBJS.F.00512"
    )
    first = scales.get("sugaya", version="2005")
    assert first.citations[0].doi == "10.1016/j.arthro.2005.08.011"
    # Only the later wording has numbers: half the thickness, and one or two slices.
    assert "half" in usual.level("III").criteria
    assert "half" not in first.level("III").criteria
    assert "1 or 2 slices" in usual.level("IV").criteria
    assert scales.versions("sugaya") == ("2005", "2007")


def test_what_was_recalled_unsurely_asks_to_be_checked():
    assert scales.get("sugaya", "2005").provenance.needs_check
    assert not scales.get("sugaya", "2007").provenance.needs_check
    fluid = scales.get("peri_implant_fluid")
    # Grades 0 and 4 were read, 1 to 3 recalled.
    checks = {level.code: level.provenance.needs_check for level in fluid.levels}
    assert checks == {"0": False, "1": True, "2": True, "3": True, "4": False}


def test_retear_pattern_is_answered_only_on_a_full_thickness_retear():
    # Cho 2010 types retears; Sugaya IV and V are the discontinuous types.
    pattern = scales.get("retear_pattern")
    assert pattern.only_with["sugaya"] == ("IV", "V")
    assert not pattern.ordered


def test_hamada_is_read_on_radiographs_only():
    hamada = scales.get("hamada")
    assert set(hamada.modalities) == {
        Modality.COMPUTED_RADIOGRAPHY,
        Modality.DIGITAL_RADIOGRAPHY,
    }
    assert hamada.views == (View.TRUE_ANTEROPOSTERIOR,)
    assert hamada.steps_between("4a", "4b") == 0
    assert hamada.steps_between("5", "2") == 3


def test_image_quality_carries_the_codes_of_dicom_context_group_3114():
    # DICOM PS3.16 CID 3114, as distributed with pydicom.
    ours = {
        level.concept.value: level.concept.meaning for level in scales.get("image_quality").levels
    }
    group = dicom_codes.cid3114
    theirs = {getattr(group, key).value: getattr(group, key).meaning for key in group.dir()}
    assert ours == theirs


def test_gfdi_is_a_number_and_has_no_levels():
    gfdi = scales.get("gfdi")
    assert (gfdi.value_range.low, gfdi.value_range.high) == (0, 4)
    with pytest.raises(InvalidInput, match="expected a number"):
        gfdi.level("2")


def test_an_unknown_scale_names_the_known_ones_and_the_closest():
    with pytest.raises(InvalidInput, match=r"goutallier, .*did you mean 'sugaya'") as caught:
        scales.get("Sugayya")
    assert caught.value.faults[0].found == "'Sugayya'"


def test_an_unknown_version_names_the_known_ones():
    with pytest.raises(InvalidInput, match="one of 2005, 2007"):
        scales.get("sugaya", "2010")


def test_an_empty_version_means_the_usual_one():
    assert scales.get("sugaya", "") is scales.get("sugaya")


def test_an_unknown_level_names_the_known_ones():
    with pytest.raises(InvalidInput, match="one of I, II, III, IV, V; found 'VI'"):
        scales.get("sugaya").level("VI")


def test_not_assessable_is_no_level_of_any_scale():
    for name, version in EVERY:
        with pytest.raises(InvalidInput):
            scales.get(name, version).level("NE")


def test_steps_between_grades_are_symmetric_and_need_an_order():
    sugaya = scales.get("sugaya")
    assert sugaya.steps_between("II", "V") == sugaya.steps_between("V", "II") == 3
    with pytest.raises(InvalidInput, match="no order"):
        scales.get("retear_pattern").steps_between("1", "2")


def test_a_scale_cannot_be_changed():
    with pytest.raises(FrozenInstanceError):
        scales.get("sugaya").version = "2005"


def test_provenance_is_one_of_five_degrees():
    assert [degree.needs_check for degree in Provenance] == [False, False, True, True, False]
