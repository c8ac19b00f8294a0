"""Every kind of question in the dock: given, shown, taken back, by mouse and keys."""

from __future__ import annotations

import os

import pytest

pytest.importorskip("PySide6", reason="needs the reading extra")

pytestmark = [
    pytest.mark.gui,
    pytest.mark.filterwarnings("ignore::DeprecationWarning"),
    pytest.mark.skipif(not os.environ.get("DISPLAY"), reason="needs a display"),
]

from dock_room import read_by_keys, set_points, top_of  # noqa: E402 - after the skip

# -------------------------------------------------------------------- one answer at a time


def test_a_click_answers_and_the_same_click_takes_it_back(window):
    at = window()
    at.click("adequacy tendon:adequate")
    assert at.answer("adequacy tendon") == {"value": "adequate"}
    assert at.find("adequacy tendon:adequate").isChecked()
    at.click("adequacy tendon:adequate")
    assert at.answer("adequacy tendon") is None
    assert not at.find("adequacy tendon:adequate").isChecked()
    at.press("Ctrl+Z")
    assert at.answer("adequacy tendon") == {"value": "adequate"}
    at.press("Ctrl+Shift+Z")
    assert at.answer("adequacy tendon") is None


def test_keys_act_on_the_framed_question_though_the_images_have_the_focus(window):
    at = window()
    at.test.mouseClick(at.images, at.qt.MouseButton.LeftButton)
    assert at.images.hasFocus()
    at.press("1")
    assert at.answer("adequacy tendon") == {"value": "adequate"}
    assert at.dock.current.name == "adequacy thickness"


def test_the_keys_of_grades_that_are_digits_are_those_digits(window):
    at = window()
    at.press("1", "1", "1", "Alt+3", "0")
    assert at.answer("goutallier supraspinatus") == {"value": "0"}
    at.press("5")  # there is no such grade
    assert at.answer("goutallier infraspinatus") is None


def test_not_assessable_takes_a_reason_and_other_takes_words(window):
    at = window()
    at.press("N", "1")
    assert at.answer("adequacy tendon") == {"not_assessable": "motion"}
    at.press("Shift+Tab", "N", "8")  # N takes the reason away; 8 means nothing then
    assert at.dock.current.name == "adequacy tendon"
    assert at.answer("adequacy tendon") is None
    at.press("N", "8")
    at.type("0 5")  # digits are typed, not taken for answers
    at.press("Return")
    assert at.answer("adequacy tendon") == {"not_assessable": "other", "note": "0 5"}
    assert not [each for each in at.session.standing.missing if each.question == "adequacy tendon"]


def test_what_falls_with_an_answer_says_so(window):
    at = window()
    at.press("N", "3", "Alt+2")
    assert "not assessable: coverage, as said above" in at.words()


def test_gap_slices_are_counted_with_their_mm_as_they_are_marked(window):
    from imgtrack.domain.protocol import Plane
    from imgtrack_napari.events import Event

    at = window()
    at.press("1", "1", "1", "2")
    viewing = at.session.viewing
    viewing.active = Plane.CORONAL_OBLIQUE
    for place, words in ((2, "1 slice · 4.4 mm"), (3, "2 slices · 8.8 mm")):  # 4.4 mm apart
        viewing.panes[viewing.active].place = place
        at.session.tell(Event.VIEW)
        at.click("gap slices:coronal oblique:mark")
        assert f"coronal oblique: {words}" in at.words()
    at.press("G")
    assert "coronal oblique: 1 slice · 4.4 mm" in at.words()
    at.click("gap slices:sagittal oblique:none")
    assert "sagittal oblique: no slice" in at.words()
    at.click("gap slices:sagittal oblique:unseen")
    at.click("gap slices:sagittal oblique:metal")
    assert "sagittal oblique: not assessable, metal" in at.words()


def test_a_length_is_drawn_shown_taken_away_and_brought_back(window):
    from reading_desk import torn

    at = window()
    at.press("1", "1", "1", "2", "Tab", "D")
    assert at.find("tear width:draw").isChecked()
    assert "click: anterior edge of the tear" in at.words()
    set_points(at.session, (15.6, 0, 40), alias="0.2.2")
    assert "click: posterior edge of the tear" in at.words()
    at.press("Backspace")
    assert "click: anterior edge of the tear" in at.words()
    at.press("Esc")
    assert not at.find("tear width:draw").isChecked()
    assert at.answer("tear width") is None
    at.press("D")
    set_points(at.session, (15.6, 0, 40), (15.6, 9, 52), alias="0.2.2")
    assert at.answer("tear width") == torn()["tear width"]
    assert at.dock.cards["tear width"].value.text() == "15.0 mm"  # 9, 12, 15
    at.press("Del")
    assert at.answer("tear width") is None
    at.press("Ctrl+Z")
    at.click("tear width:delete")
    assert at.answer("tear width") is None


