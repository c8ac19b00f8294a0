"""Rules that turn a grade into healed or retear."""

from __future__ import annotations

import pytest

from imgtrack.domain import scales
from imgtrack.domain.errors import InvalidInput
from imgtrack.domain.scales import Healing


def outcomes(rule: str) -> str:
    made = scales.retear_rule(rule)
    return "".join(made.outcome(code).value[0] for code in scales.get(made.scale).codes)


@pytest.mark.parametrize(
    ("rule", "expected"),
    [
        # Ro 2019, Arthroscopy 35:2284-92 counts types IV and V as retears.
        ("sugaya_iv_v", "hhhrr"),
        # Malavolta 2016, Arch Orthop Trauma Surg 136, pools III with IV and V.
        ("sugaya_iii_v", "hhrrr"),
        # Hayashida 2012, Arthroscopy 28:458-64: its groups 4 and 5 are the complete retears.
        ("hayashida_complete", "hhhrr"),
    ],
)
def test_rules_split_the_levels_as_their_sources_do(rule, expected):
    assert outcomes(rule) == expected


@pytest.mark.parametrize("name", scales.retear_rules())
def test_every_rule_covers_every_level_of_every_version_once(name):
    rule = scales.retear_rule(name)
    for version in scales.versions(rule.scale):
        assert sorted((*rule.healed, *rule.retear)) == sorted(scales.get(rule.scale, version).codes)
    assert rule.citations


def test_not_assessable_has_no_outcome():
    with pytest.raises(InvalidInput, match="expected one of I, II, III, IV, V; found NE"):
        scales.retear_rule("sugaya_iv_v").outcome("NE")


def test_an_unknown_rule_names_the_known_ones_and_the_closest():
    with pytest.raises(InvalidInput, match=r"sugaya_iii_v, hayashida.*did you mean 'sugaya_iv_v'"):
        scales.retear_rule("sugaya-iv-v")


def test_a_study_can_add_a_rule():
    rule = scales.retear_rule_on(scales.get("sugaya"), name="only_v", retear=["V"])
    assert scales.retear_rule("only_v", own=[rule]) is rule
    assert rule.outcome("IV") is Healing.HEALED
    assert rule.title == "retear = Sugaya type V; healed = I, II, III, IV"


def test_an_own_rule_must_name_levels_of_its_scale():
    with pytest.raises(InvalidInput) as caught:
        scales.retear_rule_on(scales.get("sugaya"), name="odd", retear=["VI", "VII"])
    assert len(caught.value.faults) == 2


@pytest.mark.parametrize("retear", [[], ["I", "II", "III", "IV", "V"]])
def test_an_own_rule_must_leave_levels_on_both_sides(retear):
    with pytest.raises(InvalidInput, match="both sides"):
        scales.retear_rule_on(scales.get("sugaya"), name="odd", retear=retear)
