"""The commands that open a window, as the README shows them, each with a window that opens.

The study is one of real series (`real_study`). A clock of Qt's looks for the window, notes what it
shows, and closes it as a person does; then the command must end by itself.
"""

from __future__ import annotations

import os
import shlex
import sys
from pathlib import Path

import pytest

pytest.importorskip("napari", reason="needs the reading extra")

import real_series
from real_study import Case, started, take_all

from imgtrack.cli import console
from imgtrack.cli import main as cli
from imgtrack.cli.demo.people import DemoClock
from imgtrack.desk.cases.allot import allot
from imgtrack.domain.cases import Case as Allotted
from imgtrack.domain.reading import Reading

pytestmark = [
    pytest.mark.gui,
    pytest.mark.filterwarnings("ignore::DeprecationWarning"),
    pytest.mark.skipif(not os.environ.get("DISPLAY"), reason="needs a display"),
]

EVERY_MS = 300


@pytest.fixture(scope="module")
def place(tmp_path_factory) -> Path:
    """A study in which R1 has one case and results may be looked at, and a loose folder."""
    folder = tmp_path_factory.mktemp("windows")
    one = Case("S014", real_series.pilot(), first=True, second=True, settled=None)
    with started(folder, DemoClock(), [one]) as study:
        take_all(study, [one])
        allot(study)
    (folder / "study").rename(folder / "healing")
    protocol = folder / "healing" / "study.toml"
    text, was = protocol.read_text("utf-8"), "interim_look = false"
    assert was in text
    protocol.write_text(text.replace(was, "interim_look = true"), "utf-8")
    (folder / "some-folder").mkdir()
    for path in one.made.files:
        (folder / "some-folder" / path.name).write_bytes(path.read_bytes())
    return folder


@pytest.fixture
def typed(place, monkeypatch):
    """Type a command; return its exit code and the titles of the windows that were closed."""
    from qtpy.QtCore import QTimer
    from qtpy.QtWidgets import QApplication, QMainWindow

    from imgtrack_napari.window import ReadingWindow  # noqa: F401 - loaded before the clock runs

    app = QApplication.instance() or QApplication([])
    monkeypatch.chdir(place)
    monkeypatch.setattr(console.OUT, "width", 200)
    titles: list[str] = []

    def close_what_is_open() -> None:
        for window in app.topLevelWidgets():
            if isinstance(window, QMainWindow) and window.isVisible():
                titles.append(window.windowTitle())
                window.close()

    def type_in(line: str) -> tuple[int, list[str]]:
        monkeypatch.setattr(sys, "argv", ["imgtrack", *shlex.split(line)])
        clock = QTimer()
        clock.timeout.connect(close_what_is_open)
        clock.start(EVERY_MS)
        try:
            cli.main()
        except SystemExit as end:
            return int(end.code or 0), titles
        finally:
            clock.stop()
        return 0, titles

    return type_in


READ = ("read --as R1 --study healing", "read --reader R1 --study healing")


@pytest.mark.parametrize("line", READ)
def test_the_reading_window_opens_at_the_next_case(line, typed, place):
    code, titles = typed(line)
    with reopened(place).store.look() as look:
        (case,) = look.where(Allotted, reader="R1")
        assert look.all(Reading) == []
    assert (code, titles) == (0, [f"imgtrack: reading {case.code}"])


def reopened(place: Path):
    from imgtrack.desk.study import open_study

    return open_study(place / "healing", who="C1", now=DemoClock())


def test_a_loose_folder_opens_without_a_study(typed):
    code, titles = typed("read --loose some-folder")
    assert code == 0
    assert len(titles) == 1


def test_the_course_window_opens_at_a_repair(typed):
    code, titles = typed("course S014-R --study healing")
    assert code == 0
    (title,) = titles
    assert "S014-R" in title