def test_a_suggestion_waits_beside_its_question_until_it_is_decided(window):
    from reading_desk import line

    from imgtrack_napari.events import Event
    from imgtrack_napari.proposing import Proposal

    at = window()
    at.press("1", "1", "1", "2")
    value = line(15.0, [[15.6, 0, 40], [15.6, 9, 52]], "0.2.2")
    value["origin"] = "suggestion accepted"
    places = {name: top_of(at, name) for name in ("gap slices", "tear width", "patte landmarks")}
    for key, kept in (("R", None), ("A", value)):
        at.session.hand.proposal = Proposal({"tear width": value}, "Proposed.")
        at.session.tell(Event.TOOL)
        assert "→ 15.0 mm" in at.words()
        assert at.answer("tear width") is None
        assert {name: top_of(at, name) for name in places} == places
        at.press(key)
        assert at.answer("tear width") == kept
        assert "→ 15.0 mm" not in at.words()
    at.dock.go_to("tear width")
    assert "Suggested by the program, accepted by you" in at.words()


def test_answers_that_no_longer_apply_go_with_one_key_and_come_back_with_one(window):
    at = window()
    read_by_keys(at, sugaya="4")
    before = dict(at.session.answers)
    at.press("Alt+2")
    at.click("tendon defect:no full-thickness defect")
    assert "this cannot be answered beside an earlier answer" in at.words()
    at.click("gap slices:leftover")
    assert not {"gap slices", "tear width", "patte landmarks", "patte_stage"} & set(
        at.session.answers
    )
    assert "this cannot be answered beside an earlier answer" not in at.words()
    at.press("Ctrl+Z", "Ctrl+Z")
    assert at.session.answers == before


# -------------------------------------------------------------------- every kind of question


def test_parts_of_a_ratio_a_word_and_an_index_can_be_given(window):
    at = window(wide=True)
    at.press("1", "1", "1", "1", "2", "Alt+2")
    at.click("footprint coverage:covered:none")
    at.click("footprint coverage:footprint:draw")
    set_points(at.session, (-30, -11.2, 40), (-18, -11.2, 45), alias="0.1.3")  # 5, 12, 13
    assert at.answer("footprint coverage")["footprint"]["mm"] == pytest.approx(13.0)
    assert at.answer("footprint coverage")["value"] == 0.0
    assert at.dock.cards["footprint coverage"].value.text() == "0.00"
    at.dock.go_to("occupation ratio")
    at.settle()
    at.press("2")
    assert at.answer("occupation ratio") == {"fossa_roof": "spine-coracoid line"}
    at.dock.go_to("retear_pattern")  # not asked without a Sugaya type, but a place to go on from
    at.settle()
    at.press("Tab")
    assert at.find("shine").hasFocus()
    at.type("13")
    at.press("Return")
    assert at.answer("shine") is None
    assert "from 0 to 12.5" in at.words()
    at.type("7.5")  # over what could not be kept
    at.press("Return")
    assert at.answer("shine") == {"value": 7.5}


def test_implants_are_marked_seated_graded_and_taken_away(window):
    at = window(wide=True)
    at.press("1", "1", "1", "1", "2")
    at.dock.go_to("implant positions")
    at.settle()
    for point in ((-30, -11.2, 40), (-20, -11.2, 40)):
        at.press("D")
        set_points(at.session, point, alias="0.1.3")
    at.press("2")
    at.click("implant positions:1:3")
    at.click("implant positions:2:metal")
    first, second = at.answer("implant positions")["implants"]
    assert (first["seat"], second["seat"]) == ("in place", "proud of the bone")
    assert first["grades"]["peri_implant_fluid"] == {"value": "3"}
    assert second["grades"]["peri_implant_fluid"] == {"not_assessable": "metal"}
    at.click("implant positions:1:delete")
    at.click("implant positions:2:delete")
    at.click("implant positions:none")
    assert at.answer("implant positions") == {"implants": []}


def test_a_note_is_kept_as_it_is_typed_and_takes_letters_that_are_keys(window):
    at = window()
    at.press("1", "1", "1", "Alt+4")
    at.test.mouseClick(at.find("free note"), at.qt.MouseButton.LeftButton)
    at.find("free note").setFocus()
    at.type("hand 1g")
    at.press("Esc")
    assert at.answer("free note") == {"text": "hand 1g"}
    assert not at.dock.help.isVisible()
