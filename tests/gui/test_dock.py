"""The dock, driven by mouse and keys: it answers, explains, keeps still, signs, and can be read.

What a measurement implies is Sugaya's (Arthroscopy 2005, J Bone Joint Surg Am 2007; from memory):
type IV for a gap in one or two slices, V for more. Contrast is held to WCAG 2.2, 1.4.3 and 1.4.11.
Colour vision is simulated by Machado, Oliveira and Fernandes, IEEE TVCG 2009;15:1291-8, table of
matrices at severity 1.0 (from memory).
"""

from __future__ import annotations

import itertools
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("PySide6", reason="needs the reading extra")

sys.path.insert(0, str(Path(__file__).parent.parent / "desk"))  # for reading_desk

pytestmark = [
    pytest.mark.gui,
    pytest.mark.filterwarnings("ignore::DeprecationWarning"),
    pytest.mark.skipif(not os.environ.get("DISPLAY"), reason="needs a display"),
]

EVERYTHING = (
    'ask = ["gap slices", "tear width", "straight retraction", "patte landmarks", '
    '"footprint coverage", "tangent line", "occupation ratio", "implant positions"]'
)
MORE_SCALES = """
[[scale]]
name = "peri_implant_fluid"

[[scale]]
name = "deorio_cofield"

[[scale]]
name = "shine"

[[own_scale]]
id = "shine"
title = "Shine of the tendon"
grades = "how it shines"
unit = "repair"
modalities = ["MR"]
views = ["coronal oblique"]
[own_scale.range]
low = 0
high = 12.5
"""


@pytest.fixture(scope="module")
def app():
    from qtpy.QtWidgets import QApplication

    return QApplication.instance() or QApplication([])


def study_at(folder: Path, *, wide: bool = False, scans: int = 2):
    """Start a study with some scans allotted to R1; ``wide`` asks for everything a study can."""
    from reading_desk import Clock, add_scans, opened, prepare, with_phrase

    from imgtrack.desk.allot import allot

    made = prepare(folder)
    if wide:
        path = made / "study.toml"
        text = path.read_text("utf-8").replace("# ask = [", f"{EVERYTHING}\n# ask = [", 1)
        path.write_text(text + MORE_SCALES, "utf-8")
    study = opened(made, Clock())
    add_scans(study, range(1, scans + 1))
    allot(study)
    with_phrase(study, "R1")
    return study


@pytest.fixture(scope="module")
def shared(tmp_path_factory):
    """A study most tests sit down at: each signs a case, or leaves a draft that the next clears."""
    study = study_at(tmp_path_factory.mktemp("shared") / "desk", scans=12)
    yield study
    study.close()


@pytest.fixture
def desk(tmp_path, shared):
    """Sit down as R1 with the next case open and empty, at a study of one's own where asked."""
    from reading_desk import InventedShelf, desk_of

    from imgtrack.desk.booth import open_booth
    from imgtrack_napari.session import Session

    made = []

    def sit(*, wide: bool = False, alone: bool = False):
        own = wide or alone
        study = study_at(tmp_path / "desk", wide=wide) if own else shared
        session = Session(open_booth(desk_of(study, "R1"), shelf=InventedShelf()))
        assert session.open_next()
        session.put(dict.fromkeys(session.answers))
        made.extend([session, *([study] if own else [])])
        return session

    yield sit
    for each in made:
        each.close()


