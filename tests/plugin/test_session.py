"""A reading from the first answer to the signature, without any window.

The geometry and lengths of the invented study are Pythagorean triples by hand; see
``tests/desk/reading_desk.py``.
"""

from __future__ import annotations

import gc
from datetime import date

import pytest
from blindness import found_in
from reading_desk import COMMON, PHRASE, torn

from imgtrack.domain.form import Reason, Step
from imgtrack.domain.protocol import Plane
from imgtrack.domain.reading import Reading
from imgtrack_napari.figures import Handle, figures_of
from imgtrack_napari.measuring import Placed

CORONAL, SAGITTAL = Plane.CORONAL_OBLIQUE, Plane.SAGITTAL_OBLIQUE


def at(alias, *points):
    return [Placed(tuple(map(float, point)), alias) for point in points]


def draw(session, name, placed, part=""):
    session.hand.start(name, part)
    for each in placed:
        assert session.hand.click(each), session.message


def begin_torn(session):
    for name in ("adequacy tendon", "adequacy thickness", "adequacy muscle"):
        session.choose(name, "adequate")
    session.choose("tendon defect", "full-thickness defect")


def mark(session, plane, *aliases):
    for alias in aliases:
        session.viewing.show_image(alias)
        session.hand.toggle_gap(plane)


def read_torn(session):
    """Do with clicks and choices what `torn` writes down."""
    begin_torn(session)
    mark(session, CORONAL, "0.1.3", "0.1.4")
    mark(session, SAGITTAL, "0.2.2")
    draw(session, "tear width", at("0.2.2", (15.6, 0, 40), (15.6, 9, 52)))
    draw(session, "straight retraction", at("0.1.3", (-30, -11.2, 40), (-18, -11.2, 45)))
    landmarks = [(-30, -11.2, 40), (-15, -11.2, 55), (0, -11.2, 40), (-18, -11.2, 45)]
    draw(session, "patte landmarks", at("0.1.3", *landmarks))
    for name in ("patte_stage", "sugaya", "retear_pattern"):
        session.choose(name, torn()[name]["value"])
    session.choose("goutallier supraspinatus", "1")
    session.choose("goutallier infraspinatus", "2")
    session.not_assessable("goutallier subscapularis", Reason.COVERAGE)


def test_clicks_give_the_answers_that_were_worked_out_by_hand(session, study):
    read_torn(session)
    answers = session.answers
    assert answers["tear width"]["mm"] == pytest.approx(15.0)
    assert answers["straight retraction"]["mm"] == pytest.approx(13.0)
    landmarks = answers["patte landmarks"]["mm"]
    assert landmarks == pytest.approx({"stump": 12.0, "apex": 15.0, "rim": 30.0})
    gaps = answers["gap slices"]
    assert gaps["coronal oblique"]["implied_mm"] == pytest.approx(8.8)
    assert gaps["sagittal oblique"]["count"] == 1
    assert session.standing.missing == ()
    assert session.sign(PHRASE), session.message
    with study.store.look() as look:
        reading = look.get(Reading, session.case.code)
    assert reading.answers["sugaya"] == {"value": "IV"}
    assert reading.answers["tear width"]["origin"] == "drawn"


def test_what_is_missing_is_told_by_step_until_nothing_is(session):
    first = session.standing
    assert [each.question for each in first.missing_in(Step.ADEQUACY)] == [
        "adequacy tendon",
        "adequacy thickness",
        "adequacy muscle",
    ]
    assert not session.sign(PHRASE)
    assert "Not signed" in session.message
    begin_torn(session)
    tear = {each.question for each in session.standing.missing_in(Step.TEAR)}
    assert {"gap slices", "tear width", "straight retraction"} <= tear


def test_a_grade_against_the_measurements_is_told_in_words(session):
    read_torn(session)
    assert "sugaya" not in session.standing.mismatches
    session.choose("sugaya", "V")  # one sagittal slice of a gap seen in two coronal ones: type IV
    words = session.standing.mismatches["sugaya"]
    assert "V was given" in words
    assert "implies IV" in words


def test_the_draft_is_there_after_the_window_dies(session, new_session, clock):
    begin_torn(session)
    draw(session, "tear width", at("0.2.2", (15.6, 0, 40), (15.6, 9, 52)))
    answers = dict(session.answers)
    again = new_session()  # the first one is never closed: it died
    assert again.open_next()
    assert again.case.code == session.case.code
    assert again.answers == answers
    session.choose("sugaya", "IV")
    assert "Not saved" in session.message
    assert "another window" in session.message


