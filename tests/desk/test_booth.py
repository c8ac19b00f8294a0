"""The booth a window sits in: what it gives, and that nothing else can be reached from it."""

from __future__ import annotations

import pytest
from blindness import found_in
from reading_desk import PHRASE, InventedShelf, add_scans, desk_of, log_of, torn, with_phrase

from imgtrack.desk.cases import booth as booths
from imgtrack.desk.cases.ahead import ShelfAhead, prepare_next
from imgtrack.desk.cases.allot import allot
from imgtrack.desk.cases.booth import open_booth
from imgtrack.domain.errors import Refused, Unavailable
from imgtrack.store.drafts import drafts_saved

PLANTED = ("S001", "S002", "2.25.11", "2.25.21", "2031-01-10", "DOUBLEROW", "m06", "study.sqlite")


@pytest.fixture
def study(reading_study):
    made = reading_study()
    add_scans(made, [1, 2])
    allot(made)
    with_phrase(made, "R1")
    return made


@pytest.fixture
def shelf():
    return InventedShelf()


@pytest.fixture
def booth(study, shelf):
    made = open_booth(desk_of(study, "R1"), shelf=shelf)
    yield made
    made.close()


def test_a_case_is_opened_saved_and_signed_through_it(booth, study):
    case = booth.open_next()
    assert booth.progress() == (0, 2)
    assert booth.save(case, torn()) == 1
    assert booth.sign(case, PHRASE).reading == case.code
    assert booth.progress() == (1, 2)
    implied = {each.question: each.derived.possible for each in booth.implied(case.form, torn())}
    assert implied["sugaya"] == ("IV",)


def test_nothing_else_can_be_reached_from_it(booth, study):
    case = booth.open_next()
    assert found_in([booth, case], (*PLANTED, str(study.folder))) == set()


def test_a_refusal_comes_through_without_its_trace(booth):
    case = booth.open_next()
    booth.save(case, torn())
    with pytest.raises(Refused) as caught:
        booth.sign(case, "wrong phrase")
    assert found_in([caught.value.args, vars(caught.value)], PLANTED) == set()
    assert caught.value.__cause__ is None
    assert caught.value.__context__ is None


def test_what_breaks_unexpectedly_is_logged_and_told_in_plain_words(study, shelf, monkeypatch):
    def break_down(*_arguments, **_named):
        msg = "disk of S001 on fire"
        raise OSError(msg)

    monkeypatch.setattr(booths, "open_next_readable", break_down)
    booth = open_booth(desk_of(study, "R1"), shelf=shelf)
    with pytest.raises(Unavailable) as caught:
        booth.open_next()
    assert "S001" not in str(caught.value)
    assert ("R1", "window in trouble", "person:R1") in log_of(study)
    booth.close()


def test_reading_ahead_loads_but_claims_and_logs_nothing(study, shelf):
    desk, ahead = desk_of(study, "R1"), ShelfAhead(shelf)
    before = log_of(study)
    assert prepare_next(desk, ahead, after="none")
    assert len(shelf.loads) == 2
    assert log_of(study) == before
    with study.store.look() as look:
        assert drafts_saved(look) == {}


def test_what_was_loaded_ahead_is_not_loaded_again(study, shelf):
    from imgtrack.desk.cases.opening import open_next

    desk, ahead = desk_of(study, "R1"), ShelfAhead(shelf)
    prepare_next(desk, ahead, after="none")
    with open_next(desk, shelf=ahead) as case:
        for series in case.series:
            case.pixels(series.alias)
    assert len(shelf.loads) == 2


def test_images_that_cannot_be_read_ahead_are_told_when_the_case_opens(study):
    shelf = InventedShelf(missing={"2.25.11", "2.25.21"})
    assert not prepare_next(desk_of(study, "R1"), ShelfAhead(shelf), after="none")
    booth = open_booth(desk_of(study, "R1"), shelf=shelf)
    assert booth.open_next() is None
    assert {each.why for each in booth.passed} == {"an image file cannot be read"}
    booth.close()
