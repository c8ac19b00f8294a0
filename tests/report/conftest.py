"""A study with signed readings and verdicts, made at the desk, for pages to be written from."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

import pytest

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE), str(HERE.parent / "desk")]  # helpers beside these and the desk's tests


@pytest.fixture
def clock():
    from reading_desk import Clock

    return Clock()


@pytest.fixture
def reading_study(tmp_path, clock):
    from reading_desk import opened, prepare

    made = []

    def begin(name: str = "desk", **how):
        study = prepare(tmp_path / name)
        made.append(opened(study, clock, **how))
        return made[-1]

    yield begin
    for study in made:
        study.close()
        shutil.rmtree(study.folder.parent, ignore_errors=True)


@pytest.fixture
def desk(reading_study, clock):
    """A study of four scans at 6 months: one retear, two healed, one the readers differ on."""
    from reading_desk import healed, torn
    from settling_desk import Desk

    made = Desk(reading_study, clock, scans=4)
    answers = (torn(), healed(), healed(), torn())
    for number, scan in enumerate(made.scans):
        made.read("R1", answers[number], scan)
        made.read("R2", healed() if number == 3 else answers[number], scan)
    return made