def test_undo_takes_back_points_then_answers_and_redo_gives_them_again(session):
    begin_torn(session)
    session.hand.start("tear width")
    session.hand.click(at("0.2.2", (15.6, 0, 40))[0])
    session.undo()
    assert session.hand.tool.points == []
    session.hand.cancel()
    session.undo()
    assert "tendon defect" not in session.answers
    session.redo()
    assert session.answers["tendon defect"] == {"value": "full-thickness defect"}


def test_dragging_a_point_measures_again_and_deleting_takes_it_away(session):
    begin_torn(session)
    draw(session, "tear width", at("0.2.2", (15.6, 0, 40), (15.6, 9, 52)))
    session.hand.move(Handle("tear width", "", 1), at("0.2.2", (15.6, 5, 52))[0])
    assert session.answers["tear width"]["mm"] == pytest.approx(13.0)
    (figure,) = figures_of(session.form, session.answers)
    assert figure.words == "13.0 mm"
    session.clear("tear width")
    assert "tear width" not in session.answers


@pytest.mark.parametrize(
    ("name", "placed", "words"),
    [
        ("tear width", at("0.1.3", (-30, -11.2, 40)), "sagittal oblique"),
        ("straight retraction", at("0.2.2", (15.6, 0, 40)), "coronal oblique"),
    ],
)
def test_a_click_in_a_wrong_plane_is_refused_in_words(session, name, placed, words):
    begin_torn(session)
    session.hand.start(name)
    assert not session.hand.click(placed[0])
    assert words in session.message


def test_landmarks_stay_on_one_slice(session):
    begin_torn(session)
    session.hand.start("patte landmarks")
    assert session.hand.click(at("0.1.3", (-30, -11.2, 40))[0])
    assert not session.hand.click(at("0.1.4", (-15, -6.8, 55))[0])
    assert "another slice" in session.message


def test_gap_marks_need_a_defect_and_no_slice_is_an_answer(session):
    session.hand.toggle_gap(CORONAL)
    assert "gap slices" not in session.answers
    begin_torn(session)
    session.hand.no_gap(SAGITTAL)
    assert session.answers["gap slices"]["sagittal oblique"]["count"] == 0
    mark(session, CORONAL, "0.1.3", "0.1.3")
    assert session.answers["gap slices"]["coronal oblique"]["count"] == 0


def test_signing_with_a_wrong_phrase_says_so_and_keeps_everything(session):
    read_torn(session)
    assert not session.sign("wrong phrase")
    assert "Not signed" in session.message
    assert session.sign(PHRASE)


def test_cases_follow_until_the_list_is_read(session):
    for number in range(1, 4):
        read_torn(session)
        assert session.sign(PHRASE), session.message
        assert session.progress == (number, 3)
        is_more = session.open_next()
        assert is_more is (number < 3)
    assert session.case is None
    assert "Nothing on your list" in session.message


def test_the_next_case_is_loaded_ahead_and_only_once(session, shelf):
    import time

    deadline = time.monotonic() + 5
    while len(shelf.loads) < 4 and time.monotonic() < deadline:
        time.sleep(0.01)
    assert len(shelf.loads) == 4  # both series of the open case and of the next one
    session.open_next()  # the unsigned case comes again: it is first on the list
    loaded = list(shelf.loads)
    read_torn(session)
    assert session.sign(PHRASE)
    session.open_next()
    for series in session.case.series:
        session.images.pixels(series.alias)
    assert len(shelf.loads) <= len(loaded) + 4


def test_nothing_that_tells_a_person_can_be_reached_from_the_window(session, study):
    read_torn(session)
    for series in session.case.series:
        session.images.pixels(series.alias)
    gc.collect()
    planted = ("S001", "S002", "S003", "2.25.11", "2.25.21", "2.25.31", "2031-01-10", "DOUBLEROW")
    planted += ("m06", "6 months", "study.sqlite", str(study.folder))
    assert found_in(session, planted) - {"datetime"} == set()
    assert not [each for each in gc.get_referents(session) if isinstance(each, date)]


def test_common_answers_are_those_of_the_desk():
    """The test of the test: what `read_torn` leaves out is what the desk's sample has."""
    assert set(COMMON) < set(torn())