class Window:
    """The dock beside a stand-in for the images, and a hand on mouse and keyboard."""

    def __init__(self, session) -> None:
        from qtpy.QtCore import Qt
        from qtpy.QtTest import QTest
        from qtpy.QtWidgets import QHBoxLayout, QWidget

        from imgtrack_napari.dock import Dock

        self.session, self.test, self.qt = session, QTest, Qt
        self.dock = Dock(session)
        self.whole = QWidget()
        self.images = QWidget(self.whole)
        self.images.setFocusPolicy(Qt.FocusPolicy.ClickFocus)
        self.images.setMinimumSize(100, 100)
        layout = QHBoxLayout(self.whole)
        layout.addWidget(self.images)
        layout.addWidget(self.dock)
        self.whole.resize(560, 1000)
        self.whole.show()
        assert QTest.qWaitForWindowExposed(self.whole)
        self.whole.activateWindow()
        QTest.qWaitForWindowActive(self.whole)
        self.settle()
        self.strokes = self.clicks = 0

    def settle(self) -> None:
        for _ in range(2):
            self.test.qWait(1)

    def press(self, *keys) -> None:
        """Press keys one after the other, each a letter, a digit or a sequence of Qt's."""
        from qtpy.QtGui import QKeySequence
        from qtpy.QtWidgets import QApplication

        for key in keys:
            combination = QKeySequence(key)[0]
            target = QApplication.focusWidget() or self.whole
            self.test.keyClick(target, combination.key(), combination.keyboardModifiers())
            self.strokes += 1
            self.settle()

    def type(self, text: str) -> None:
        from qtpy.QtWidgets import QApplication

        self.test.keyClicks(QApplication.focusWidget(), text)
        self.strokes += len(text)
        self.settle()

    def find(self, name: str):
        from qtpy.QtWidgets import QWidget

        found = [each for each in self.dock.findChildren(QWidget, name) if each.isVisible()]
        assert len(found) == 1, f"{name}: {len(found)} on the screen"
        return found[0]

    def click(self, name: str) -> None:
        found = self.find(name)
        self.dock.area.ensureWidgetVisible(found)
        self.settle()
        self.test.mouseClick(found, self.qt.MouseButton.LeftButton)
        self.clicks += 1
        self.settle()

    def words(self) -> str:
        """Return every word on the screen, as a person sees it."""
        from qtpy.QtWidgets import QAbstractButton, QLabel

        kinds = (QLabel, QAbstractButton)
        shown = [each for kind in kinds for each in self.dock.findChildren(kind)]
        return "\n".join(each.text() for each in shown if each.isVisible())

    def answer(self, name: str):
        return self.session.answers.get(name)


@pytest.fixture
def window(app, desk):
    made = []

    def sit(**how) -> Window:
        made.append(Window(desk(**how)))
        return made[-1]

    yield sit
    for each in made:
        each.dock.close()
        each.whole.close()


def set_points(session, *points, alias: str) -> None:
    """Click in a pane; the panes' own tests do it with the mouse."""
    from imgtrack_napari.measuring import Placed

    for point in points:
        assert session.hand.click(Placed(tuple(map(float, point)), alias))


# -------------------------------------------------------------------- a whole reading


def read_by_keys(window: Window, *, sugaya: str) -> None:
    """Read a torn case without the mouse but for points on images."""
    from imgtrack.domain.protocol import Plane
    from imgtrack_napari.events import Event

    session = window.session
    window.press("1", "1", "1")  # the images serve
    window.press("2")  # full-thickness defect
    for plane, places in ((Plane.CORONAL_OBLIQUE, (2, 3)), (Plane.SAGITTAL_OBLIQUE, (1,))):
        session.viewing.active = plane
        for place in places:
            session.viewing.panes[plane].place = place
            session.tell(Event.VIEW)
            window.press("G")
    window.press("Return", "D")
    set_points(session, (15.6, 0, 40), (15.6, 9, 52), alias="0.2.2")
    window.press("Return", "D")
    set_points(session, (-30, -11.2, 40), (-18, -11.2, 45), alias="0.1.3")
    window.press("Return", "D")
    corners = [(-30, -11.2, 40), (-15, -11.2, 55), (0, -11.2, 40), (-18, -11.2, 45)]
    set_points(session, *corners, alias="0.1.3")
    window.press("Return", "1")  # Patte
    window.press("1", "2", "N", "3")  # Goutallier of three muscles, the last not covered
    window.press(sugaya, "1")


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


# -------------------------------------------------------------------- keeping still, being read


def top_of(at: Window, name: str) -> int:
    card = at.dock.cards[name]
    return card.mapTo(at.dock, card.rect().topLeft()).y()


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


def controls(at: Window):
    from qtpy.QtWidgets import QAbstractButton, QLineEdit, QPlainTextEdit

    return [
        each
        for kind in (QAbstractButton, QLineEdit, QPlainTextEdit)
        for each in at.dock.findChildren(kind)
        if not each.objectName().startswith("qt_")
    ]


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


