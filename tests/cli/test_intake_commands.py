"""Taking scans in from the command line: what is said, and the exit code."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "desk" / "intake"))

import intake_samples as samples

from imgtrack.cli import intake as intake_commands
from imgtrack.desk.intake.outcome import Report
from imgtrack.domain.errors import Fault, Unavailable

ON = ("--study", "study")


@pytest.fixture
def started(run):
    assert run("start", "study")[0] == 0
    Path("e.csv").write_text("\n".join(samples.ENROLMENT) + "\n")
    assert run("enrol", "e.csv", *ON)[0] == 0
    return run


def test_a_scan_from_file_to_board(started):
    run = started
    samples.write_study(Path("originals"))
    code, out, _ = run("intake", "originals", *ON, "--dry-run")
    assert code == 0
    assert "Nothing was changed. Studies: 1 taken in." in out
    code, out, _ = run("intake", "originals", *ON)
    assert code == 0
    assert "S1-R m03" in out
    assert "Files: 9 found = 9 accepted + 0 waiting + 0 set aside + 0 refused." in out
    code, out, _ = run("intake", "originals", *ON)
    assert out.splitlines()[0] == "Studies: 1 as recorded."
    code, out, _ = run("board", *ON, "--date", "2031-09-01")
    assert "scan in" in out
    code, out, _ = run("scans", *ON)
    assert "1 scans, 0 of them held by a problem." in out
    code, out, _ = run("scans", "S1-R/m03", *ON)
    assert "coronal" in out
    assert "(likely)" in out
    assert "series 1: right by Laterality (certain): stated as R" in out
    assert run("scans", "S9-R/m03", *ON)[0] == 2


def test_a_wrong_side_is_held_and_relabelled(started):
    run = started
    samples.write_study(Path("originals"), Laterality="L")
    code, out, _ = run("intake", "originals", *ON)
    assert "held by" in out
    assert "Next: imgtrack scans --problems" in out
    code, out, _ = run("scans", "--problems", *ON)
    assert "HELD" in out
    assert "left by Laterality; right by position, tilt; the repair is of the right" in out
    code, _, err = run("relabel", "S1-R/m03", "--side", "right", *ON)
    assert (code, "no reason is given" in err) == (2, True)
    out = run("relabel", "S1-R/m03", "--side", "left", "--reason", "looks left", *ON)[1]
    assert out.startswith("HELD")
    assert out.endswith(" still open.\n")
    code, out, _ = run("relabel", "S1-R/m03", "--side", "right", "--reason", "checked", *ON)
    assert (code, out) == (0, "No problem of this scan is open.\n")
    said = ("--series", "1", "--weighting", "T1", "--reason", "looks like fat")
    assert run("relabel", "S1-R/m03", *said, *ON)[0] == 0
    assert "T1" in run("scans", "S1-R/m03", *ON)[1]


def test_a_problem_is_accepted(started):
    run = started
    samples.write_study(Path("originals"), slices=1)
    out = run("intake", "originals", *ON)[1]
    assert "held by 3 problems" in out
    code, out, _ = run("scans", "S1-R/m03", "--accept", "geometry", "--reason", "pilot", *ON)
    assert (code, out) == (0, "No problem of this scan is open.\n")


def test_who_is_not_known_waits_and_is_placed(started):
    run = started
    assert run("place", *ON)[1] == "Nothing waits.\n"
    samples.write_study(Path("a"), PatientID="X9", PatientName="Poe^Ann", PatientBirthDate="")
    nobody = {"PatientID": "", "PatientName": "", "PatientBirthDate": ""}
    samples.write_study(Path("b"), study="1.2.2", **nobody)
    out = run("intake", "a", "b", *ON)[1]
    assert "Studies: 2 waiting." in out
    assert "Next: imgtrack place" in out
    code, out, _ = run("place", *ON)
    assert "2 studies wait." in out
    assert "Poe" not in out
    first, second = (line.split()[0] for line in out.splitlines() if line.startswith("W-"))
    shown = run("place", "--identity", *ON)[1]
    assert "name Poe^Ann, number X9" in shown
    assert "the headers name nobody" in shown
    by_folder = {Path("a").resolve().as_posix(): None}
    assert all(folder in out for folder in by_folder)
    code, out, _ = run("place", first, "--set-aside", "--reason", "other study", *ON)
    assert (code, out) == (0, f"{first} is set aside.\n")
    words = ("--repair", "S1-R", "--date", "2031-09-01", "--reason", "asked", *ON)
    code, out, _ = run("place", second, *words)
    assert (code, "S1-R m06" in out) == (0, True)
    code, out, _ = run("place", "S1-R/m06", "--unscheduled", "--reason", "motion", *ON)
    assert out.endswith("is S1-R unscheduled.\n")
    code, out, _ = run("intake", "a", "b", *ON)
    assert "1 as recorded, 1 set aside" in out
    assert run("place", "W-NONE", "--repair", "S1-R", "--reason", "x", *ON)[0] == 2


def test_much_is_cut_short(started):
    run = started
    folder = Path("originals")
    folder.mkdir()
    for number in range(45):
        (folder / f"{number}.txt").write_text("x")
    for number in range(62):
        ds = samples.image(
            study=f"1.2.{number + 10}", PatientID="X", PatientName="X", day="20310101"
        )
        samples.write(folder, f"{number}.dcm", ds)
    out = run("intake", folder, "--dry-run", *ON)[1]
    assert "... and 2 more studies" in out
    assert "... and 5 more refused files" in out
    assert "Files: 107 found = 0 accepted + 62 waiting + 0 set aside + 45 refused." in out


def test_notes_of_a_study_and_of_a_manifest_are_said(started):
    samples.write_study(Path("a"))
    samples.write_study(Path("b"))
    Path("c").mkdir()
    Path("m.csv").write_text("path,subject\na,S1\nb,S1\nc,S2\n")
    out = started("intake", "a", "b", "--manifest", "m.csv", *ON)[1]
    assert "9 files are copies of others" in out
    assert "m.csv row 4: no image was found here" in out


def test_listening_needs_callers_it_understands(started):
    code, _, err = started("listen", "--caller", "MR1", *ON)
    assert (code, "TITLE@ADDRESS" in err) == (2, True)
    words = ("--caller", "MR1@127.0.0.1", "--certificate", "x.pem", *ON)
    code, _, err = started("listen", *words)
    assert (code, "go together" in err) == (2, True)
    words = ("--caller", "MR1@127.0.0.1", "--certificate", "x.pem", "--key", "y.pem", *ON)
    assert started("listen", *words)[0] == 2


def test_listening_takes_in_what_came_and_stops_on_request(started, monkeypatch):
    rounds = iter([0, 1, 2])
    taken = []

    def sleep(_seconds):
        if next(rounds, None) is None:
            raise KeyboardInterrupt

    monkeypatch.setattr(intake_commands.time, "sleep", sleep)
    monkeypatch.setattr(
        intake_commands, "take_when_quiet", lambda *words: taken.append(words[2]) or True
    )
    words = ("--caller", "MR1@127.0.0.1", "--title", "NORTH", "--port", "0", *ON)
    code, out, _ = started("listen", *words)
    assert code == 0
    assert out.startswith("Listening as NORTH on 127.0.0.1 port ")
    assert "Stopped" in out
    assert taken == [20.0] * 3


class Waiting:
    """A spool in which something has come."""

    def is_ready(self, quiet):
        return quiet < 10


@pytest.mark.parametrize("quiet", [20.0, 5.0])
def test_nothing_is_done_before_it_is_quiet_and_another_intake_is_waited_for(
    quiet, monkeypatch, capsys
):
    def busy(_desk, _spool):
        raise Unavailable(Fault("another intake of this desk is running"))

    monkeypatch.setattr(intake_commands, "take_received", busy)
    assert not intake_commands.take_when_quiet(None, Waiting(), quiet)
    assert ("tried again later" in capsys.readouterr().out) == (quiet < 10)


def test_what_came_is_told(monkeypatch, capsys):
    reports = iter([None, Report(0, (), ())])
    monkeypatch.setattr(intake_commands, "take_received", lambda *_: next(reports))
    assert intake_commands.take_when_quiet(None, Waiting(), 5.0)
    assert capsys.readouterr().out == ""
    assert intake_commands.take_when_quiet(None, Waiting(), 5.0)
    assert capsys.readouterr().out.startswith("Studies: none.")
