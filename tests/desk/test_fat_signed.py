"""A fat fraction is computed again from the stored pixels before it is signed.

Geometry and signals by hand, see dixon_desk.py.
"""

from __future__ import annotations

from types import SimpleNamespace

import pytest
from dixon_desk import (
    ASKED,
    DixonShelf,
    add_dixon_scans,
    add_mapped_scans,
    alias,
    fat_answer,
    mapped_answer,
)
from reading_desk import PHRASE, add_scans, healed, image, log_of, with_phrase

from imgtrack.desk.cases.allot import allot
from imgtrack.desk.cases.dixon import fat_and_water_at, has_fat_images
from imgtrack.desk.cases.opening import open_next
from imgtrack.desk.course.trends import trends_of
from imgtrack.desk.imports.readings import import_readings
from imgtrack.desk.readings.amending import amend, signed_answers
from imgtrack.desk.readings.drafts import save_draft
from imgtrack.desk.readings.signing import sign
from imgtrack.domain.errors import InvalidInput, Unavailable
from imgtrack.domain.form import mapped_percent_of, percent_of
from imgtrack.domain.protocol import Plane
from imgtrack.domain.reading import Reading
from imgtrack.outcomes.findings import findings
from imgtrack.report.answer_words import answer_words

NAME = "fat fraction"


@pytest.fixture
def desk(reading_study):
    study = reading_study(optional=ASKED)
    add_dixon_scans(study, [1])
    allot(study)
    return with_phrase(study, "R1")


@pytest.fixture
def shelf():
    return DixonShelf()


@pytest.fixture
def case(desk, shelf):
    opened = open_next(desk, shelf=shelf)
    shelf.loads.clear()
    return opened


def signed(desk, case, shelf, answer):
    save_draft(desk, case, healed() | {NAME: answer})
    key = sign(desk, case, PHRASE, shelf=shelf).reading
    with desk.store.look() as look:
        return look.get(Reading, key)


@pytest.mark.parametrize("part", ["in phase", "fat", "water"])
def test_what_follows_from_the_pixels_is_signed_with_all_it_came_from(desk, case, shelf, part):
    reading = signed(desk, case, shelf, fat_answer(case, on=part))
    answer = reading.answers[NAME]
    assert answer["percent"] == 30.0
    named = {alias_: each["uid"] for alias_, each in reading.images.items()}
    for which in ("fat", "water"):
        assert answer[which]["images"][0]["uid"] == named[alias(case, which)]
    assert answer["images"][0]["uid"] == named[alias(case, part)]
    (found,) = (each for each in findings(reading.answers) if each.question == NAME)
    assert (found.number, found.unit) == (30.0, "%")
    assert answer_words(answer) == "30.0 %"


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"percent": 23.333}, "Fat fraction of the supraspinatus: 30.000 %"),
        ({"sd_percent": 20.0}, "standard deviation: 20.025 %"),
        ({"voxels": 399}, "pixels: 400.000"),
        ({"mm2": 100.02}, "area: 100.000 mm2"),
    ],
)
def test_another_number_is_refused(desk, case, shelf, changes, told):
    """23.3 percent is the share of the mean signals, 35 of 150, which is another number."""
    with pytest.raises(InvalidInput) as refused:
        signed(desk, case, shelf, fat_answer(case, **changes))
    (fault,) = refused.value.faults
    assert fault.what == "this number does not follow from its points"
    assert f"{fault.where}: {fault.expected}".endswith(told)


def test_other_images_are_refused(desk, case, shelf):
    """Fat and water exchanged, the slice beside it, the wrong plane, a point beside the image."""

    def told(answer):
        with pytest.raises(InvalidInput) as refused:
            signed(desk, case, shelf, answer)
        return {fault.what for fault in refused.value.faults}

    good = fat_answer(case)
    exchanged = good | {"fat": good["water"], "water": good["fat"]}
    assert told(exchanged) == {"this is another part of the acquisition"}
    beside = {"mean": 35.0, "images": [image(alias(case, "fat", 3))]}
    assert told(good | {"fat": beside}) == {"the fat image is not of the slice that was outlined"}
    coronal = next(each for each in case.series if each.plane is Plane.CORONAL_OBLIQUE)
    assert "this is drawn in another plane" in told(
        good | {"images": [image(f"{coronal.alias}.1")]}
    )
    off = [[16.0, *point[1:]] for point in good["points"]]
    assert "this point does not lie on the image it names" in told(good | {"points": off})


def test_pixels_are_read_only_where_a_number_follows_from_them(desk, case, shelf):
    signed(desk, case, shelf, {"not_assessable": "not acquired"})
    assert shelf.loads == []


def test_pixels_that_cannot_be_read_keep_the_draft_and_name_no_file(desk, case, shelf):
    shelf.unreadable = {"2.25.11.4/1"}
    with pytest.raises(Unavailable) as told:
        signed(desk, case, shelf, fat_answer(case))
    assert "/archive" not in str(told.value)
    assert case.code in str(told.value)
    assert ("R1", "images not readable", f"case:{case.code}") in log_of(desk)
    shelf.unreadable = set()
    assert sign(desk, case, PHRASE, shelf=shelf).reading == case.code


