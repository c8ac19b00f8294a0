"""Rates, agreement and healing of a study as a person types them."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pytest

from imgtrack.cli.drawn import draw_table, spread
from imgtrack.domain.cautions import CAUTION

HEAD = "subject,side,scanned_on,reader,round,sugaya,tear_width"
GRADES = {"S1": ("II", "II"), "S2": ("IV", "V"), "S3": ("I", "II"), "S4": ("III", "III")}


def write(name: str, *lines: str) -> Path:
    path = Path(name)
    path.write_text("\n".join(lines) + "\n", "utf-8")
    return path


@pytest.fixture
def typed(run):
    """A study of four repairs with imported grades at 6 months."""
    assert run("start", "study")[0] == 0
    people = [f"{subject},right,2030-01-10" for subject in GRADES]
    sheet = write("e.csv", "subject,side,operation_date", *people)
    assert run("enrol", sheet, "--study", "study")[0] == 0
    rows = [
        f"{subject},r,2030-07-10,{reader},,{grade},{'12' if grade in {'IV', 'V'} else ''}"
        for subject, grades in GRADES.items()
        for reader, grade in zip(("R1", "R2"), grades, strict=True)
    ]
    assert run("import-readings", write("r.csv", HEAD, *rows), "--study", "study")[0] == 0

    def given(*words: object):
        return run(*words, "--study", "study")

    return given


def row_of(out: str, *starts: str) -> list[str]:
    """Return the cells of the one drawn row that begins with these."""
    rows = [[cell.strip() for cell in line.split("│")] for line in out.splitlines()]
    (found,) = [row for row in rows if row[: len(starts)] == list(starts)]
    return found


def test_rates_show_both_rules_with_limits_and_cautions(typed):
    code, out, _ = typed("rates")
    assert code == 0
    row = row_of(out, "m06", "primary", "verdict")
    # Wilson limits of 1 of 4: 0.0456 to 0.6994 (statsmodels 0.14 proportion_confint)
    assert row[3:7] == ["1", "4", "0", "0.250 (0.046 to 0.699)"]
    assert row_of(out, "m06", "sensitivity", "verdict")[3] == "2"
    assert row_of(out, "scan", "m06")[2:4] == ["4", "4"]
    assert "Primary rule: retear = Sugaya IV-V" in out
    assert "Left out: nothing." in out
    assert CAUTION in out


def test_agreement_shows_kappa_and_who_settled(typed):
    code, out, _ = typed("agreement")
    assert code == 0
    assert row_of(out, "outcome", "between readers", "all timepoints", "all")[4:7] == [
        "4",
        "1.000 (0.510 to 1.000)",
        "1.000 (no limits)",
    ]
    assert "drift" in out
    assert CAUTION in out


def test_healing_shows_what_became_of_each_grade(typed):
    code, out, _ = typed("healing")
    assert code == 0
    assert row_of(out, "m03", "m06", "no verdict", "V")[4:] == ["no verdict", "retear", "1", "no"]
    assert "reversals: nothing to show yet." in out
    assert CAUTION in out


@pytest.mark.parametrize("command", ["rates", "agreement", "healing"])
def test_files_hold_every_row_and_where_it_comes_from(typed, command):
    code, out, _ = typed(command, "--csv", "out")
    assert code == 0
    files = {path.stem for path in Path("out").glob("*.csv")}
    assert f"{len(files)} tables written to out, and made_from.json." in out
    told = json.loads(Path("out/made_from.json").read_text("utf-8"))
    assert told["rule"] == "retear = Sugaya IV-V, healed = I-III"
    assert len(told["protocol_hash"]) == len(told["data_hash"]) == 64
    assert ["training readings", "agreement", 0] in told["exclusions"]
    if command == "rates":
        rates = pd.read_csv("out/retear.csv")
        assert {"level", "method"} <= set(rates.columns)
        assert len(pd.read_csv("out/first_retears.csv")) == 2 * len(GRADES)


def test_results_are_refused_to_readers(typed):
    for command in ("rates", "agreement", "healing"):
        code, out, err = typed(command, "--as", "R1")
        assert code == 2
        assert "R1 may not see" in err
        assert "0." not in out


def test_a_folder_that_cannot_be_written_is_told(typed):
    write("taken", "")
    code, _, err = typed("rates", "--csv", "taken")
    assert code != 0
    assert "the tables cannot be written" in err


def test_a_study_without_readings_has_nothing_to_show(run):
    assert run("start", "study")[0] == 0
    for command, said in (
        ("rates", "retear"),
        ("agreement", "agreement on grades: nothing to show yet."),
        ("healing", "changes: nothing to show yet."),
    ):
        code, out, _ = run(command, "--study", "study")
        assert code == 0
        assert said in out


def test_a_table_needs_its_columns_named(run):
    code, _, err = run("agreement", "--table", write("t.csv", "a,b", "1,2"))
    assert code == 2
    assert err.count("a table needs the name of this column") == 3


def test_notes_are_told_once_below_the_table():
    frame = pd.DataFrame(
        {"n": [1, 2, 3], "estimate": [0.5, None, None], "why_undefined": ["", "too few", "too few"]}
    )
    table, notes = draw_table("t", frame)
    assert notes == ["1: too few."]
    assert [column.header for column in table.columns] == ["n", "estimate", "note"]
    assert list(table.columns[1].cells) == ["0.500", "-", "-"]
    assert list(table.columns[2].cells) == ["", "1", "1"]


def test_spread_keeps_the_order_of_rows_and_says_when_there_are_no_limits():
    gap = float("nan")
    frame = pd.DataFrame(
        [("b", "x", 1.0, 0.5, 1.0), ("a", "x", 1.0, gap, gap), ("a", "y", gap, gap, gap)],
        columns=["key", "what", "estimate", "low", "high"],
    )
    found = spread(frame, ["key"], "what", {"x": "X", "y": "Y"})
    assert found.to_numpy().tolist() == [
        ["b", "1.000 (0.500 to 1.000)", "-"],
        ["a", "1.000 (no limits)", "-"],
    ]
