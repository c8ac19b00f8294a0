"""The methods of a study in sentences: they say what the protocol says, and nothing else."""

from __future__ import annotations

from importlib import resources

import pytest

from imgtrack.domain.protocol import read_protocol
from imgtrack.report import methods


def protocol(**changes: str):
    """Return the starter's protocol with other values, as ``repeat_share="0.0"``."""
    text = resources.files("imgtrack.desk").joinpath("starter.toml").read_text("utf-8")
    text = text.format(name="Test", who="C1")
    for name, value in changes.items():
        (line,) = [each for each in text.splitlines() if each.startswith(f"{name} = ")]
        text = text.replace(line, f"{name} = {value}")
    return read_protocol(text)


def test_design_and_rule_are_those_of_the_protocol():
    starter = protocol()
    design = methods.design(starter)
    assert design.startswith("One site;")
    assert "3 months: day 91, window 77 to 119" in design
    outcome = methods.outcome(starter)
    assert "Primary rule: retear = Sugaya IV-V, healed = I-III" in outcome
    assert "Sensitivity rule: retear = Sugaya III-V, healed = I-II" in outcome
    assert "Sugaya type, version 2007" in methods.scale_list(starter)
    assert methods.readers_in(starter) == "2 readers, 1 adjudicator"


@pytest.mark.parametrize(
    ("changes", "said", "unsaid"),
    [
        ({}, "2 readers, who did not see the timepoint, without earlier", "saw the timepoint"),
        ({"mask_timepoint": "false"}, "who saw the timepoint", "did not see the timepoint"),
        ({"show_earlier_scans": "true"}, "with earlier scans beside it", "without earlier"),
        ({"order_seed": "7"}, "seed 7 ", "seed 20417"),
        ({"repeat_share": "0.0"}, "No scan was read twice by one reader.", "unannounced"),
        ({"repeat_share": "0.2", "washout_days": "42"}, "20 % of scans came back", "10 %"),
        ({"millimetres": "3.5"}, "more than 3.5 mm", "more than 5 mm"),
        ({"outcome": "false"}, "2 or more steps", "healed against retear"),
        ({"settle_choice": '"pick one reading"'}, "picked one of the readings", "gave an answer"),
        ({"settle_agreeing_share": "0.0"}, "All readings stay.", "also read"),
        ({"readers_per_scan": "1"}, "A scan's verdict is its one reading.", "adjudicator who"),
    ],
)  # fmt: skip
def test_reading_follows_every_choice_of_the_protocol(changes, said, unsaid):
    words = methods.reading(protocol(**changes))
    assert said in words
    assert unsaid not in words


def test_a_majority_is_told():
    changes = {"settle_by": '"majority"', "readers_per_scan": "3"}
    text = resources.files("imgtrack.desk").joinpath("starter.toml").read_text("utf-8")
    text = text.format(name="Test", who="C1") + '\n[[person]]\ncode = "R3"\nrole = "reader"\n'
    for name, value in changes.items():
        (line,) = [each for each in text.splitlines() if each.startswith(f"{name} = ")]
        text = text.replace(line, f"{name} = {value}")
    words = methods.reading(read_protocol(text))
    assert "settled by the majority of readers" in words


def test_the_level_is_printed():
    assert "90 % limits" in methods.rates(0.9)
    assert "(99 %)" in methods.times(0.99)
    assert "97.5 % limits" in methods.agreement(0.975)


def test_readings_from_spreadsheets_are_told():
    assert methods.imported(0, 40) == ""
    assert methods.imported(12, 40).startswith("12 of 40 readings were taken from spreadsheets")
