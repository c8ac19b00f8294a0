"""``imgtrack course``: refused before any window opens, and told when there is none to open."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "desk"))

from course_desk import CODE, course_study
from reading_desk import Clock

from imgtrack.cli import course as command
from imgtrack.cli import windows
from imgtrack.cli.course import course
from imgtrack.domain.errors import InvalidInput, Refused, Unavailable


@pytest.fixture
def folder(tmp_path):
    course_study(tmp_path / "place", Clock()).close()
    return tmp_path / "place" / "study"


def test_without_the_extra_it_says_what_to_install(folder, monkeypatch):
    monkeypatch.setattr(windows, "find_spec", lambda name: None)
    with pytest.raises(Unavailable, match=r"imgtrack\[reading\]"):
        course(CODE, study=folder, who="S1")


def test_a_reader_and_an_unknown_repair_are_refused_before_a_window_is_loaded(folder, monkeypatch):
    monkeypatch.setattr(windows, "find_spec", lambda name: name)
    monkeypatch.setattr(command, "WINDOWS", "no_such_module")
    monkeypatch.setenv("DISPLAY", ":0")
    with pytest.raises(Refused, match="R1 may not open the course"):
        course(CODE, study=folder, who="R1")
    with pytest.raises(InvalidInput, match="no such repair"):
        course("S999-R", study=folder, who="S1")


@pytest.mark.skipif(sys.platform != "linux", reason="other systems always have a screen")
def test_without_a_screen_it_says_so(folder, monkeypatch):
    monkeypatch.setattr(windows, "find_spec", lambda name: name)
    for name in windows.SCREENS:
        monkeypatch.delenv(name, raising=False)
    with pytest.raises(Unavailable, match="no screen"):
        course(CODE, study=folder, who="S1")
