"""Whole readings with the dock, finding the way in it, and signing: by mouse and keys.

What a measurement implies is Sugaya's (Arthroscopy 2005, J Bone Joint Surg Am 2007; from memory):
type IV for a gap in one or two slices, V for more.
"""

from __future__ import annotations

import os

import pytest

pytest.importorskip("PySide6", reason="needs the reading extra")

pytestmark = [
    pytest.mark.gui,
    pytest.mark.filterwarnings("ignore::DeprecationWarning"),
    pytest.mark.skipif(not os.environ.get("DISPLAY"), reason="needs a display"),
]

from dock_room import read_by_keys, set_points  # noqa: E402 - after the skip


def test_a_torn_case_is_read_signed_and_left_without_the_mouse(window):
    from reading_desk import PHRASE, torn

    at = window()
    code = at.session.case.code
    read_by_keys(at, sugaya="4")
    expected = torn()
    assert {name: at.answer(name) for name in expected} == expected
    assert at.strokes == 21
    assert at.dock.signing.phrase.hasFocus()  # nothing is missing, so it is the next thing
    at.type(PHRASE)
    at.press("Return")
    assert at.session.signed.reading == code
    assert "Signed at 12:00" in at.words()
    at.press("F4")
    assert at.session.case.code != code
    assert at.session.answers == {}
    assert at.dock.current.name == "adequacy tendon"


def test_a_grade_beside_the_measurements_is_told_in_words_and_signed_all_the_same(window):
    from reading_desk import PHRASE

    at = window()
    read_by_keys(at, sugaya="5")
    words = "V was given, but gap in 2 coronal and 1 sagittal slices"
    assert words in at.words()
    assert "which implies IV" in at.words()
    at.type(PHRASE)
    at.press("Return")
    assert [words in each for each in at.session.signed.mismatches] == [True]
    assert "Recorded with the reading" in at.words()
    assert words in at.words()


def test_a_healed_case_is_read_with_the_mouse(window):
    from reading_desk import healed

    at = window()
    for name in ("tendon", "thickness", "muscle"):
        at.click(f"adequacy {name}:adequate")
    at.press("Alt+2")
    at.click("tendon defect:no full-thickness defect")
    for name, first, last in (
        ("tendon thickness", (-30, -11.2, 40), (-27, -11.2, 44)),
        ("reference thickness", (-20, -11.2, 40), (-17, -11.2, 44)),
    ):
        at.click(f"{name}:draw")
        set_points(at.session, first, last, alias="0.1.3")
    at.click("bright signal:yes")
    at.press("Alt+3")
    at.click("goutallier supraspinatus:1")
    at.click("goutallier infraspinatus:2")
    at.click("goutallier subscapularis:unseen")
    at.click("goutallier subscapularis::coverage")
    at.press("Alt+4")
    at.click("sugaya:II")
    expected = healed()
    assert {name: at.answer(name) for name in expected} == expected
    assert "Nothing is missing" in at.words()


# -------------------------------------------------------------------- finding the way


def test_a_click_on_what_is_missing_goes_there(window):
    at = window()
    at.press("1", "1", "1", "2", "Alt+4")
    assert "9 missing" in at.words()
    at.click("missing:tear width")
    assert at.dock.current.name == "tear width"
    assert at.dock.current.isVisible()
    assert at.dock.current.hasFocus()


def test_each_step_says_what_is_missing_and_opens_and_closes_by_its_key(window):
    at = window()
    titles = [box.header.text() for box in at.dock.steps.values()]
    assert [title.split("  ")[1].strip() for title in titles] == [
        "Adequacy",
        "Tear",
        "Muscle",
        "Grade and sign",
    ]
    assert "3 missing" in titles[0]
    boxes = list(at.dock.steps.values())
    for number, box in enumerate(boxes, 1):
        at.press(f"Alt+{number}")
        assert [each.is_open for each in boxes] == [each is box for each in boxes]
    at.test.mouseClick(boxes[3].header, at.qt.MouseButton.LeftButton)
    assert not any(each.is_open for each in boxes)
    at.test.mouseClick(boxes[0].header, at.qt.MouseButton.LeftButton)
    assert boxes[0].is_open


def test_tab_goes_through_what_is_asked_in_order_and_back(window):
    at = window()
    at.press("1", "1", "1", "2", "Alt+2")
    seen = [at.dock.current.name]
    for _ in range(6):
        at.press("Tab")
        seen.append(at.dock.current.name)
    asked = [name for name in at.session.form.names if at.session.standing.is_asked(name)]
    start = asked.index(seen[0])
    assert seen == asked[start : start + 7]
    at.press("Shift+Tab")
    assert at.dock.current.name == seen[-2]


def test_a_wrong_pass_phrase_signs_nothing_and_says_so(window):
    at = window()
    read_by_keys(at, sugaya="4")
    at.type("eight slow snails")
    at.click("sign")
    assert at.session.signed is None
    assert "Not signed" in at.words()
    assert at.dock.signing.phrase.text() == ""
    assert at.session.answers


def test_with_something_missing_there_is_nothing_to_press_for_signing(window):
    at = window()
    at.press("Ctrl+Return")
    at.type("seven slow snails")
    at.press("Return")
    assert not at.find("sign").isEnabled()
    assert at.session.signed is None


def test_a_note_typed_just_before_signing_is_signed(window):
    from reading_desk import PHRASE

    at = window()
    read_by_keys(at, sugaya="4")
    at.find("free note").setFocus()
    at.type("small joint effusion")
    at.press("Ctrl+Return")
    at.type(PHRASE)
    at.press("Return")
    assert at.session.signed is not None
    assert at.answer("free note") == {"text": "small joint effusion"}
    assert at.session.standing.can_sign


def test_after_the_last_case_the_dock_is_empty_and_says_why(window):
    from reading_desk import PHRASE

    at = window(alone=True)
    for _ in range(2):
        at.press("N", "1", "N", "1", "N", "1")
        at.type(PHRASE)
        at.press("Return", "F4")
    assert at.session.case is None
    assert "No case" in at.words()
    assert "2 of 2 signed" in at.words()
    assert "Nothing on your list can be read now" in at.words()
    at.press(
        "1", "D", "N", "G", "Return", "Ctrl+Return", "Tab", "Del", "Alt+1"
    )  # nothing to act on
    assert at.session.case is None


def test_a_case_whose_images_cannot_be_read_is_told_and_the_window_stays(window, monkeypatch):
    from reading_desk import PHRASE

    from imgtrack.domain.errors import Fault, Unavailable

    at = window()

    def fails() -> bool:
        raise Unavailable(Fault("the images of this case cannot be read"))

    at.press("N", "1", "N", "1", "N", "1")
    at.type(PHRASE)
    at.press("Return")
    monkeypatch.setattr(at.session, "open_next", fails)
    at.press("F4")
    assert "Not opened: the images of this case cannot be read" in at.words()
