"""``imgtrack course`` as a process of its own: its window is seen on the screen, and closed."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest

pytest.importorskip("napari", reason="needs the reading extra")
sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parent.parent / "desk" / "intake"))

from intake_samples import now, start_enrolled, write_study
from x_screen import Screen

from imgtrack.desk import study as studies
from imgtrack.desk.intake.run import take_in
from imgtrack.domain.imaging import Scan

pytestmark = [
    pytest.mark.gui,
    pytest.mark.skipif(not os.environ.get("DISPLAY"), reason="needs a display"),
    pytest.mark.skipif(sys.platform != "linux", reason="looks at windows through X11"),
]

CLOSED_WHILE_LAYING = """
import sys
from pathlib import Path

sys.path.insert(0, {here!r})
from course_room import opened_course
import numpy as np
from napari.qt import get_qapp
from qtpy.QtCore import QTimer
from imgtrack_napari.course.model import CourseModel
from imgtrack_napari.course.window import CourseWindow


def endless(*_pairs, watch, **_near):
    while True:
        watch()
        np.linalg.svd(np.ones((200, 200)))


app = get_qapp()
_, course = opened_course(Path({folder!r}))
window = CourseWindow(CourseModel(course), register=endless)
window.show()
window.begin()
QTimer.singleShot(500, window.close)
app.exec()
assert any(lane.is_being_laid for lane in window.model.lanes)
print("closed", flush=True)
"""
"""A process that must not die of the thread in which it searches: it did, with code 134."""

SECONDS = 60.0
"""How long a busy machine may take to open or close a window."""


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A study with two small scans of one repair that were taken in from files."""
    place = tmp_path_factory.mktemp("process")
    enrolment = (
        "subject,side,operation_date,name,hospital_number,birth_date",
        "S1,right,2031-03-03,Doe Jane,P-001,1960-01-02",
    )
    start_enrolled(place, *enrolment)
    settings = place / "study" / "study.toml"
    text = settings.read_text("utf-8")
    settings.write_text(text.replace("interim_look = false", "interim_look = true"), "utf-8")
    with studies.open_study(place / "study", who="C1", now=now) as study:
        for number, day in enumerate(("20310601", "20310903")):
            uid = f"1.2.{number + 1}"
            take_in(study, [write_study(place / uid, study=uid, day=day)])
        with study.store.look() as look:
            assert len(look.all(Scan)) == 2
    return place / "study"


def course(repair: str, folder: Path, who: str) -> subprocess.Popen[str]:
    """Start the command as installed."""
    program = shutil.which("imgtrack", path=str(Path(sys.executable).parent))
    assert program is not None
    return subprocess.Popen(
        [program, "course", repair, "--study", str(folder), "--as", who],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def seen(screen: Screen, title: str, process: subprocess.Popen[str]) -> int:
    """Wait until a window is on the screen."""
    end = time.monotonic() + SECONDS
    while (window := screen.find(title)) is None:
        assert process.poll() is None, process.communicate()[1]
        assert time.monotonic() < end, "no window came up"
        time.sleep(0.1)
    return window


def test_the_window_opens_is_seen_and_closes_with_code_0(folder):
    screen = Screen()
    with course("S1-R", folder, "C1") as process:
        try:
            screen.close_window(seen(screen, "imgtrack: course of S1-R", process))
            out, err = process.communicate(timeout=SECONDS)
        finally:
            process.kill()
            screen.leave()
    assert process.returncode == 0, err
    assert "Traceback" not in out + err


def test_a_window_closed_while_scans_are_laid_ends_with_code_0(tmp_path):
    script = CLOSED_WHILE_LAYING.format(here=str(Path(__file__).parent), folder=str(tmp_path / "p"))
    done = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", script],
        capture_output=True,
        text=True,
        timeout=2 * SECONDS,
        check=False,
    )
    assert (done.returncode, done.stdout) == (0, "closed\n"), done.stderr


@pytest.mark.parametrize(
    ("repair", "who", "said"),
    [
        ("S9-R", "C1", "there is no such repair"),
        ("S1-R", "R1", "may not open the course"),
    ],
)
def test_an_unknown_repair_and_a_reader_are_told_and_no_window_opens(folder, repair, who, said):
    with course(repair, folder, who) as process:
        try:
            _, err = process.communicate(timeout=SECONDS)
        finally:
            process.kill()
    assert process.returncode not in {0, None}
    assert said in " ".join(err.split())
    assert "Traceback" not in err
