"""Keys go where the reader looks: after every click, in every field, from every keyboard."""

from __future__ import annotations

import os

import pytest

pytest.importorskip("napari", reason="needs the reading extra")

from gui.hands import LEFT, NONE, Hands
from gui.window_desk import (
    PHRASE,
    Plane,
    begin_again,
    middle_of_gap,
    phantom_study,
    scanned,
    window_on,
)
from qtpy.QtCore import QPoint, Qt
from qtpy.QtTest import QTest
from qtpy.QtWidgets import QApplication

from imgtrack.domain.reading import Reading

pytestmark = [
    pytest.mark.gui,
    pytest.mark.filterwarnings("ignore::DeprecationWarning"),
    pytest.mark.skipif(not os.environ.get("DISPLAY"), reason="needs a display"),
]

COR, SAG = Plane.CORONAL_OBLIQUE, Plane.SAGITTAL_OBLIQUE
WORDS = "Dense signal at the footprint; 2 anchors seen, g d n f v x 1 0"
"""Has every letter that is a key somewhere, and digits."""


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    made = phantom_study(tmp_path_factory.mktemp("focus") / "desk", repairs=2)
    yield made
    made.close()


@pytest.fixture(scope="module")
def window(study):
    made = window_on(study)
    yield made
    made.close()


@pytest.fixture
def hands(window):
    window.activateWindow()
    found = Hands(window)
    found.key("1", "1", "1", "2")
    yield found
    begin_again(window.session)


def note_of(hands) -> str:
    return hands.session.value("free note").get("text", "")


def in_note(hands) -> bool:
    return QApplication.focusWidget() is hands.window.dock.cards["free note"].body.field


# -------------------------------------------------------------------- fields of words


def test_letters_of_a_note_are_no_shortcuts_and_it_is_signed(hands, study):
    before = dict(hands.session.answers)
    hands.key("Alt+4")
    hands.press("free note")
    assert hands.window.dock.current.name == "free note"
    hands.type(WORDS)
    hands.key("Shift+Tab")
    assert not in_note(hands)
    assert hands.session.answers == before | {"free note": {"text": WORDS}}
    hands.key("Tab")
    assert in_note(hands)
    hands.key("Tab")  # beyond the last question: the pass phrase
    assert QApplication.focusWidget() is hands.window.dock.signing.phrase
    hands.type("nd1")
    assert hands.session.answers == before | {"free note": {"text": WORDS}}
    hands.key("Esc", "Alt+1", "Alt+1")
    for name in ("tendon", "thickness", "muscle"):
        hands.press(f"adequacy {name}:unseen")
        hands.press(f"adequacy {name}::metal")
    hands.key("Alt+2")
    hands.press("tendon defect:leftover")
    hands.sign("one wrong phrase")
    assert hands.session.signed is None
    assert "Not signed" in hands.window.dock.signing.refused.text()
    hands.sign(PHRASE)
    with study.store.look() as look:
        answers = look.get(Reading, hands.session.case.code).answers
    assert answers["free note"] == {"text": WORDS}
    assert answers["adequacy tendon"] == {"not_assessable": "metal"}


def test_a_click_on_an_image_leaves_the_note_and_keys_act_again(hands):
    _, middle = middle_of_gap()
    hands.key("Alt+4")
    hands.press("free note")
    hands.type("seen")
    hands.click(COR, middle)
    hands.key("X", "Down", "G")
    assert note_of(hands) == "seen"
    assert not hands.window.panes[COR].shows_drawing
    assert hands.session.answers["gap slices"]["coronal oblique"]["count"] == 1
    hands.key("Alt+2")
    hands.press("tear width:draw")  # what is drawn next is seen
    assert hands.window.panes[COR].shows_drawing


def test_a_press_on_a_question_leaves_the_note_and_frames_it(hands):
    hands.key("Alt+4")
    hands.press("free note")
    hands.type("seen")
    hands.press("sugaya:IV")
    assert hands.window.dock.current.name == "sugaya"
    hands.key("5")
    assert hands.session.answers["sugaya"] == {"value": "V"}
    assert note_of(hands) == "seen"


def test_other_reasons_are_typed_and_kept(hands):
    hands.key("Tab", "N", "8")
    hands.type("n0t c0vered")
    hands.key("Enter")
    assert hands.session.answers["tear width"] == {"not_assessable": "other", "note": "n0t c0vered"}
    assert hands.window.dock.current.name == "straight retraction"


# -------------------------------------------------------------------- the question keys act on


def test_keys_act_on_the_question_whose_button_was_pressed(hands):
    """Drawn by its button, then E and Del: both go to that question, not to the one before."""
    longest, _ = middle_of_gap()
    hands.slice(COR, longest.index)
    assert hands.window.dock.current.name == "gap slices"
    hands.press("straight retraction:draw")
    assert hands.window.dock.current.name == "straight retraction"
    for point in longest.retraction_points:
        hands.click(COR, point)
    hands.key("E")
    assert set(hands.session.hand.proposal.answers) == {"straight retraction"}
    hands.key("R", "Del")
    assert "straight retraction" not in hands.session.answers


