"""The panels of napari's plugin menu: they open a window, or say why not."""

from __future__ import annotations

import os

import pytest

pytest.importorskip("napari", reason="needs the reading extra")

from gui.window_desk import phantom_study
from qtpy.QtCore import Qt
from qtpy.QtTest import QTest
from qtpy.QtWidgets import QApplication, QPushButton

from imgtrack.domain.cautions import CAUTION

pytestmark = [
    pytest.mark.gui,
    pytest.mark.filterwarnings("ignore::DeprecationWarning"),
    pytest.mark.skipif(not os.environ.get("DISPLAY"), reason="needs a display"),
]


def press(panel, words):
    (found,) = (each for each in panel.findChildren(QPushButton) if each.text() == words)
    QTest.mouseClick(found, Qt.MouseButton.LeftButton)
    QApplication.processEvents()


@pytest.fixture
def shown():
    """Show a panel; it and the window it opened are closed afterwards."""
    from napari.qt import get_qapp

    get_qapp()
    panels = []

    def show(kind):
        panels.append(kind())
        panels[-1].show()
        return panels[-1]

    yield show
    for panel in panels:
        if panel.window_open is not None:
            panel.window_open.close()
        panel.close()


def test_a_folder_that_is_no_study_is_told_in_words(shown, tmp_path):
    from imgtrack_napari.starting import ReadCases

    panel = shown(ReadCases)
    QTest.keyClicks(panel.folder, str(tmp_path))
    QTest.keyClicks(panel.reader, "R1")
    press(panel, "Read")
    assert panel.window_open is None
    assert str(tmp_path) in panel.said.text()


def test_a_study_opens_and_images_that_are_gone_are_told(shown, tmp_path):
    """The records are there, the files are not: the window says so and names none of them."""
    from imgtrack_napari.starting import ReadCases

    study = phantom_study(tmp_path / "desk", repairs=1)
    study.close()
    panel = shown(ReadCases)
    QTest.keyClicks(panel.folder, str(study.folder))
    QTest.keyClicks(panel.reader, "R1")
    press(panel, "Read")
    dock = panel.window_open.dock
    assert dock.foot.message.text() == "Nothing on your list can be read now."
    assert "an image file is missing" in dock.passed.text()
    assert str(tmp_path) not in dock.passed.text()


def test_an_empty_folder_cannot_be_measured(shown, tmp_path):
    from imgtrack_napari.starting import MeasureFolder

    panel = shown(MeasureFolder)
    QTest.keyClicks(panel.folder, str(tmp_path))
    press(panel, "Measure")
    assert "no image to measure on" in panel.said.text()
    texts = [each.text() for each in panel.findChildren(type(panel.said))]
    assert CAUTION in texts
