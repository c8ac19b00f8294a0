"""Settle, readings, import-readings and grant as a person types them."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

PHRASE = "seven slow snails"
HEAD = "subject,side,scanned_on,reader,round,sugaya,tear_width"
ROWS = ("S1,r,2030-07-10,R1,,IV,12", "S1,r,2030-07-10,R2,,II,")


def write(name: str, *lines: str) -> Path:
    path = Path(name)
    path.write_text("\n".join(lines) + "\n", "utf-8")
    return path


def choose(before: str, after: str) -> None:
    """Change in the protocol what adjudicators are asked for."""
    path = Path("study/study.toml")
    old, new = (f'settle_choice = "{each}"' for each in (before, after))
    path.write_text(path.read_text("utf-8").replace(old, new), "utf-8")


@pytest.fixture
def typed(run, monkeypatch):
    """A study with one repair; pass phrases are typed."""
    assert run("start", "study")[0] == 0
    path = Path("study/study.toml")
    text = path.read_text("utf-8")
    path.write_text(
        text.replace('settle_choice = "own answer"', 'settle_choice = "pick one reading"')
    )
    sheet = write("e.csv", "subject,side,operation_date", "S1,right,2030-01-10")
    assert run("enrol", sheet, "--study", "study")[0] == 0
    monkeypatch.setattr("typer.prompt", lambda *_args, **_how: PHRASE)

    def given(*words: object):
        return run(*words, "--study", "study")

    assert given("people", "--set-pass-phrase", "--as", "A1")[0] == 0
    return given


def test_from_a_sheet_of_grades_to_a_settled_verdict(typed):
    code, out, _ = typed("import-readings", write("old.csv", HEAD, *ROWS))
    assert code == 0
    assert "2 readings added, 0 amended, 0 as recorded." in out
    assert "1 scans are known from this sheet alone" in out
    assert "0 verdicts followed." in out
    _, out, _ = typed("settle", "--list")
    case, who, repair, point, *_ = out.split()
    assert (who, repair, point) == ("A1", "S1-R", "m06")
    assert "healed against retear" in out
    _, out, _ = typed("settle", "--as", "A1")
    assert out.split()[0] == case
    assert "S1-R" not in out
    _, out, _ = typed("settle", case, "--show", "--as", "A1")
    sets = json.loads(out)
    assert sorted(sets) == ["A", "B"]
    assert "R1" not in out
    torn = next(label for label, given in sets.items() if given["sugaya"]["value"] == "IV")
    picked = write("pick.json", json.dumps({"picked reading": {"value": torn}}))
    code, out, _ = typed("settle", case, "--answers", picked, "--as", "A1")
    assert (code, out) == (0, f"Settled as {case}.\n")
    _, out, _ = typed("settle")
    assert out == "Nothing waits to be settled.\n"
    _, out, _ = typed("settle", "--update")
    assert out == "0 verdicts, 0 cases to settle added.\n"
    _, out, _ = typed("board", "--date", "2031-01-01")
    assert "final" in out


def test_progress_and_drift_are_printed(typed):
    sheet = write("old.csv", HEAD, *ROWS, "S1,r,2030-07-10,R1,repeat,V,14")
    assert typed("import-readings", sheet)[0] == 0
    _, out, _ = typed("readings")
    lines = out.splitlines()
    assert lines[0].startswith("reader      open  drafted  signed  minutes")
    assert lines[1].split() == ["R1", "0", "0", "0", "-", "0", "0", "(2", "imported)"]
    assert lines[3].split() == ["A1", "1", "0", "0", "-", "0", "0"]
    _, out, _ = typed("readings", "--drift")
    assert "R1 against hidden repeats: now 100% of 1 pairs" in out
    _, out, _ = typed("readings", "--drift", "--json")
    values = json.loads(out)
    assert [each["reader"] for each in values["readers"]] == ["R1", "R2", "A1"]
    (found,) = values["drift"]
    assert (found["against"], found["steps"][0]["pairs"]) == ("hidden repeats", 1)


def test_two_steps_of_drift_are_told_apart(typed):
    subjects = [f"X{number:02}" for number in range(21)]
    people = write("x.csv", "subject,side,operation_date", *(f"{s},r,2030-01-10" for s in subjects))
    assert typed("enrol", people)[0] == 0
    rows = [
        f"{s},r,2030-07-10,R1,{round_},{grade},2030-09-{day:02}"
        for day, s in enumerate(subjects, 1)
        for round_, grade in (("first", "II"), ("repeat", "V" if day == 21 else "II"))
    ]
    head = "subject,side,scanned_on,reader,round,sugaya,read_on"
    assert typed("import-readings", write("many.csv", head, *rows))[0] == 0
    _, out, _ = typed("readings", "--drift")
    assert "now 95% of 20 pairs" in out
    assert "before, to 2030-09-20: 100% of 20 pairs" in out


def test_changed_grades_need_a_reason(typed):
    assert typed("import-readings", write("old.csv", HEAD, *ROWS))[0] == 0
    other = write("new.csv", HEAD, ROWS[0].replace("IV", "V"), ROWS[1])
    code, _, err = typed("import-readings", other)
    assert code == 2
    assert "new.csv row 2, column sugaya" in err
    _, out, _ = typed("import-readings", other, "--amend", "typed again")
    assert "0 readings added, 1 amended, 1 as recorded." in out


def test_cells_left_out_are_told(typed):
    head, row = f"{HEAD},colour", f"{ROWS[0]},red"
    _, out, _ = typed("import-readings", write("old.csv", head, row))
    assert "column colour: 1 cells left out" in out


def test_a_case_is_needed_to_show_or_answer(typed):
    code, _, err = typed("settle", "--show")
    assert code == 2
    assert "which case?" in err


def test_a_scan_nobody_can_settle_is_listed_so(typed):
    path = Path("study/study.toml")
    text = path.read_text("utf-8")
    path.write_text(
        text.replace('settle_choice = "pick one reading"', 'settle_choice = "own answer"')
    )
    assert typed("import-readings", write("old.csv", HEAD, *ROWS))[0] == 0
    _, out, _ = typed("settle", "--list")
    assert out.startswith("-  S1-R m06  nobody can settle it\n")


@pytest.mark.parametrize(
    ("text", "what"), [("{", "cannot be read"), ("[1]", "no answers"), (None, "cannot be read")]
)
def test_answers_come_from_a_json_file(typed, text, what):
    assert typed("import-readings", write("old.csv", HEAD, *ROWS))[0] == 0
    case = typed("settle", "--list")[1].split()[0]
    path = Path("answers.json") if text is None else write("answers.json", text)
    code, _, err = typed("settle", case, "--answers", path, "--as", "A1")
    assert code == 2
    assert what in err


@pytest.mark.postgres
def test_a_login_is_granted_and_revoked(run, server):
    server.execute("CREATE ROLE typed_reader LOGIN")
    assert run("start", "pg", "--database", server.database())[0] == 0
    code, out, _ = run("grant", "R1", "typed_reader", "--study", "pg")
    assert (code, out) == (0, "typed_reader may do what R1 may as reader, and nothing else.\n")
    code, out, _ = run("grant", "R1", "typed_reader", "--revoke", "--study", "pg")
    assert (code, out) == (0, "typed_reader may do nothing in this study any more.\n")


def test_logins_are_for_postgresql(typed):
    for words in (("grant", "R1", "reader_one"), ("grant", "R1", "reader_one", "--revoke")):
        code, _, err = typed(*words)
        assert code == 2
        assert "a SQLite file knows no logins" in err
    code, _, err = typed("grant", "R9", "reader_one")
    assert code == 2
    assert "no such person" in err


def test_the_log_of_a_repair(typed):
    code, told, _ = typed("log", "S1-R", "--study", "study", "--newest", "1")
    assert code == 0
    assert "repair added  repair:S1-R" in told
    assert told.splitlines()[-1].startswith("1 entries")
