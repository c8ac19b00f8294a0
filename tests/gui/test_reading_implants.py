"""Marking implants with mouse and keys: head, tip or Enter, dragging both ends, numbers.

The shoulder is a phantom without implants; what is checked is that clicks, answers and millimetres
of the patient agree.
"""

from __future__ import annotations

import os
import time
from datetime import date

import numpy as np
import pytest

pytest.importorskip("napari", reason="needs the reading extra")

from gui.window_desk import Plane, ReaderAtWork, phantom_study, records_of, window_on

from imgtrack.desk.study import open_study
from imgtrack.domain.imaging import Modality, Scan, Stage
from imgtrack.measure.motion import RigidTransform
from imgtrack.measure.registration.align import Registration

pytestmark = [
    pytest.mark.gui,
    pytest.mark.filterwarnings("ignore::DeprecationWarning"),
    pytest.mark.skipif(not os.environ.get("DISPLAY"), reason="needs a display"),
]

COR = Plane.CORONAL_OBLIQUE
NAME = "implant positions"


@pytest.fixture
def study(tmp_path):
    made = phantom_study(tmp_path / "desk", repairs=1, ask=(NAME, "tear width"))
    yield made
    made.close()


@pytest.fixture
def two_scans(tmp_path):
    """A study that shows earlier scans; the same phantom stands for both."""
    made = phantom_study(tmp_path / "desk", repairs=1, ask=(NAME, "tear width"))
    text = (made.folder / "study.toml").read_text("utf-8")
    (line,) = [each for each in text.splitlines() if each.startswith("show_earlier_scans = ")]
    made.close()
    (made.folder / "study.toml").write_text(
        text.replace(line, "show_earlier_scans = true"), "utf-8"
    )
    study = open_study(made.folder, who="C1", now=made.now)
    first = Scan("2.25.90", "S001-R", "m03", date(2031, 4, 10), Modality.MR, Stage.FINAL)
    with study.store.change(who="C1", now=study.now) as change:
        change.add([first, *records_of(first)])
    yield study
    study.close()


@pytest.fixture
def reader(study):
    """At the implants, with everything before them answered."""
    window = window_on(study)
    made = ReaderAtWork(window)
    for name in made.session.form.names:
        question = made.session.question(name)
        if question.is_adequacy:
            made.session.put({name: {"value": "adequate"}})
    window.dock.go_to(NAME)
    yield made
    window.close()


def at(reader, down: float, across: float):
    """Return a place on the coronal image shown, in shares of its height and width."""
    image = reader.session.viewing.panes[COR].image
    pixel = [[down * image.rows, across * image.columns]]
    return tuple(map(float, image.plane.to_patient(pixel)[0]))


def implants(reader):
    return reader.session.value(NAME)["implants"]


def near(found, wanted):
    return np.linalg.norm(np.subtract(found, wanted)) < 0.6  # a screen pixel and a half


def picture(reader, name: str) -> None:
    if folder := os.environ.get("PICTURES"):
        reader.window.grab().save(f"{folder}/{name}.png")


def test_head_tip_or_enter_drag_and_number(reader):
    head, tip, alone = at(reader, 0.4, 0.3), at(reader, 0.45, 0.38), at(reader, 0.5, 0.5)
    message = reader.window.dock.foot.message
    reader.key("D")
    assert "head of the implant" in message.text()
    reader.click(COR, head)
    assert "tip of the implant, or Enter to end it" in message.text()
    picture(reader, "implant_drawing")
    reader.click(COR, tip)
    assert reader.session.hand.tool is None
    reader.key("D")
    reader.click(COR, alone)
    reader.key("Return")
    first, second = implants(reader)
    assert near(first["points"][0], head)
    assert near(first["points"][1], tip)
    assert len(second["points"]) == 1
    assert near(second["points"][0], alone)
    assert [each["label"] for each in implants(reader)] == ["1", "2"]
    picture(reader, "implant_marked")

    further = at(reader, 0.48, 0.42)
    reader.drag(COR, first["points"][1], further)
    moved = implants(reader)[0]
    assert near(moved["points"][1], further)
    assert near(moved["points"][0], head)
    reader.key("Ctrl+Z")
    assert near(implants(reader)[0]["points"][1], tip)

    reader.key("2")
    assert [each["seat"] for each in implants(reader)] == ["in place", "proud of the bone"]


