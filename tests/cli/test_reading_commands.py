"""The commands of the reading desk as a person types them."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest
import typer

from imgtrack.desk.cases.opening import open_next
from imgtrack.desk.readings.drafts import save_draft
from imgtrack.desk.readings.signing import sign
from imgtrack.desk.study import open_study
from imgtrack.domain.series import ScanProblem, ScanProblemKind

sys.path.insert(0, str(Path(__file__).parents[1] / "desk"))  # for reading_desk.py

PHRASE = "seven slow snails"


@pytest.fixture
def types(monkeypatch):
    """Answer the questions a command asks without showing; none is asked more than told."""
    asked = []

    def answer(*phrases: str) -> list[str]:
        waiting = list(phrases)

        def prompt(words, *, hide_input, confirmation_prompt):
            assert hide_input
            asked.append(words)
            return waiting.pop(0)

        monkeypatch.setattr(typer, "prompt", prompt)
        return asked

    return answer


@pytest.fixture
def study(run):
    """A started study with three scans."""
    import reading_desk

    assert run("start", "study")[0] == 0
    clock = reading_desk.Clock()
    with reading_desk.opened(Path("study"), clock) as made:
        reading_desk.add_scans(made, [1, 2, 3])
    return clock


def sheet(name: str, *lines: str) -> str:
    Path(name).write_text("\n".join(lines) + "\n", "utf-8")
    return name


def test_allot_says_what_it_added_and_what_follows(run, study):
    code, out, _ = run("allot", "--study", "study", "--as", "C1")
    assert code == 0
    assert "Allotted: 6 first readings, 0 hidden repeats, 0 training cases." in out
    assert "hidden repeats follow" not in out  # a tenth of three scans rounds to none
    assert "Allotted: 0 first readings" in run("allot", "--study", "study", "--as", "C1")[1]


def test_allot_says_which_scans_wait(run, study):
    path = Path("study/study.toml")
    path.write_text(path.read_text().replace("repeat_share = 0.1", "repeat_share = 1.0"))
    problem = ScanProblem("2.25.11", ScanProblemKind.SIDE, "", "header says left")
    with (
        open_study(Path("study"), who="C1", now=study) as made,
        made.store.change(who="C1", now=made.now) as change,
    ):
        change.add([problem])
    out = run("allot", "--study", "study", "--as", "C1")[1]
    assert "1 scans wait for a problem to be settled" in out
    assert "4 hidden repeats follow" in out


def test_the_training_key_comes_from_a_sheet(run, study):
    key = sheet("key.csv", "repair,timepoint,sugaya", "S001-R,m06,IV")
    code, out, _ = run("allot", "--study", "study", "--as", "C1", "--training", key)
    assert code == 0
    assert "1 scans put in the training set, 0 changed." in out
    assert "Allotted: 4 first readings, 0 hidden repeats, 2 training cases." in out
    bad = sheet("bad.csv", "repair,timepoint,sugaya", "S001-R,m06,XX")
    code, _, err = run("allot", "--study", "study", "--as", "C1", "--training", bad)
    assert code == 2
    assert "no such answer to 'sugaya'" in err
    out = run("people", "--study", "study", "--as", "C1")[1]
    assert "training: open" in out


def test_only_a_coordinator_allots(run, study):
    code, _, err = run("allot", "--study", "study", "--as", "R1")
    assert code == 2
    assert "R1 may not allot readings" in err


def test_a_pass_phrase_is_set_changed_and_cleared_without_being_shown(run, study, types):
    here = ("--study", "study")
    asked = types(PHRASE)
    code, out, err = run("people", "--set-pass-phrase", *here, "--as", "R1")
    assert (code, out, err) == (0, "The pass phrase of R1 is set.\n", "")
    assert asked == ["New pass phrase"]
    asked = types(PHRASE, "four fast foxes")
    assert run("people", "--set-pass-phrase", *here, "--as", "R1")[0] == 0
    assert asked[1:] == ["Pass phrase until now", "New pass phrase"]
    lines = run("people", *here, "--as", "C1")[1].splitlines()
    by_code = {line.split()[0]: line for line in lines}
    assert "can sign" in by_code["R1"]
    assert "no pass phrase" in by_code["R2"]
    assert "training: no training set" in by_code["R2"]
    assert "training" not in by_code["A1"]
    out = run("people", "--clear-pass-phrase", "R1", *here, "--as", "C1")[1]
    assert "R1 sets a new one" in out
    assert "no pass phrase" in run("people", *here, "--as", "C1")[1].splitlines()[1]


@pytest.fixture
def signed(run, study):
    """A signed reading, by its key; its reader has the pass phrase."""
    import reading_desk as desk

    assert run("allot", "--study", "study", "--as", "C1")[0] == 0
    with open_study(Path("study"), who="C1", now=study) as made:
        reader = desk.with_phrase(made, "R1")
        case = open_next(reader, shelf=desk.InventedShelf())
        save_draft(reader, case, desk.torn())
        return sign(reader, case, PHRASE).reading


def amend(run, key, *words):
    return run("amend", key, "--study", "study", "--as", "R1", *words)


def test_a_grade_is_amended_with_a_reason(run, signed, types):
    types(PHRASE)
    code, out, _ = amend(run, signed, "--set", "sugaya=V", "--reason", "counted again")
    assert code == 0
    assert f"Signed as {signed}/2; {signed} stays on record." in out
    assert "mismatch: Sugaya type: V was given" in out
    types(PHRASE)
    again = ("--set", "goutallier infraspinatus=not assessable: motion", "--reason", "blurred")
    assert f"Signed as {signed}/3" in amend(run, signed, *again)[1]
    assert json.loads(amend(run, signed, "--show")[1])["goutallier infraspinatus"] == {
        "not_assessable": "motion"
    }


def test_all_answers_come_from_a_file(run, signed, types):
    answers = json.loads(amend(run, signed, "--show")[1])
    assert answers["sugaya"] == {"value": "IV"}
    answers["retear_pattern"] = {"value": "2"}
    path = Path("answers.json")
    path.write_text(json.dumps(answers), "utf-8")
    types(PHRASE)
    code, out, _ = amend(run, signed, "--answers", path, "--reason", "remnant seen")
    assert (code, "mismatch" in out) == (0, False)


def test_an_amendment_that_cannot_be_made_changes_nothing(run, signed, types):
    for text, words in (("[1]", "a JSON object"), ("{", "a JSON file")):
        Path("a.json").write_text(text, "utf-8")
        code, _, err = amend(run, signed, "--answers", "a.json", "--reason", "x")
        assert code == 2
        assert words in err
    assert "needs a reason" in amend(run, signed, "--set", "sugaya=V")[2]
    assert amend(run, signed, "--set", "sugaya", "--reason", "x")[0] == 2
    types("guess guess")
    code, _, err = amend(run, signed, "--set", "sugaya=V", "--reason", "x")
    assert code == 2
    assert "pass phrase is wrong" in err
    code, _, err = run("amend", signed, "--study", "study", "--as", "R2", "--show")
    assert code == 2
    assert "no reading of yours" in err
    assert json.loads(amend(run, signed, "--show")[1])["sugaya"] == {"value": "IV"}