def test_an_amendment_is_computed_again_too(desk, case, shelf):
    key = signed(desk, case, shelf, fat_answer(case)).key
    answers = signed_answers(desk, key)
    wrong = answers | {NAME: answers[NAME] | {"percent": 12.0}}
    how = {"reason": "typed wrongly at first", "pass_phrase": PHRASE, "shelf": shelf}
    with pytest.raises(InvalidInput, match=r"30\.000 %"):
        amend(desk, key, wrong, **how)
    other = answers | {"bright signal": {"value": "no"}, "sugaya": {"value": "I"}}
    assert amend(desk, key, other, **how).reading == f"{key}/2"


def test_which_images_belong_together(case):
    """By where they lie: on whichever part it is drawn, the pair is the same."""
    assert has_fat_images(case.series)
    for part in ("water", "fat", "in phase"):
        pair = fat_and_water_at(case.series, alias(case, part, 4))
        assert (pair.fat, pair.water) == (alias(case, "fat", 4), alias(case, "water", 4))
    with pytest.raises(InvalidInput, match="no image of a Dixon acquisition"):
        fat_and_water_at(case.series, alias(case, "magnitude"))


def test_a_part_that_is_missing_or_there_twice_is_told(case):
    def told(series):
        with pytest.raises(InvalidInput) as refused:
            fat_and_water_at(series, alias(case, "in phase"))
        return refused.value.faults[0].what

    without = [each for each in case.series if each.part != "fat"]
    assert not has_fat_images(without)
    assert told(without) == "there is no fat image of this slice"
    fat = next(each for each in case.series if each.part == "fat")
    assert told([*case.series, fat]) == "there are several fat images of this slice"


def test_a_scan_without_dixon_tells_so(reading_study):
    study = reading_study(optional=ASKED)
    add_scans(study, [1])
    allot(study)
    with open_next(with_phrase(study, "R1"), shelf=DixonShelf()) as case:
        assert not has_fat_images(case.series)


@pytest.fixture
def mapped(reading_study):
    """Open a case that has only a map of fat fractions."""
    study = reading_study(optional=ASKED)
    add_mapped_scans(study, [1])
    allot(study)
    desk = with_phrase(study, "R1")
    shelf = DixonShelf()
    return desk, open_next(desk, shelf=shelf), shelf


def test_a_map_of_the_scanner_is_read_again_too(mapped):
    desk, case, shelf = mapped
    assert has_fat_images(case.series)
    with pytest.raises(InvalidInput, match=r"30\.000 %"):
        signed(desk, case, shelf, mapped_answer(case, percent=29.0))
    answers = signed(desk, case, shelf, mapped_answer(case)).answers
    assert answers[NAME]["percent"] == 30.0
    told = [(each.question, each.number) for each in findings(answers) if each.unit == "%"]
    assert told == [("fat fraction on map", 30.0)]  # never pooled with one of signals
    assert (percent_of(answers, NAME), mapped_percent_of(answers, NAME)) == (None, 30.0)


def test_a_map_without_unit_is_never_guessed_at(mapped):
    desk, case, shelf = mapped
    shelf.unit = ""
    case = open_next(desk, shelf=DixonShelf(unit=""))
    with pytest.raises(InvalidInput, match="does not say what its values stand for"):
        signed(desk, case, shelf, mapped_answer(case))


def test_another_part_is_no_map(desk, case, shelf):
    answer = {key: each for key, each in fat_answer(case).items() if key not in {"fat", "water"}}
    with pytest.raises(InvalidInput, match="no map of fat fractions"):
        signed(desk, case, shelf, answer)


def test_a_sheet_of_readings_gives_it_with_its_sign(reading_study, tmp_path):
    """Without the sign 0.07 could be 7 percent: it is refused, not guessed."""
    study = reading_study(optional=ASKED)
    add_dixon_scans(study, [1])
    head = "subject,side,scanned_on,reader,fat_fraction\n"
    sheet = tmp_path / "readings.csv"
    sheet.write_text(head + "S001,R,2031-07-10,R1,0.07\n", "utf-8")
    with pytest.raises(InvalidInput, match="without the sign %"):
        import_readings(study, sheet)
    sheet.write_text(head + "S001,R,2031-07-10,R1,7.3 %\n", "utf-8")
    assert import_readings(study, sheet).added == 1
    with study.store.look() as look:
        (reading,) = look.all(Reading)
    assert reading.answers[NAME] == {"percent": 7.3}


def test_along_time_signals_and_maps_are_two_lines(desk):
    """Made by hand: two scans of signals, one of a map between them."""
    of_signals = {"percent": 6.0, "points": [[0, 0, 0]], "fat": {"mean": 1.0}}
    of_a_map = {"percent": 4.0, "points": [[0, 0, 0]]}
    given = {90: of_signals, 180: of_a_map, 360: of_signals | {"percent": 8.0}}
    visits = [
        SimpleNamespace(day=day, outcome=None, verdict=SimpleNamespace(answers={NAME: answer}))
        for day, answer in given.items()
    ]
    found = trends_of(SimpleNamespace(visits=visits, scores=(), protocol=desk.protocol))
    told = {(each.title, each.unit): [(p.day, p.value) for p in each.points] for each in found}
    assert told == {
        ("fat fraction", "%"): [(90, 6.0), (360, 8.0)],
        ("fat fraction", "% of map"): [(180, 4.0)],
    }