def test_head_after_head_and_a_tip_that_follows(reader):
    from qtpy.QtCore import Qt
    from qtpy.QtTest import QTest
    from qtpy.QtWidgets import QLineEdit, QPushButton

    places = [at(reader, 0.4, 0.3), at(reader, 0.4, 0.5)]
    for place in places:
        reader.key("D")
        reader.click(COR, place)
    reader.key("Return")
    assert [len(each["points"]) for each in implants(reader)] == [1, 1]
    dock = reader.window.dock
    QTest.mouseClick(dock.findChild(QPushButton, f"{NAME}:1:tip"), Qt.MouseButton.LeftButton)
    tip = at(reader, 0.5, 0.3)
    reader.click(COR, tip)
    assert near(implants(reader)[0]["points"][1], tip)
    number = dock.findChild(QLineEdit, f"{NAME}:2:number")
    number.setFocus()
    number.selectAll()
    reader.type("4")
    reader.key("Return")
    assert [each["label"] for each in implants(reader)] == ["1", "4"]
    number = dock.findChild(QLineEdit, f"{NAME}:1:number")
    number.setFocus()
    number.selectAll()
    reader.type("4")
    reader.key("Return")
    assert [each["label"] for each in implants(reader)] == ["1", "4"]
    assert dock.foot.message.text() == "There is an implant 4 already."
    dock.go_to(NAME)
    reader.key("D")
    reader.click(COR, at(reader, 0.6, 0.4))
    reader.key("Return")
    assert [each["label"] for each in implants(reader)] == ["1", "4", "2"]  # the next free one
    picture(reader, "implant_numbers")


def laid_as_they_are(_pairs, _side, **_near):
    """Stand in for the search, which takes long: the two scans are one and the same."""
    same = RigidTransform(((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)), (0.0, 0.0, 0.0))
    return Registration(same, 0.1, 0.1, 2, (0.0, 0.0, 0.0), 0.1)


def test_a_move_from_the_two_scans(two_scans, monkeypatch):
    """The earlier scan comes up, its mark is proposed as a move, A keeps it, R does not."""
    from qtpy.QtCore import Qt
    from qtpy.QtTest import QTest
    from qtpy.QtWidgets import QPushButton

    window = window_on(two_scans)
    reader = ReaderAtWork(window)
    session, dock = reader.session, window.dock
    if not os.environ.get("REAL_REGISTRATION"):
        monkeypatch.setattr(session.moves, "_register", laid_as_they_are)
    for name in session.form.names:
        if session.question(name).is_adequacy:
            session.put({name: {"value": "adequate"}})
    dock.go_to(NAME)
    reader.key("D")
    here = at(reader, 0.45, 0.3)
    reader.click(COR, here)
    reader.key("Return")
    for key, kept in (("R", False), ("A", True)):
        made = dock.findChild(QPushButton, f"{NAME}:1:two scans")
        QTest.mouseClick(made, Qt.MouseButton.LeftButton)
        assert session.viewing.panes[COR].series.earlier == 1
        there = at(reader, 0.45, 0.33)
        picture(reader, "two_scans_mark")
        reader.click(COR, there)
        assert session.viewing.panes[COR].series.earlier == 0
        until = time.monotonic() + 120
        while session.hand.proposal is None and time.monotonic() < until:
            QTest.qWait(50)
        assert session.hand.proposal is not None, session.message
        picture(reader, "two_scans_proposed")
        reader.key(key)
        assert ("migration" in implants(reader)[0]) is kept
    distance = np.linalg.norm(np.subtract(there, here))
    slack = 1.0 if os.environ.get("REAL_REGISTRATION") else 0.6
    assert implants(reader)[0]["migration"]["mm"] == pytest.approx(distance, abs=slack)
    assert implants(reader)[0]["migration"]["origin"] == "suggestion accepted"
    window.close()
