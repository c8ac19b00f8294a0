"""A radiograph read in the real window with mouse and keys, and the window in light and dark.

The picture is the phantom's own projection (synthetic_scans, which shares no code with the tool);
lengths are checked against pixels times the 0.5 mm spacing of the record, angles by arctangent.
"""

from __future__ import annotations

import math
import os
from functools import cache

import numpy as np
import pytest

pytest.importorskip("napari", reason="needs the reading extra")

from gui.window_desk import PHRASE, Plane, ReaderAtWork
from reading_desk import Clock, add_scans, desk_of, opened, prepare, with_phrase

from imgtrack.desk.cases.allot import allot
from imgtrack.desk.cases.booth import open_booth
from imgtrack.desk.cases.images import Shelved, ShownPixels
from imgtrack.domain.imaging import Modality
from imgtrack.domain.reading import Reading
from synthetic_scans.phantom.shoulder import Phantom
from synthetic_scans.planes import frames
from synthetic_scans.scanner.radiograph import Exposure, expose, true_ap
from synthetic_scans.spec import ShoulderSpec

pytestmark = [
    pytest.mark.gui,
    pytest.mark.filterwarnings("ignore::DeprecationWarning"),
    pytest.mark.skipif(not os.environ.get("DISPLAY"), reason="needs a display"),
]

SPACING = 0.5
SIZE = 320
ASK = 'ask = ["acromiohumeral interval", "critical shoulder angle", "implant positions"]'
PANE = Plane.CORONAL_OBLIQUE


@cache
def picture():
    """Return a true anteroposterior radiograph of a healthy right shoulder."""
    spec = ShoulderSpec(side="right")
    geometry = true_ap(frames(spec)["coronal_oblique"], matrix=(SIZE, SIZE), pixel_mm=SPACING)
    taken = Exposure(step_mm=6.0)
    return expose(Phantom(spec), geometry, taken, np.random.default_rng(1)).pixels


class PictureShelf:
    def series(self, _scan, records):
        return [Shelved(each, (), lambda: ShownPixels(picture()[np.newaxis])) for each in records]


@pytest.fixture
def study(tmp_path):
    made = prepare(tmp_path / "desk")
    path = made / "study.toml"
    text = path.read_text("utf-8").replace("# ask = [", f"{ASK}\n# ask = [", 1)
    path.write_text(text + '\n[[scale]]\nname = "hamada"\n', "utf-8")
    study = opened(made, Clock())
    add_scans(study, [1, 2], modality=Modality.DIGITAL_RADIOGRAPHY)
    allot(study)
    with_phrase(study, "R1")
    yield study
    study.close()


@pytest.fixture
def reader(study):
    from qtpy.QtTest import QTest

    from imgtrack_napari.launch import opened_window
    from imgtrack_napari.session import Session

    window = opened_window(Session(open_booth(desk_of(study, "R1"), shelf=PictureShelf())))
    window.showNormal()
    window.resize(1900, 1100)
    window.activateWindow()
    assert QTest.qWaitForWindowActive(window, 5000)
    yield ReaderAtWork(window)
    window.close()


def mm(row: float, column: float) -> tuple[float, float]:
    """Return a pixel as a point of a radiograph: [x, y] in mm in its plane."""
    return column * SPACING, row * SPACING


def shot(reader, name: str) -> None:
    if folder := os.environ.get("PICTURES"):
        reader.window.grab().save(f"{folder}/{name}.png")


def test_a_radiograph_from_the_first_answer_to_the_signature(reader, study):
    session, dock = reader.session, reader.window.dock
    shown = [plane for plane, pane in reader.window.panes.items() if pane.isVisible()]
    assert shown == [PANE]
    shot(reader, "dx_adequacy")
    reader.key("1", "D")
    assert "undersurface of the acromion" in dock.foot.message.text()
    reader.click(PANE, mm(90, 120))
    reader.click(PANE, mm(114, 130))
    interval = session.value("acromiohumeral interval")["mm"]
    assert interval == pytest.approx(math.hypot(24, 10) * SPACING, abs=0.5)
    shot(reader, "dx_joint")
    reader.key("Return", "D")
    corners = [mm(120, 200), mm(180, 200), mm(120, 140)]
    for point in corners:
        reader.click(PANE, point)
    degrees = session.value("critical shoulder angle")["degrees"]
    assert degrees == pytest.approx(math.degrees(math.atan2(60, 60)), abs=1.0)
    reader.key("Return", "0")
    assert session.value("implant positions") == {"implants": []}
    reader.key("Return")
    shot(reader, "dx_findings")
    for finding in ("acromion hollowed", "glenohumeral narrowing", "head collapse"):
        assert dock.marking.name == finding
        reader.key("2")
    shot(reader, "dx_grade")
    reader.key("1")
    reader.key("Ctrl+Return")
    reader.type(PHRASE)
    reader.key("Return")
    assert session.signed is not None, session.standing.missing
    with study.store.look() as look:
        signed = look.get(Reading, session.case.code)
    assert signed.answers["hamada"] == {"value": "1"}
    assert signed.derived["hamada"]["possible"] == ["1"]  # 13 mm and a normal joint
    assert signed.proposals == {}
    shot(reader, "dx_signed")


def test_nothing_is_proposed_on_a_radiograph_and_it_says_so(reader):
    from qtpy.QtWidgets import QPushButton

    dock = reader.window.dock
    reader.key("1", "F")
    assert dock.foot.message.text() == "Nothing is proposed on radiographs."
    reader.key("D")
    reader.click(PANE, mm(90, 120))
    reader.click(PANE, mm(114, 130))
    assert not dock.findChild(QPushButton, "acromiohumeral interval:edges").isVisible()
    reader.key("E")
    assert dock.foot.message.text() == "Nothing is proposed on radiographs."


def test_light_and_dark_change_the_whole_window(reader):
    """The gap between panes and dock is part of the window; images stay on black."""
    window = reader.window

    def lightness() -> tuple[float, float]:
        picture = window.grab().toImage()
        edge = window.dock.mapTo(window, window.dock.rect().topLeft()).x() - 3
        ratio = picture.devicePixelRatio()
        found = [picture.pixelColor(int(x * ratio), int(500 * ratio)) for x in (1, edge)]
        return found[0].lightnessF(), found[1].lightnessF()

    before, _ = lightness()
    reader.key("F8")
    shot(reader, "dx_light")
    after, _ = lightness()
    assert before < 0.2
    assert after > 0.7
    reader.key("F8")
    assert lightness()[0] == before