@pytest.mark.parametrize("act", ["image", "help", "light", "undo", "header", "wheel", "proposal"])
def test_whatever_was_pressed_the_next_key_still_acts(hands, act):
    _, middle = middle_of_gap()
    dock = hands.window.dock
    acts = {
        "image": lambda: hands.click(COR, middle),
        "help": lambda: hands.key("F1", "Esc"),
        "light": lambda: hands.click_at(centre(hands, dock.light)),
        "undo": lambda: hands.click_at(centre(hands, dock.undo)),
        "header": lambda: hands.key("Alt+3", "Alt+2"),
        "wheel": lambda: hands.wheel(COR, -1),
        "proposal": lambda: hands.key("F", "Esc"),
    }
    acts[act]()
    place = hands.session.viewing.panes[COR].place
    hands.slice(COR, place)
    hands.key("Down")
    assert hands.session.viewing.panes[COR].place == place + 1
    before = hands.session.answers.get("gap slices")
    hands.key("Alt+2", "2") if act == "undo" else None
    hands.key("G")
    assert hands.session.answers.get("gap slices") != before


def centre(hands, widget) -> QPoint:
    return widget.mapTo(hands.window, widget.rect().center())


def test_the_number_block_answers_and_goes_on(hands):
    block = Qt.KeyboardModifier.KeypadModifier
    hands.key("Alt+4")
    hands.key("5", modifiers=block)
    assert hands.session.answers["sugaya"] == {"value": "V"}
    hands.press("sugaya:V")  # taken away again, and framed
    hands.key("Enter", modifiers=block)
    assert hands.window.dock.current.name != "sugaya"


# -------------------------------------------------------------------- the images


def test_keys_never_go_to_a_pane_that_is_not_there(hands):
    """This scan has no axial images: from the sagittal pane, right is the coronal again."""
    seen = []
    for _ in range(4):
        hands.key("Right")
        seen.append(hands.session.viewing.active)
        assert hands.window.panes[seen[-1]].isVisible()
    assert set(seen) == {COR, SAG}


def test_a_touchpad_scrolls_as_far_as_a_wheel(hands):
    place = hands.session.viewing.panes[COR].place
    hands.wheel(COR, *[-1 / 8] * 16)
    assert hands.session.viewing.panes[COR].place == place + 2
    hands.wheel(COR, -0.5, 1)  # half a notch does not count against a turn the other way
    assert hands.session.viewing.panes[COR].place == place + 1


def test_scrolling_goes_the_way_the_slices_are_numbered(hands):
    """Wheel and keys agree, and the cursor moves with them along the normal."""
    stack = scanned().stacks[0]
    hands.click(COR, middle_of_gap()[1])
    place, before = hands.session.viewing.panes[COR].place, hands.session.viewing.cursor
    hands.wheel(COR, -1)
    hands.key("PgDown")
    assert hands.session.viewing.panes[COR].place == place + 2
    step = [b - a for a, b in zip(stack.positions[place], stack.positions[place + 2], strict=True)]
    moved = [b - a for a, b in zip(before, hands.session.viewing.cursor, strict=True)]
    assert moved == pytest.approx(step, abs=0.01)
    assert f"slice {place + 3} of" in hands.session.viewing.panes[COR].slice_words


def test_dragging_with_the_other_buttons_moves_grey_and_image_and_no_point(hands):
    pane, handle = hands.window.panes[COR], hands.window.windowHandle()
    at = pane.sheet.mapTo(hands.window, pane.sheet.rect().center())
    grey, answers = pane._grey, dict(hands.session.answers)
    for button in (Qt.MouseButton.RightButton, Qt.MouseButton.MiddleButton):
        QTest.mousePress(handle, button, NONE, at)
        QTest.mouseMove(handle, at + QPoint(20, 30))
        QTest.mouseRelease(handle, button, NONE, at + QPoint(20, 30))
    assert pane._grey != grey
    assert not pane.canvas.is_fitted
    hands.key("B", "Z")
    assert pane._grey == grey
    assert pane.canvas.is_fitted
    assert hands.session.answers == answers


def test_lines_reach_the_pointer_while_it_drags(hands):
    longest, _ = middle_of_gap()
    start, end = longest.retraction_points
    hands.slice(COR, longest.index)
    hands.press("straight retraction:draw")
    for point in (start, end):
        hands.click(COR, point)
    handle, sheet = hands.window.windowHandle(), hands.window.panes[COR].sheet
    QTest.mousePress(handle, LEFT, NONE, hands.at(COR, end))
    assert sheet.held is None  # pressed, and not dragged yet
    away = hands.at(COR, longest.gap_points[0])
    QTest.mouseMove(handle, away)
    QApplication.processEvents()
    assert sheet.held is not None
    QTest.mouseRelease(handle, LEFT, NONE, away)
    assert sheet.held is None
    moved = hands.session.answers["straight retraction"]["points"][1]
    assert moved == pytest.approx(hands.under(COR, away))
