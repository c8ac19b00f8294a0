"""An adjudicator settles in the window, with both first readings beside, or without them.

Width and retraction of the two readings are drawn on the phantom's truth and a known step beside
it, so that what stands on cards and images can be told beforehand.
"""

from __future__ import annotations

import os

import pytest

pytest.importorskip("napari", reason="needs the reading extra")

from gui.hands import Hands
from gui.window_desk import (
    PHRASE,
    Plane,
    middle_of_gap,
    phantom_study,
    scanned,
    session_of,
    window_on,
)

from imgtrack.domain.cases import Case
from imgtrack.domain.reading import Reading, Round, Verdict
from imgtrack_napari.measuring import Placed

pytestmark = [
    pytest.mark.gui,
    pytest.mark.filterwarnings("ignore::DeprecationWarning"),
    pytest.mark.skipif(not os.environ.get("DISPLAY"), reason="needs a display"),
]

COR, SAG = Plane.CORONAL_OBLIQUE, Plane.SAGITTAL_OBLIQUE
ASK = ("straight retraction",)
GRADES = {"R1": "IV", "R2": "V"}


def read(study, who: str) -> float:
    """Read as R1 or R2, who differ in the grade and draw the retraction; return its millimetres."""
    session = session_of(study, who)
    session.open_next()
    choices = {
        "adequacy tendon": "adequate",
        "tendon defect": "full-thickness defect",
        "sugaya": GRADES[who],
        "retear_pattern": "1",
        "patte_stage": "1",
    }
    session.put({name: {"value": choice} for name, choice in choices.items()})
    session.put({"adequacy muscle": {"not_assessable": "motion"}})
    assert session.beside == ()  # a first reader sees nobody's answers
    longest, _ = middle_of_gap()
    series = next(each for each in session.case.series if each.plane is COR)
    start, end = longest.retraction_points
    if who == "R2":  # nearer by a quarter
        end = tuple(a + 0.75 * (b - a) for a, b in zip(start, end, strict=True))
    session.hand.start("straight retraction")
    for point in (start, end):
        assert session.hand.click(Placed(tuple(point), series.images[longest.index].alias))
    millimetres = session.answers["straight retraction"]["mm"]
    missing = [each.question for each in session.standing.missing]
    session.put({name: {"not_assessable": "metal"} for name in missing})
    assert session.sign(PHRASE), session.message
    session.close()
    return millimetres


def settling_at(study):
    """Return the window of the adjudicator whose case it is, and what the two readers drew."""
    drawn = {who: read(study, who) for who in ("R1", "R2")}
    with study.store.look() as look:
        (asked,) = (case.reader for case in look.all(Case) if case.round is Round.SETTLING)
    return window_on(study, asked), asked, drawn


def words(window, name: str) -> str:
    label = window.dock.cards[name].beside
    return label.text() if label.isVisible() else ""


def test_both_readings_stand_beside_the_questions_and_a_third_is_recorded(tmp_path):
    study = phantom_study(tmp_path / "desk", repairs=1, ask=ASK)
    window, asked, drawn = settling_at(study)
    try:
        hands = Hands(window)
        session = hands.session
        assert session.answers == {}  # nothing is answered for the adjudicator
        assert "First readings A and B stand beside your answers" in session.message
        by_label = {each.label: each.answers["sugaya"]["value"] for each in session.beside}
        assert sorted(by_label.values()) == ["IV", "V"]
        hands.key("1", "N", "1", "2")
        lengths = {
            label: drawn[next(who for who, grade in GRADES.items() if grade == given)]
            for label, given in by_label.items()
        }
        assert words(window, "straight retraction") == "≠ " + "   ".join(
            f"{label}: {lengths[label]:.1f} mm" for label in "AB"
        )
        same = "A: full-thickness defect\nB: full-thickness defect"
        assert words(window, "tendon defect") == same
        hands.slice(COR, middle_of_gap()[0].index)
        figures = window.panes[COR].figures_beside
        assert {each.of: each.words for each in figures} == {
            label: f"{lengths[label]:.1f} mm" for label in "AB"
        }
        end = figures[0].points[1]
        hands.drag(COR, end, middle_of_gap()[1])  # a first reading cannot be moved
        assert window.panes[COR].figures_beside == figures
        assert session.answers.get("straight retraction") is None
        hands.press("straight retraction:draw")
        for point in middle_of_gap()[0].retraction_points:
            hands.click(COR, point)
        for missing in [each.question for each in session.standing.missing]:
            if missing not in {"sugaya", "retear_pattern"}:
                hands.press(f"{missing}:unseen")
                hands.press(f"{missing}::metal")
        hands.key("Alt+4")
        assert words(window, "sugaya") == f"≠ A: {by_label['A']}   B: {by_label['B']}"
        hands.key("5", "1")
        hands.sign(PHRASE)
        assert session.signed is not None, session.standing.missing
        with study.store.look() as look:
            (verdict,) = look.all(Verdict)
            settled = look.get(Reading, session.case.code)
            first = [each for each in look.all(Reading) if each.round is Round.FIRST]
        assert verdict.decided_by == asked
        assert verdict.answers["sugaya"] == {"value": "V"}
        assert "first readings" in settled.shown
        assert [each.answers["sugaya"]["value"] for each in first] == ["IV", "V"]  # both stay
    finally:
        window.close()
        study.close()


def test_no_reading_is_shown_where_the_protocol_shows_none(tmp_path):
    study = phantom_study(tmp_path / "desk", repairs=1, ask=ASK, settle_shows_readings="false")
    window, _, _ = settling_at(study)
    try:
        assert window.session.beside == ()
        assert not any(words(window, name) for name in window.dock.cards)
        Hands(window).key("1", "N", "1", "2")
        assert window.panes[COR].figures_beside == ()
    finally:
        window.close()
        study.close()


def test_a_window_closed_in_the_middle_goes_on_where_it_was(tmp_path):
    """A note not yet kept, a line half drawn, a proposal not decided: the answers are whole."""
    study = phantom_study(tmp_path / "desk", repairs=1)
    window = window_on(study)
    hands = Hands(window)
    hands.key("1", "1", "1", "2", "Alt+4")
    hands.press("free note")
    hands.type("half a wor")
    hands.key("Esc", "Alt+2", "Tab", "D")
    hands.slice(SAG, scanned().slices("sagittal_oblique")[0].index)
    hands.click(SAG, scanned().slices("sagittal_oblique")[0].gap_points[0])
    code = window.session.case.code
    window.close()
    window = window_on(study)
    try:
        assert window.session.case.code == code
        assert window.session.answers["free note"] == {"text": "half a wor"}
        assert window.session.answers["tendon defect"] == {"value": "full-thickness defect"}
        assert "tear width" not in window.session.answers
        Hands(window).key("G")  # keys act at once
        assert window.session.answers["gap slices"]
    finally:
        window.close()
        study.close()
