"""Outlining for the fat fraction in a session, without a window.

Geometry and signals by hand, see tests/desk/dixon_desk.py.
"""

from __future__ import annotations

import pytest
from dixon_desk import (
    ASKED,
    MAP,
    OUTLINE,
    SD,
    DixonShelf,
    add_dixon_scans,
    add_mapped_scans,
    alias,
    fat_answer,
    mapped_answer,
)
from reading_desk import PHRASE, Clock, add_scans, desk_of, healed, opened, prepare, with_phrase

from imgtrack.desk.cases.allot import allot
from imgtrack.desk.cases.booth import open_booth
from imgtrack.domain.protocol import Plane
from imgtrack.domain.reading import Reading
from imgtrack_napari.dixon import NONE_HERE, can_measure
from imgtrack_napari.figures import Handle, Shape, figures_of
from imgtrack_napari.measuring import Placed
from imgtrack_napari.session import Session

NAME = "fat fraction"
SAGITTAL = Plane.SAGITTAL_OBLIQUE


@pytest.fixture
def sit(tmp_path):
    """Sit down at a study of one scan, with or without a Dixon acquisition."""
    made = []

    def at(add, shelf=None):
        study = opened(prepare(tmp_path / "desk"), Clock(), optional=ASKED)
        add(study, [1])
        allot(study)
        with_phrase(study, "R1")
        session = Session(open_booth(desk_of(study, "R1"), shelf=shelf or DixonShelf()))
        assert session.open_next(), session.message
        session.put(healed())
        made.extend([session, study])
        return session, study

    yield at
    for each in made:
        each.close()


@pytest.fixture
def session(sit):
    return sit(add_dixon_scans)[0]


def draw(session, on="in phase"):
    session.hand.start(NAME)
    for point in OUTLINE:
        assert session.hand.click(Placed(tuple(point), alias(session.case, on))), session.message
    assert session.hand.end(), session.message


def approx(answer):
    """Return an answer whose numbers need not be equal to the last bit."""
    numbers = ("percent", "sd_percent", "mm2")
    return answer | {key: pytest.approx(answer[key]) for key in numbers}


@pytest.mark.parametrize("part", ["water", "fat", "in phase"])
def test_an_outline_on_any_part_gives_the_fat_fraction(session, part):
    draw(session, part)
    assert session.value(NAME) == approx(fat_answer(session.case, on=part))
    assert NAME not in {each.question for each in session.standing.missing}


def test_the_tool_brings_up_the_images_it_is_drawn_on(session):
    pane = session.viewing.panes[SAGITTAL]
    at = next(n for n, each in enumerate(pane.choices) if each.part == "magnitude")
    session.viewing.show_choice(SAGITTAL, at)
    session.viewing.scroll(SAGITTAL, 1)
    before = pane.place
    session.hand.start(NAME)
    assert pane.series.part == "in phase"
    assert (session.viewing.active, pane.place) == (SAGITTAL, before)
    session.hand.cancel()
    fat = next(n for n, each in enumerate(pane.choices) if each.part == "fat")
    session.viewing.show_choice(SAGITTAL, fat)
    session.hand.start(NAME)
    assert pane.series.part == "fat"  # one of them already: it stays


def test_the_outline_shows_on_every_image_it_is_made_of(session):
    draw(session)
    figures = figures_of(session.form, {NAME: session.value(NAME)})
    (figure,) = figures
    assert figure.shape is Shape.OUTLINE
    assert figure.words == "fat 30.0 %"
    assert set(figure.images) == {
        alias(session.case, each) for each in ("in phase", "fat", "water")
    }


def test_a_moved_point_is_measured_again(session):
    """By hand: at y = 5.25 mm the outline keeps its 10 lean columns and one of the fatty ones."""
    draw(session)
    for number in (1, 2):
        point = (15.6, 5.25, OUTLINE[number][2])
        session.hand.move(Handle(NAME, "", number), Placed(point, alias(session.case, "fat")))
    answer = session.value(NAME)
    assert answer["voxels"] == 220
    assert answer["percent"] == pytest.approx((10 * 10 + 50) / 11)
    assert answer["images"] == [{"uid": alias(session.case, "fat"), "frame": 1}]
    assert answer["sd_percent"] < SD


def test_another_series_is_refused_in_words(session):
    t1 = alias(session.case, "magnitude")
    sagittal = next(s.alias for s in session.case.series
                    if s.part == "magnitude" and s.plane is SAGITTAL)  # fmt: skip
    session.hand.start(NAME)
    assert not session.hand.click(Placed((15.6, 0.0, 0.0), t1))
    for point in OUTLINE:
        session.hand.click(Placed(tuple(point), f"{sagittal}.2"))
    session.hand.end()
    assert "no image of a Dixon acquisition" in session.message
    assert NAME not in session.answers


def test_it_is_undone_deleted_and_signed(sit):
    session, study = sit(add_dixon_scans)
    draw(session)
    session.undo()
    assert NAME not in session.answers
    session.redo()
    assert session.sign(PHRASE), session.message
    with study.store.look() as look:
        (reading,) = look.all(Reading)
    assert reading.answers[NAME]["percent"] == pytest.approx(30.0)
    assert reading.answers[NAME]["fat"]["images"][0]["uid"].startswith("2.25.")


def test_a_scan_without_dixon_asks_nothing_more(sit):
    session, study = sit(add_scans)
    assert not can_measure(session)
    session.hand.start(NAME)
    assert session.hand.tool is None
    assert session.message == NONE_HERE
    assert session.sign(PHRASE), session.message
    with study.store.look() as look:
        (reading,) = look.all(Reading)
    assert reading.answers[NAME] == {"not_asked": "optional, left out"}


def test_on_a_map_of_the_scanner_the_map_is_read(sit):
    session, _ = sit(add_mapped_scans)
    draw(session, MAP)
    assert session.viewing.panes[SAGITTAL].series.part == MAP
    assert session.value(NAME) == approx(mapped_answer(session.case))
    (figure,) = figures_of(session.form, {NAME: session.value(NAME)})
    assert figure.images == (alias(session.case, MAP),)
    assert session.sign(PHRASE), session.message


def test_a_map_that_says_no_unit_is_refused_in_words(sit):
    session, _ = sit(add_mapped_scans, DixonShelf(unit=""))
    session.hand.start(NAME)
    for point in OUTLINE:
        session.hand.click(Placed(tuple(point), alias(session.case, MAP)))
    session.hand.end()
    assert "this map does not say what its values stand for" in session.message
    assert NAME not in session.answers
