"""A study's own scale: read from its protocol, with every fault named at once."""

from __future__ import annotations

import tomllib

import pytest

from imgtrack.domain import scales
from imgtrack.domain.errors import InvalidInput
from imgtrack.domain.imaging import Modality
from imgtrack.domain.scales import Provenance, Unit, View

OWN = """
id = "footprint"
title = "Footprint coverage"
grades = "share of the footprint that is covered"
unit = "repair"
modalities = ["MR"]
views = ["coronal oblique"]
derived_from = ["covered_mm"]
only_with = { sugaya = ["I", "II", "III"] }

[[level]]
code = "full"
title = "full"
criteria = "Covered from edge to edge."

[[level]]
code = "part"
title = "part"
criteria = "Covered in part."
provenance = "recalled"
concept = { scheme = "99IMGTRACK", value = "FP2", meaning = "Footprint covered in part" }
"""


def own(text: str = OWN, where: str = "protocol.toml, scale 1") -> scales.Scale:
    return scales.from_mapping(tomllib.loads(text), where=where)


def faults_of(text: str) -> list[str]:
    with pytest.raises(InvalidInput) as caught:
        own(text)
    return [f"{fault.where}: {fault.what}" for fault in caught.value.faults]


def test_an_own_scale_gets_defaults_for_what_it_leaves_out():
    scale = own()
    assert scale.name == "footprint 1"
    assert scale.unit is Unit.REPAIR
    assert scale.ordered
    assert [level.rank for level in scale.levels] == [1, 2]
    assert scale.level("full").provenance is Provenance.OWN
    assert scale.level("part").provenance is Provenance.RECALLED
    assert scale.level("part").concept.value == "FP2"
    assert scale.modalities == (Modality.MR,)
    assert scale.views == (View.CORONAL_OBLIQUE,)
    assert scale.only_with == {"sugaya": ("I", "II", "III")}
    assert scale.citations == ()


def test_an_own_scale_is_found_beside_the_published_ones():
    scale = own()
    assert scales.get("footprint", own=[scale]) is scale
    assert scales.get("sugaya", own=[scale]).version == "2007"
    with pytest.raises(InvalidInput, match="did you mean 'footprint'"):
        scales.get("footprnt", own=[scale])


def test_an_own_version_of_a_published_scale_stands_beside_it():
    ours = own(OWN.replace('id = "footprint"', 'id = "sugaya"\nversion = "ours"'))
    assert scales.get("sugaya", "ours", own=[ours]) is ours
    assert scales.get("sugaya", own=[ours]).version == "2007"


def test_an_own_scale_cannot_take_the_place_of_a_published_one():
    with pytest.raises(InvalidInput, match="sugaya 2007 is a published scale"):
        own(OWN.replace('id = "footprint"', 'id = "sugaya"\nversion = "2007"'))


def test_an_own_index_has_a_range_in_place_of_levels():
    text = OWN[: OWN.index("[[level]]")] + "[range]\nlow = 0\nhigh = 12.5\n"
    scale = own(text)
    assert (scale.value_range.low, scale.value_range.high) == (0, 12.5)
    assert scale.levels == ()


def test_a_citation_prints_as_a_reference():
    citation = '[[citation]]\nauthors = "A"\njournal = "J"\nyear = 2020\nvolume = "3"\n'
    assert [str(item) for item in own(OWN + citation).citations] == ["A. J 2020;3"]
    assert str(scales.Citation("A", "J", 2020)) == "A. J 2020"


def test_all_faults_of_a_table_are_reported_together():
    text = """
id = "Foot Print"
version = 3
modalities = ["MRI", 7]
views = ["coronal"]
levl = 1
ordered = "yes"
only_with = { sugaya = ["I", 2] }
[range]
low = 3
[[level]]
code = "a"
rank = 2
[[level]]
code = "a"
title = "t"
criteria = "c"
concept = { scheme = "S" }
[[citation]]
year = "1999"
"""
    where = "protocol.toml, scale 1"
    assert faults_of(text) == [
        f"{where}, level 1: title is missing",
        f"{where}, level 1: criteria is missing",
        f"{where}, level 2, concept: value is missing",
        f"{where}, level 2, concept: meaning is missing",
        f"{where}: version has the wrong type",
        f"{where}: title is missing",
        f"{where}: grades is missing",
        f"{where}: ordered has the wrong type",
        f"{where}: some levels have a rank and some have none",
        f"{where}: modalities holds something that is no text",
        f"{where}: modalities is not known",
        f"{where}: views is not known",
        f"{where}, citation 1: year has the wrong type",
        f"{where}, citation 1: year is missing",
        f"{where}, citation 1: authors is missing",
        f"{where}, citation 1: journal is missing",
        f"{where}, only_with: sugaya holds something that is no text",
        f"{where}, range: a range needs two bounds",
        f"{where}: unknown key",
        f"{where}: id cannot be used",
        f"{where}: modalities is missing",
        f"{where}: level codes must differ",
        f"{where}: levels must stand by rank",
    ]


def test_a_misspelt_key_or_choice_is_told_what_was_meant():
    with pytest.raises(InvalidInput, match="did you mean 'derived_from'"):
        own(OWN.replace("derived_from", "derived_form"))
    with pytest.raises(InvalidInput, match="did you mean 'coronal oblique'"):
        own(OWN.replace('["coronal oblique"]', '["coronal-oblique"]'))


@pytest.mark.parametrize(
    ("old", "new", "fault"),
    [
        ('unit = "repair"', 'unit = "knee"', "unit is not known"),
        ('title = "full"', 'title = "  "', "title is missing"),
        ('title = "full"', "title = true", "title has the wrong type"),
        ("derived_from = [", "derived_from = 3 # [", "derived_from has the wrong type"),
        ("only_with = {", "only_with = 3 # {", "only_with has the wrong type"),
        ("[[level]]\n", "[range]\nlow = 1\nhigh = 0\n[[level]]\n", "a range needs two bounds"),
        ("[[level]]\n", "[range]\nlow = 0\nhigh = 1\n[[level]]\n", "levels or a range"),
        ('code = "full"', 'code = "full"\nrank = true', "rank has the wrong type"),
    ],
)
def test_each_fault_is_named(old, new, fault):
    assert any(fault in line for line in faults_of(OWN.replace(old, new, 1)))


def test_a_scale_with_one_level_is_no_scale():
    one = OWN[: OWN.rindex("[[level]]")]
    assert faults_of(one) == ["protocol.toml, scale 1: a scale needs levels"]


def test_a_level_that_is_no_table_is_named_by_its_number():
    mapping = tomllib.loads(OWN)
    mapping["level"].insert(0, "full")
    with pytest.raises(InvalidInput, match="level 1 is no table"):
        scales.from_mapping(mapping, where="protocol.toml")
