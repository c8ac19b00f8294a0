"""The coordinator is told of images a reader could not open: on the board and in the readings."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest

from imgtrack.desk.cases.next_case import open_next_readable

sys.path.insert(0, str(Path(__file__).parents[1] / "desk"))  # for reading_desk.py


@pytest.fixture
def study(run):
    """A study whose first case on R1's list has lost its files; returns the code of the case."""
    import reading_desk

    from imgtrack.desk.cases.allot import allot

    assert run("start", "study")[0] == 0
    with reading_desk.opened(Path("study"), reading_desk.Clock()) as made:
        scans = reading_desk.add_scans(made, [1, 2])
        allot(made)
        shelf = reading_desk.InventedShelf(missing={each.uid for each in scans})
        opening = open_next_readable(reading_desk.desk_of(made, "R1"), shelf=shelf)
    return {each.code for each in opening.passed}


@pytest.mark.parametrize("command", ["board", "readings"])
def test_what_cannot_be_read_is_told_with_the_files(run, study, command):
    code, out, _ = run(command, "--study", "study", "--as", "C1")
    assert code == 0
    assert "Images that cannot be read" in out
    for case in study:
        assert f"case {case} of R1, since 2031-09-01 12:00 UTC" in out
    assert "/archive/S001-R/2.25.11.dcm: no such file" in out


def test_a_surgeon_sees_the_board_without_it(run, study):
    code, out, _ = run("board", "--study", "study", "--as", "S1")
    assert code == 0
    assert "cannot be read" not in out
    assert not [case for case in study if case in out]


def test_it_is_in_the_json_of_the_readings(run, study):
    code, out, _ = run("readings", "--study", "study", "--as", "L1", "--json")
    assert code == 0
    told = json.loads(out)["unreadable"]
    assert {each["case"] for each in told} == study
    assert {each["repair"] for each in told} == {"S001-R", "S002-R"}
