"""A case whose images cannot be read is passed over, told to the coordinator, and comes back."""

from __future__ import annotations

import pytest
from blindness import found_in
from reading_desk import InventedShelf, add_scans, desk_of, healed, log_of, with_phrase

from imgtrack.desk.cases.ahead import ShelfAhead, prepare_next
from imgtrack.desk.cases.allot import allot
from imgtrack.desk.cases.booth import open_booth
from imgtrack.desk.cases.lists import CaseState, my_cases
from imgtrack.desk.cases.next_case import open_next_readable
from imgtrack.desk.cases.opening import open_case
from imgtrack.desk.cases.unreadable import unreadable_cases
from imgtrack.desk.readings.drafts import save_draft
from imgtrack.desk.readings.signing import sign
from imgtrack.domain.cases import Case
from imgtrack.domain.errors import Refused, Unavailable
from imgtrack.store.drafts import drafts_saved
from imgtrack.store.verify import verify

PLANTED = ("S001", "S002", "S003", "2.25.", "2031-01-10", "DOUBLEROW", "m06", "/archive")


@pytest.fixture
def study(reading_study):
    made = reading_study()
    add_scans(made, [1, 2, 3])
    allot(made)
    with_phrase(made, "R1")
    return made


@pytest.fixture
def desk(study):
    return desk_of(study, "R1")


def scans_of(study, who):
    """Return the scans of a reader's list in its order."""
    with study.store.look() as look:
        cases = sorted(look.where(Case, reader=who), key=lambda case: case.place)
    return [case.scan for case in cases]


def read(desk, opening):
    save_draft(desk, opening.case, healed())
    sign(desk, opening.case, "seven slow snails")
    opening.case.close()


@pytest.mark.parametrize("trouble", ["missing", "unreadable"])
def test_the_next_case_opens_in_its_place_and_nothing_is_claimed(study, desk, trouble):
    first, *_ = scans_of(study, "R1")
    broken = {first, f"{first}.2/1"}
    shelf = InventedShelf(**{trouble: broken})
    codes = [each.code for each in my_cases(desk)]
    opening = open_next_readable(desk, shelf=shelf)
    assert opening.case.code == codes[1]
    assert [(each.code, each.why) for each in opening.passed] == [
        (codes[0], "an image file cannot be read")
    ]
    with study.store.look() as look:
        assert set(drafts_saved(look)) == {codes[1]}
        assert verify(look) == []
    read(desk, opening)
    assert open_next_readable(desk, shelf=shelf).case.code == codes[2]
    assert [each.state for each in my_cases(desk)] == [
        CaseState.OPEN,
        CaseState.SIGNED,
        CaseState.DRAFTED,
    ]


def test_it_comes_back_in_its_place_once_mended(study, desk):
    first, *_ = scans_of(study, "R1")
    codes = [each.code for each in my_cases(desk)]
    read(desk, open_next_readable(desk, shelf=InventedShelf(missing={first})))
    opening = open_next_readable(desk, shelf=InventedShelf())
    assert (opening.case.code, opening.passed) == (codes[0], ())


def test_nothing_of_it_tells_what_the_scan_is(study, desk):
    first, *_ = scans_of(study, "R1")
    opening = open_next_readable(desk, shelf=InventedShelf(missing={first}))
    assert found_in(opening, PLANTED) == set()
    booth = open_booth(desk, shelf=InventedShelf(missing={first}))
    booth.open_next()
    assert found_in([booth, booth.passed], PLANTED) == set()
    booth.close()


def test_the_coordinator_is_told_once_with_the_files_until_it_opens(study, desk, clock):
    first, *_ = scans_of(study, "R1")
    code = my_cases(desk)[0].code
    shelf = InventedShelf(missing={first})
    noted = clock()
    for _ in range(3):
        open_next_readable(desk, shelf=shelf)
        prepare_next(desk, ShelfAhead(shelf), after="none")
        clock.move(hours=1)
    assert [what for _, what, _ in log_of(study)].count("images not readable") == 1
    (told,) = unreadable_cases(study)
    assert (told.case, told.reader, told.timepoint, told.since) == (code, "R1", "m06", noted)
    assert told.repair == f"S00{first[5]}-R"
    assert f"{first}.dcm" in told.words
    open_case(desk, code, shelf=InventedShelf())
    assert unreadable_cases(study) == ()


def test_a_signed_case_is_not_told_any_more(study, desk):
    first, *_ = scans_of(study, "R1")
    opening = open_next_readable(desk, shelf=InventedShelf())
    with pytest.raises(Unavailable):
        open_case(desk, opening.case.code, shelf=InventedShelf(missing={first}))
    assert len(unreadable_cases(study)) == 1
    read(desk, opening)
    assert unreadable_cases(study) == ()


def test_readers_and_surgeons_are_not_told_of_scans(study, desk):
    for who in ("R1", "A1", "S1"):
        with pytest.raises(Refused):
            unreadable_cases(desk_of(study, who))
    assert unreadable_cases(desk_of(study, "L1")) == ()


def test_all_missing_is_an_end_in_words_and_no_loop(study, desk):
    shelf = InventedShelf(missing=set(scans_of(study, "R1")))
    opening = open_next_readable(desk, shelf=shelf)
    assert opening.case is None
    assert len(opening.passed) == 3
    assert not prepare_next(desk, ShelfAhead(shelf), after="none")


def test_reading_ahead_goes_on_to_the_first_that_can_be_read(study, desk):
    first, second, _ = scans_of(study, "R1")
    shelf = InventedShelf(missing={first})
    assert prepare_next(desk, ShelfAhead(shelf), after="none")
    assert shelf.loads == [f"{second}.1/1", f"{second}.2/1"]


def test_a_draft_whose_images_are_gone_is_passed_over_and_kept(study, desk):
    opening = open_next_readable(desk, shelf=InventedShelf())
    save_draft(desk, opening.case, healed())
    fewer = InventedShelf()
    whole = fewer.series
    first, *_ = scans_of(study, "R1")
    fewer.series = lambda scan, records: whole(scan, records)[scan.uid == first :]
    again = open_next_readable(desk, shelf=fewer)
    assert again.case.code != opening.case.code
    (passed,) = again.passed
    assert passed.why == "images that were measured on are gone since the draft was begun"
    assert open_next_readable(desk, shelf=InventedShelf()).case.answers == healed()
