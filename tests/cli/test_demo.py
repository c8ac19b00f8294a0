"""The whole job in one command, taken up again, and refused where it may not work."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from typer.main import get_command

from imgtrack.cli.main import app
from synthetic_scans.cohort import run as cohort_run
from synthetic_scans.study_series import Size, StackSize

TINY = Size(
    matrix=24,
    samples=1,
    coronal=StackSize(5, 4.0, 8.0),
    sagittal=StackSize(5, 4.0, 10.0),
    axial=StackSize(2, 4.0, 8.0),
    radiograph_matrix=16,
    radiograph_step_mm=10.0,
)
SHORT = ("--repairs", "1", "--seed", "3")


@pytest.fixture
def tiny(monkeypatch):
    monkeypatch.setattr(cohort_run, "SIZES", {"quick": TINY})
    monkeypatch.setattr("os.cpu_count", lambda: 1)


def test_the_whole_job_and_again(run, tiny):
    code, out, err = run("demo", "d", *SHORT)
    assert (code, err) == (0, "")
    signed = int(re.search(r"(\d+) readings signed", out)[1])
    assert signed >= 6  # two readers, three visits and more
    assert "it is whole" in out
    assert "Everyone's pass phrase" in out
    assert "1 case of R1 is left for you" in out
    assert Path("d/report/index.html").is_file()
    assert list(Path("d/report/sheets").glob("*.html"))
    shown = re.findall(r"(?m)^  imgtrack (\w+)", out)
    assert {"read", "course", "board"} <= set(shown)
    known = get_command(app).list_commands(None)
    assert set(shown) <= set(known)
    code, again, _ = run("demo", "d", "--quick", *SHORT)
    assert code == 0
    assert "0 readings signed" in again
    assert "it is whole" in again


def test_a_folder_with_other_things_is_refused(run):
    Path("d").mkdir()
    Path("d/mine.txt").write_text("keep")
    code, _, err = run("demo", "d", *SHORT)
    assert code == 2
    assert "the folder is in use" in err
    assert Path("d/mine.txt").read_text() == "keep"


def test_other_numbers_are_refused_in_a_folder_of_a_demo(run, tiny):
    from synthetic_scans.cohort.run import Settings, make_cohort

    make_cohort(Path("d/sheets"), Settings(seed=3, repairs=1, size="quick", images=False))
    code, _, err = run("demo", "d", "--repairs", "2", "--seed", "3")
    assert code == 2
    assert "asked for is" in err
