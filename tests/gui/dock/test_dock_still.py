"""The dock keeps still, explains itself, and can be read at 100 % and 200 %."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

pytest.importorskip("PySide6", reason="needs the reading extra")

pytestmark = [
    pytest.mark.gui,
    pytest.mark.filterwarnings("ignore::DeprecationWarning"),
    pytest.mark.skipif(not os.environ.get("DISPLAY"), reason="needs a display"),
]

from dock_room import controls, read_by_keys, set_points, top_of  # noqa: E402 - after the skip

# -------------------------------------------------------------------- keeping still, being read


def test_nothing_above_or_under_the_hand_moves_when_something_is_answered(window):
    at = window()
    at.press("1", "1", "1", "2")
    foot = at.dock.foot.geometry()
    places = {name: top_of(at, name) for name in ("tendon defect", "gap slices", "tear width")}
    height = at.dock.cards["tear width"].height()
    at.click("tear width:draw")
    set_points(at.session, (15.6, 0, 40), (15.6, 9, 52), alias="0.2.2")
    at.settle()
    assert {name: top_of(at, name) for name in places} == places
    assert at.dock.cards["tear width"].height() == height
    at.click("gap slices:coronal oblique:mark")
    assert {name: top_of(at, name) for name in places} == places
    assert at.dock.foot.geometry() == foot


def test_the_level_under_the_pointer_is_explained_in_words(window):
    from qtpy.QtCore import QPointF
    from qtpy.QtGui import QEnterEvent
    from qtpy.QtWidgets import QApplication

    at = window()
    at.press("1", "1", "1", "2", "Alt+4")
    made = at.find("sugaya:IV")
    where = QPointF(3, 3)
    QApplication.sendEvent(made, QEnterEvent(where, where, where))
    level = at.session.form.scale("sugaya").level("IV")
    assert level.criteria in at.dock.foot.criteria.text()
    assert level.criteria in made.toolTip()


def test_every_control_has_a_tooltip_and_every_key_of_the_dock_is_bound(window):
    from qtpy.QtGui import QShortcut

    from imgtrack_napari.keys import KEYS, Group

    at = window(wide=True)
    assert [each.objectName() for each in controls(at) if not each.toolTip()] == []
    bound = {each.key().toString() for each in at.dock.findChildren(QShortcut)}
    wanted = {stroke for key in KEYS if key.group is not Group.PICTURE for stroke in key.strokes}
    assert wanted <= bound
    strokes = [stroke for key in KEYS for stroke in key.strokes]
    assert len(strokes) == len(set(strokes))


def test_help_shows_every_key_and_sign_and_leaves_the_window_usable(window):
    from imgtrack.domain.cautions import CAUTION
    from imgtrack_napari.keys import KEYS, Act
    from imgtrack_napari.look import Sign

    at = window()
    at.press("F1")
    assert at.dock.help.isVisible()
    assert not at.dock.help.isModal()
    text = at.dock.help.text.toPlainText()
    words = " ".join(text.split())
    assert [key.words for key in KEYS if " ".join(key.words.split()) not in words] == []
    assert [key.shown for key in KEYS if key.act is not Act.OPTION and key.shown not in words] == []
    assert all(sign.value in words for sign in Sign)
    assert CAUTION in words
    at.whole.activateWindow()
    at.test.mouseClick(at.images, at.qt.MouseButton.LeftButton)
    at.press("1")
    assert at.answer("adequacy tendon") == {"value": "adequate"}
    at.press("F1")
    assert not at.dock.help.isVisible()


def test_the_cautions_are_always_on_the_screen_and_nothing_identifying_ever_is(window):
    from imgtrack.domain.cautions import CAUTION

    at = window()
    read_by_keys(at, sugaya="4")
    for number in range(1, 5):
        at.press(f"Alt+{number}")
        assert CAUTION in at.words()
        said = at.words() + "".join(each.toolTip() for each in controls(at))
        for secret in ("S001", "2.25", "2031", "m06", "6 months", "DOUBLEROW", "study.sqlite"):
            assert secret not in said


def test_nothing_is_cut_off_at_the_right_of_a_narrow_dock(window):
    at = window(wide=True)
    at.press("1", "1", "1", "1", "2")
    at.dock.setFixedWidth(at.dock.minimumWidth())
    for number in range(1, 5):
        at.press(f"Alt+{number}")
        assert at.dock.pages.width() <= at.dock.area.viewport().width()


def cut_on_buttons(at) -> list[str]:
    """Return the words that have no room on the buttons that show."""
    from qtpy.QtWidgets import QPushButton

    made = [each for each in at.dock.findChildren(QPushButton) if each.isVisible()]
    return [
        each.text()
        for each in made
        if each.fontMetrics().horizontalAdvance(each.text()) + 10 > each.width()
        or each.fontMetrics().height() > each.height()
    ]


def test_words_fit_on_their_buttons(window):
    at = window(wide=True)
    at.press("1", "1", "1", "1", "2")
    at.dock.setFixedWidth(at.dock.minimumWidth())
    at.session.hand.start("implant positions")
    set_points(at.session, (-30, -11.2, 40), alias="0.1.3")
    for number in range(1, 5):
        at.press(f"Alt+{number}")
        assert cut_on_buttons(at) == []
        at.press("N")  # the reasons
        assert cut_on_buttons(at) == []
        at.press("Esc")


def test_words_fit_on_their_buttons_at_200_percent():
    test = f"{__file__}::{test_words_fit_on_their_buttons.__name__}"
    done = subprocess.run(
        [sys.executable, "-m", "pytest", test, "-q", "-p", "no:cacheprovider"],
        env={**os.environ, "QT_SCALE_FACTOR": "2"},
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stdout
    assert "1 passed" in done.stdout


def test_a_key_changes_between_light_and_dark(window):
    from imgtrack_napari.look import DARK, LIGHT

    at = window()
    assert at.dock.look is DARK
    at.press("F8")
    assert at.dock.look is LIGHT
    shot = at.dock.grab().toImage()
    assert shot.pixelColor(3, 200).lightnessF() > 0.7
    at.press("F8")
    assert at.dock.grab().toImage().pixelColor(3, 200).lightnessF() < 0.2