def test_words_fit_on_their_buttons(window):
    from qtpy.QtWidgets import QPushButton

    at = window(wide=True)
    at.press("1", "1", "1", "1", "2")
    at.dock.setFixedWidth(at.dock.minimumWidth())
    at.session.hand.start("implant positions")
    set_points(at.session, (-30, -11.2, 40), alias="0.1.3")
    for number in range(1, 5):
        at.press(f"Alt+{number}")
        made = [each for each in at.dock.findChildren(QPushButton) if each.isVisible()]
        cut = [
            each.text()
            for each in made
            if each.fontMetrics().horizontalAdvance(each.text()) + 10 > each.width()
            or each.fontMetrics().height() > each.height()
        ]
        assert cut == []


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


# -------------------------------------------------------------------- colours


def luminance(colour: str) -> float:
    """Return the relative luminance as WCAG 2.2 defines it."""
    shares = np.array([int(colour[place : place + 2], 16) for place in (1, 3, 5)]) / 255
    linear = np.where(shares <= 0.04045, shares / 12.92, ((shares + 0.055) / 1.055) ** 2.4)
    return float(linear @ (0.2126, 0.7152, 0.0722))


def contrast_of(one: str, other: str) -> float:
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


LOOKS = ("DARK", "LIGHT")
SEEN_AS = {
    "protanopia": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "deuteranopia": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "tritanopia": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ],
}


@pytest.mark.parametrize("name", LOOKS)
def test_words_and_controls_stand_out_from_what_is_behind_them(name):
    from imgtrack_napari import look as looks

    look = getattr(looks, name)
    assert looks.contrast("#000000", "#ffffff") == pytest.approx(21)  # WCAG 2.2, the greatest
    words = [getattr(look, tone) for tone in ("text", *looks.TONES)]
    for colour, behind in itertools.product(words, (look.ground, look.panel, look.raised)):
        assert contrast_of(colour, behind) >= 4.5
    assert contrast_of(look.on_strong, look.strong) >= 4.5
    for behind in (look.ground, look.panel, look.raised):
        assert contrast_of(look.strong, behind) >= 3
        assert contrast_of(look.edge, behind) >= 3


@pytest.mark.parametrize("vision", SEEN_AS)
@pytest.mark.parametrize("name", LOOKS)
def test_what_is_chosen_is_told_by_lightness_with_any_colour_vision(name, vision):
    from imgtrack_napari import look as looks

    look = getattr(looks, name)
    seen = {each: as_seen(getattr(look, each), vision) for each in ("strong", "raised", "text")}
    assert contrast_of(seen["strong"], seen["raised"]) >= 3
    assert contrast_of(seen["text"], seen["raised"]) >= 4.5


@pytest.mark.parametrize("vision", SEEN_AS)
def test_what_is_drawn_by_the_reader_and_by_the_program_is_told_apart(vision):
    from skimage.color import deltaE_ciede2000, rgb2lab

    from imgtrack_napari import look as looks

    drawn = (looks.DRAWN, looks.PROPOSED, looks.IN_HAND)
    seen = [rgb2lab(rgb(as_seen(colour, vision))) for colour in drawn]
    for one, other in itertools.combinations(seen, 2):
        assert deltaE_ciede2000(one, other) > 10  # our limit: far above a just visible 2 or so


def rgb(colour: str):
    return np.array([int(colour[place : place + 2], 16) for place in (1, 3, 5)]) / 255


def as_seen(colour: str, vision: str) -> str:
    """Return a colour as somebody with that colour vision sees it."""
    shares = rgb(colour)
    linear = np.where(shares <= 0.04045, shares / 12.92, ((shares + 0.055) / 1.055) ** 2.4)
    seen = np.clip(np.array(SEEN_AS[vision]) @ linear, 0, 1)
    back = np.where(seen <= 0.0031308, seen * 12.92, 1.055 * seen ** (1 / 2.4) - 0.055)
    return "#" + "".join(f"{round(float(share) * 255):02x}" for share in back)


def test_signs_tell_states_apart_without_colour():
    from imgtrack_napari.look import Sign

    assert len({sign.value for sign in Sign}) == len(list(Sign))


def test_a_key_changes_between_light_and_dark(window):
    from imgtrack_napari.look import DARK, LIGHT

    at = window()
    assert at.dock.look is DARK
    at.press("F8")
    assert at.dock.look is LIGHT
    shot = at.dock.grab().toImage()
    assert luminance(shot.pixelColor(3, 200).name()) > 0.5
    at.press("F8")
    assert luminance(at.dock.grab().toImage().pixelColor(3, 200).name()) < 0.1
