"""Commands as a person types them: what they print, and the code they end with."""

from __future__ import annotations

import csv
import json
import sqlite3
from pathlib import Path

import pytest


@pytest.fixture
def started(run):
    assert run("start", "study")[0] == 0
    return run


def write(name: str, *lines: str) -> Path:
    path = Path(name)
    path.write_text("\n".join(lines) + "\n", "utf-8")
    return path


ENROLMENT = (
    "subject,side,operation_date,name",
    "S1,right,2031-03-03,Ida",
    "S2,left,2031-05-15,Eve",
)


def test_the_first_hour_of_a_study(started):
    run = started
    code, out, _ = run("enrol", write("e.csv", *ENROLMENT), "--study", "study")
    assert (code, out) == (0, "2 repairs added, 0 changed, 0 as recorded.\n")
    scores = write("s.csv", "subject,side,assessed_on,constant", "S1,r,2031-07-15,70")
    code, out, _ = run("scores", scores, "--study", "study")
    assert "1 scores lie outside every window (unscheduled)" in out
    events = write("v.csv", "subject,side,event,date", "S2,,lost,2026-01-01")
    code, _, err = run("events", events, "--study", "study")
    assert code == 2
    assert "1 fault; nothing was changed." in err
    assert "- v.csv row 2, column date: no repair of S2 was done before this lost" in err
    code, out, _ = run("board", "--study", "study", "--date", "2031-09-01")
    assert code == 0
    assert "overdue" in out
    assert "S2-L  m03  overdue, 10 days left (until 2031-09-11)" in out
    code, out, _ = run("verify", "--study", "study")
    assert code == 0
    assert "every record is as it was written" in out


def test_the_board_as_a_file_and_as_json(started):
    run = started
    run("enrol", write("e.csv", *ENROLMENT), "--study", "study")
    run("board", "--study", "study", "--date", "2031-09-01", "--csv", "b.csv")
    with Path("b.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert [(r["repair"], r["m03"]) for r in rows] == [("S1-R", "missed"), ("S2-L", "overdue")]
    code, out, _ = run("board", "--study", "study", "--date", "2031-09-01", "--json", "--late")
    assert code == 0
    assert json.loads(out)["counts"]["m03"]["overdue"] == 1


def test_a_board_without_anyone_to_call_and_one_too_long_to_show(started):
    run = started
    assert "Nobody is to be called." in run("board", "--study", "study")[1]
    rows = [f"S{n:03},right,2031-03-03" for n in range(230)]
    run("enrol", write("e.csv", "subject,side,operation_date", *rows), "--study", "study")
    out = run("board", "--study", "study", "--date", "2031-05-20")[1]
    assert "... and 30 more repairs" in out
    assert "... and 220 more" in out
    assert "1 day left" in run("board", "--study", "study", "--date", "2031-06-29")[1]


def test_a_changed_row_is_shown_and_applied_with_a_reason(started):
    run = started
    run("enrol", write("e.csv", *ENROLMENT), "--study", "study")
    changed = write("e.csv", *(line.replace("03-03", "03-04") for line in ENROLMENT))
    code, _, err = run("enrol", changed, "--study", "study")
    assert code == 2
    assert "--amend" in err
    code, out, _ = run("enrol", changed, "--study", "study", "--amend", "typing mistake")
    assert (code, out.splitlines()) == (
        0,
        [
            "0 repairs added, 1 changed, 1 as recorded.",
            "  S1-R: operated_on 2031-03-03 -> 2031-03-04",
        ],
    )


def test_many_faults_are_shown_up_to_a_point(started):
    rows = [f"S{n},middle,2031-03-03" for n in range(60)]
    path = write("e.csv", "subject,side,operation_date", *rows)
    code, _, err = started("enrol", path, "--study", "study")
    assert code == 2
    assert err.startswith("60 faults; nothing was changed.")
    assert err.rstrip().endswith("... and 20 more of the kind")


def test_the_protocol_in_words_and_amended(started):
    code, out, _ = started("protocol", "--study", "study")
    assert code == 0
    assert "m03 day 77 to 119" in out
    assert "C1 (coordinator)" in out
    path = Path("study/study.toml")
    path.write_text(path.read_text().replace("window = [77, 119]", "window = [77, 112]"))
    code, out, _ = started("protocol", "--study", "study", "--amend", "shorter")
    assert "The amended protocol is in force." in out
    code, out, _ = started("protocol", "--study", "study", "--amend", "shorter")
    assert "had not changed" in out
    path.write_text(path.read_text().replace("window = [77, 112]", "window = [77, 300]"))
    code, _, err = started("protocol", "--study", "study")
    assert code == 2
    assert "overlap" in err


def test_a_change_of_the_protocol_is_told(started):
    path = Path("study/study.toml")
    path.write_text(path.read_text().replace("window = [77, 119]", "window = [77, 112]"))
    assert "its new text is in force now" in started("board", "--study", "study")[1]


def test_backup_and_restore(started):
    run = started
    run("enrol", write("e.csv", *ENROLMENT), "--study", "study")
    code, out, _ = run("backup", "b.zip", "--study", "study")
    assert code == 0
    assert "backed up to b.zip" in out
    code, out, _ = run("restore", "b.zip", "again")
    assert code == 0
    assert "the log is whole" in out
    day = ("--date", "2031-09-01")
    assert run("board", "--study", "again", *day) == run("board", "--study", "study", *day)


def test_an_edit_behind_the_programs_back_is_named_and_ends_with_one(started):
    run = started
    run("enrol", write("e.csv", *ENROLMENT), "--study", "study")
    with sqlite3.connect("study/study.sqlite") as database:
        database.execute("UPDATE repairs SET operated_on = '2031-03-05' WHERE code = 'S1-R'")
    database.close()
    code, out, _ = run("verify", "--study", "study")
    assert code == 1
    assert "BROKEN" in out
    assert "S1-R" in out


def test_a_newer_database_is_refused_and_upgrade_says_where_it_stands(started):
    code, out, _ = started("upgrade", "--study", "study")
    assert code == 0
    assert "The tables were at" in out
    with sqlite3.connect("study/study.sqlite") as database:
        database.execute("UPDATE alembic_version SET version_num = '9999'")
    database.close()
    code, _, err = started("board", "--study", "study")
    assert code == 2
    assert "9999" in err


def test_help_version_and_words_it_does_not_know(run):
    code, out, _ = run("--help")
    assert code == 0
    assert "not a medical device" in " ".join(out.split())
    assert run("--version")[1].startswith("imgtrack ")
    assert run("sing")[0] == 2
    assert run("board", "--date", "yesterday")[0] == 2


def test_a_folder_that_is_no_study(run):
    code, _, err = run("board")
    assert code == 2
    assert "imgtrack start FOLDER" in err
