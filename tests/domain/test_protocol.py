"""The protocol: what a sound file gives, and every fault of an unsound one with its line."""

from __future__ import annotations

from importlib import resources

import pytest

from imgtrack.domain.errors import InvalidInput
from imgtrack.domain.protocol import Role, Weighting, read_protocol

STARTER = (
    resources.files("imgtrack.desk")
    .joinpath("starter.toml")
    .read_text("utf-8")
    .format(name="Test study", who="C1")
)


def faults_of(text: str) -> list[str]:
    with pytest.raises(InvalidInput) as caught:
        read_protocol(text)
    return [str(fault) for fault in caught.value.faults]


def line_of(text: str, needle: str) -> int:
    return next(n for n, line in enumerate(text.splitlines(), 1) if needle in line)


def test_the_starter_is_sound_and_says_what_its_comments_say():
    protocol = read_protocol(STARTER)
    assert [point.name for point in protocol.timepoint] == ["preop", "m03", "m06", "m12", "m24"]
    assert protocol.timepoint[1].scan[0].series[0].weighting is Weighting.FLUID_SENSITIVE
    assert [person.code for person in protocol.people(Role.READER)] == ["R1", "R2"]
    assert protocol.reading.mask_timepoint
    assert protocol.score_named("constant").parts == {
        # Parts of the Constant-Murley score: Constant and Murley, Clin Orthop 1987;214:160-4.
        "pain": 15,
        "activities": 20,
        "motion": 40,
        "strength": 25,
    }


def test_windows_hold_both_their_edge_days():
    protocol = read_protocol(STARTER)
    first, last = protocol.timepoint_named("m03").window
    assert protocol.timepoint_on(first).name == "m03"
    assert protocol.timepoint_on(last).name == "m03"
    assert protocol.timepoint_on(last + 1) is None
    assert protocol.timepoint_on(first - 1) is None


def test_the_hash_is_of_what_it_says_and_not_of_how_it_is_written():
    reordered = STARTER.replace(
        "target_day = 91\nwindow = [77, 119]",
        "window = [ 77,119 ]   # weeks 11 to 17\ntarget_day=91",
    )
    assert reordered != STARTER
    assert read_protocol(reordered).hash == read_protocol(STARTER).hash
    changed = STARTER.replace("window = [77, 119]", "window = [77, 120]")
    assert read_protocol(changed).hash != read_protocol(STARTER).hash


def test_all_faults_of_a_file_come_together_in_the_order_of_its_lines():
    text = (
        STARTER.replace("window = [77, 119]", "window = [77, 160]")
        .replace('name = "sugaya"', 'name = "sugaia"')
        .replace("order_seed = 20417 ", "order_sead = 20417 ")
        .replace('better = "higher"', 'better = "up"')
        .replace("target_day = 365", "target_day = 3650")
        .replace('role = "adjudicator"', 'role = "judge"')
    )
    faults = faults_of(text)
    lines = [int(fault.split(" line ")[1].split(":")[0]) for fault in faults]
    assert lines == sorted(lines)
    joined = "\n".join(faults)
    for words, needle in {
        "the windows of m03 and m06 overlap": "window = [154, 224]",
        "the window of m12 does not hold its target day": "window = [316, 428]",
        "'person.4.role' cannot be used": '"judge"',
        "'reading.order_sead' is not known": "order_sead",
        "'reading.order_seed' is missing": "[reading]",
        "there is no scale of that name": "[[scale]]",
        "'score.1.better' cannot be used": 'better = "up"',
    }.items():
        assert f"line {line_of(text, needle)}: {words}" in joined


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ('code = "R2"', 'code = "R1"', "'R1' is there twice"),
        ("readers_per_scan = 2", "readers_per_scan = 3", "fewer readers than each scan needs"),
        ('settle_by = "adjudicator"', 'settle_by = "majority"', "has no sure majority"),
        ('role = "adjudicator"', 'role = "surgeon"', "nobody is adjudicator"),
        ('role = "coordinator"', 'role = "surgeon"', "nobody is coordinator"),
        ('name = "m06"', 'name = "m03"', "'m03' is there twice"),
        ('retear_rule = "sugaya_iv_v"', 'retear_rule = "grade_of_luck"', "grade_of_luck"),
        ('version = "2007"', 'version = "1984"', "1984"),
        ("pain = 15, ", "pain = 16, ", "do not add up to its best value"),
        ("low = 0\n", "low = 100\n", "the range of constant is empty"),
        ("bounds = [10, 30, 50]", "bounds = [30, 10]", "bounds must rise"),
        ('date_format = "ISO"', 'date_format = "%d.%m"', "day, month and year"),
        ('# subject = "Study ID"', 'subjekt = "Study ID"', "not a column imgtrack knows"),
        ('name = "technique"', 'name = "tear size before surgery"', "is there twice"),
        ('= "adjacent intact cuff"', '= "fixed"', "do not fit together"),
        ('code = "R1"', 'code = "R1"\nsite = "north"', "is not a site of the study"),
        ('name = "Test study"', "name = 3", "valid string"),
    ],
)
def test_each_fault_is_named(old, new, expected):
    assert old in STARTER
    (fault,) = [f for f in faults_of(STARTER.replace(old, new, 1)) if expected in f]
    assert fault.startswith("study.toml line ")


def test_a_modality_expected_twice_at_one_timepoint():
    again = '[[timepoint.scan]]\nmodality = "MR"\n\n[[timepoint]]\nname = "m03"'
    (fault,) = faults_of(STARTER.replace('[[timepoint]]\nname = "m03"', again))
    assert "MR is expected twice at preop" in fault


def test_text_that_is_no_toml_names_the_line():
    (fault,) = faults_of(STARTER.replace('name = "m12"', 'name = "m12'))
    assert "not valid TOML" in fault
    assert f"line {line_of(STARTER, 'm12')}" in fault


def test_own_scales_can_be_used_and_their_faults_are_the_files():
    own = """
[[own_scale]]
id = "stiffness"
title = "Stiffness after repair"
grades = "shoulder stiffness"
modalities = ["MR"]
[[own_scale.level]]
code = "0"
title = "none"
criteria = "full motion"
[[own_scale.level]]
code = "1"
title = "some"
criteria = "motion short of full"
"""
    used = STARTER.replace('name = "goutallier"', 'name = "stiffness"') + own
    assert read_protocol(used).scale[-1].name == "stiffness"
    (fault, unknown) = faults_of(used.replace('code = "1"', 'code = "0"'))
    assert "level codes must differ" in fault + unknown
    assert "there is no scale of that name" in fault + unknown
