"""Reading across processes: killed in the middle, gone on with, signed; and at 200 %.

Every window here lives in a process of its own, as a reader's does.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

pytest.importorskip("napari", reason="needs the reading extra")

from gui.window_desk import phantom_study

from imgtrack.domain.reading import Reading

pytestmark = [
    pytest.mark.gui,
    pytest.mark.filterwarnings("ignore::DeprecationWarning"),
    pytest.mark.skipif(not os.environ.get("DISPLAY"), reason="needs a display"),
]

BEGIN = """
import sys, time
sys.path.insert(0, {tests!r})
from pathlib import Path
from gui.hands import Hands
from gui.window_desk import PHRASE, Plane, middle_of_gap, scanned, window_on
from imgtrack.desk.study import open_study
from reading_desk import Clock
COR, SAG = Plane.CORONAL_OBLIQUE, Plane.SAGITTAL_OBLIQUE
study = open_study(Path({folder!r}), who="R1", now=Clock())
window = window_on(study)
hands = Hands(window)
longest, middle = middle_of_gap()
"""

KILLED = """
hands.key("1", "1", "1", "2")
hands.slice(COR, longest.index)
hands.key("G", "Tab", "Tab", "D")
for point in longest.retraction_points:
    hands.click(COR, point)
hands.key("Alt+4")
hands.press("free note")
hands.type("bright spot")
hands.key("Shift+Tab", "Alt+2", "Tab", "D")
hands.click(SAG, scanned().slices("sagittal_oblique")[0].gap_points[0])
print(window.session.case.code, flush=True)
time.sleep(60)
"""

RESUMED = """
answers = window.session.answers
print(window.session.case.code, sorted(answers), flush=True)
assert window.dock.cards["free note"].body.field.toPlainText() == "bright spot"
assert window.session.hand.tool is None  # a line half drawn is no answer
for name in ("tear width", "patte landmarks", "patte_stage"):
    hands.press(name + ":unseen")
    hands.press(name + "::metal")
hands.slice(SAG, 3)
hands.key("Alt+2")
hands.press("gap slices:sagittal oblique:none")
hands.key("Alt+3", "1", "1", "1", "Alt+4", "4", "1")
hands.sign(PHRASE)
print(window.session.message, [each.words for each in window.session.standing.missing], flush=True)
window.close()
"""

DOUBLE = """
from qtpy.QtTest import QTest
from imgtrack_napari.conversion import to_pane
import numpy as np
assert window.devicePixelRatioF() == 2.0
hands.key("1", "1", "1", "2")
hands.slice(COR, longest.index)
hands.press("straight retraction:draw")
for point in longest.retraction_points:
    hands.click(COR, point)
print(window.session.answers["straight retraction"]["mm"], longest.retraction_mm, flush=True)
pane = window.panes[COR]
values = pane.canvas.shown
row, column = values.shape[0] // 3, values.shape[1] // 3
values[:] = 0
values[row, column] = 30000
pane.canvas.set_grey(type(pane._grey)(0.0, 30000.0))
pane.canvas._layer.interpolation2d = "nearest"
pane.canvas._layer.refresh()
QTest.qWait(100)
shot = pane.canvas._qt.screenshot(flash=False)[..., :3].mean(axis=-1)
bright = np.argwhere(shot > 128)
middle = (bright.min(axis=0) + bright.max(axis=0) + 1) / 2 / window.devicePixelRatioF()
at = pane.canvas.screen_point(to_pane(pane.image, pane.image.plane.to_patient([(row, column)])[0]))
print(abs(middle[1] - at.x()), abs(middle[0] - at.y()), flush=True)
dock = window.dock
for number in (1, 2, 3, 4):
    hands.key(f"Alt+{number}")
    assert dock.area.horizontalScrollBar().maximum() == 0
assert dock.mapTo(window, dock.rect().bottomRight()).y() <= window.height()
window.close()
"""


def begun(study, acts: str, **environment: str) -> subprocess.Popen[str]:
    """Begin to read in a process of its own."""
    tests = str(Path(__file__).parent.parent)
    code = BEGIN.format(tests=tests, folder=str(study.folder)) + acts
    return subprocess.Popen(
        [sys.executable, "-c", code],
        stdout=subprocess.PIPE,
        text=True,
        env=os.environ | environment,
    )


def ended(process: subprocess.Popen[str]) -> list[str]:
    """Return what a process said, once it has ended well."""
    said, _ = process.communicate(timeout=300)
    assert process.returncode == 0, said
    return said.splitlines()


@pytest.fixture
def study(tmp_path):
    made = phantom_study(tmp_path / "desk", repairs=1)
    yield made
    made.close()


def test_killed_in_the_middle_gone_on_with_and_signed(study):
    """SIGKILL while a line is half drawn: the same case opens with every answer, and is signed."""
    dying = begun(study, KILLED)
    try:
        case = dying.stdout.readline().strip()
        os.kill(dying.pid, signal.SIGKILL)
    finally:
        dying.kill()
        dying.wait()
        dying.stdout.close()
    assert case
    opened, signed = ended(begun(study, RESUMED))
    assert opened.startswith(f"{case} [")
    for name in ("free note", "gap slices", "straight retraction", "tendon defect"):
        assert repr(name) in opened
    assert "tear width" not in opened
    assert signed == f"{case} is signed. []"
    with study.store.look() as look:
        answers = look.get(Reading, case).answers
    assert answers["free note"] == {"text": "bright spot"}
    assert answers["straight retraction"]["origin"] == "drawn"
    assert answers["gap slices"]["coronal oblique"]["count"] == 1


def test_at_200_percent_points_lie_under_the_pointer_and_nothing_is_cut(study):
    """Length within 0.3 mm of the truth, and a bright pixel found on screen where it should be."""
    length, pixel = ended(begun(study, DOUBLE, QT_SCALE_FACTOR="2"))
    found, true = map(float, length.split())
    assert found == pytest.approx(true, abs=0.3)
    assert all(float(away) <= 0.75 for away in pixel.split())
