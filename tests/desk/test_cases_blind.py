"""What a reader's window can reach of a case: its code, pixels, geometry and questions."""

from __future__ import annotations

import logging
from datetime import UTC, date, datetime

import numpy as np
import pytest
from blindness import found_in
from reading_desk import (
    PHRASE,
    InventedShelf,
    add_scans,
    desk_of,
    healed,
    log_of,
    torn,
    with_phrase,
)

from imgtrack.desk.cases.allot import allot
from imgtrack.desk.cases.lists import my_cases
from imgtrack.desk.cases.opening import open_case, open_next
from imgtrack.desk.readings.amending import amend, reopen, signed_answers
from imgtrack.desk.readings.drafts import save_draft
from imgtrack.desk.readings.signing import sign
from imgtrack.domain.cases import Case
from imgtrack.domain.errors import ImgtrackError, InvalidInput, Refused, Unavailable
from imgtrack.domain.imaging import Scan
from imgtrack.domain.reading import Reading, Round, Verdict
from imgtrack.store.keys import Identity

AT = datetime(2031, 7, 20, 9, 0, tzinfo=UTC)

PLANTED = (
    "S001",  # subject, repair and, in a path, its folder
    "2.25.11",  # scan, and series and images, whose UIDs begin with it
    "2.25.10",  # the earlier scan
    "20310110",
    "2031-01-10",
    "20310710",
    "2031-07-10",
    "2031-04-10",
    "m06",
    "6 months",
    "m03",
    "3 months",
    "DOUBLEROW",
    "NANSEN",
    "H-4711",
    "1951-03-04",
    "OTHERSAYS",
    "VERDICTIS",
    "/archive/",
    "study.sqlite",
)
"""Everything a reader must not learn, as it stands in the study, its key file and its files."""


def leaks(start: object, *, allowed: tuple[str, ...] = ()) -> set[str]:
    return found_in(start, PLANTED) - set(allowed)


@pytest.fixture
def planted(reading_study):
    """A study with every secret in it, and the reader's desk."""
    study = reading_study(name="NANSEN-study")
    add_scans(study, [1], timepoint="m03")
    (scan,) = add_scans(study, [1])
    add_scans(study, [2])
    with study.keys() as keys:
        keys.add([Identity("S001", "NANSEN^FRIDTJOF", "H-4711", date(1951, 3, 4))])
    allot(study)
    others = [
        Reading(
            "k9",
            scan.uid,
            "R2",
            Round.FIRST,
            {"free note": {"text": "OTHERSAYS"}},
            "p",
            "1",
            AT,
            AT,
        ),
        Verdict("v9", scan.uid, "VERDICTIS", {"sugaya": "V"}, ("k9",), "A1", AT),
    ]
    with study.store.change(who="C1", now=study.now) as change:
        change.add(others)
        code = next(c.code for c in change.where(Case, reader="R1", scan=scan.uid))
    return study, with_phrase(study, "R1"), code


def test_the_walk_finds_what_is_hidden_deep(planted):
    """The test of the test: each of these holds a secret, and the walk must see it."""
    study, desk, _ = planted

    class Slotted:
        __slots__ = ("inner",)

        def __init__(self, inner):
            self.inner = inner

    secret = Slotted({"a": [("x", "S001")]})
    assert leaks(lambda: secret) == {"S001"}
    assert leaks(secret.__init__) == {"S001"}
    assert leaks([np.array(["m06"], dtype=object)]) == {"m06"}
    assert leaks([b"/archive/x"]) == {"/archive/"}
    assert "date" in leaks([date(2020, 1, 1)])
    assert "PosixPath" in leaks([desk.folder])
    with study.store.look() as look:
        scan = look.get(Scan, "2.25.11")
    assert leaks(scan) == {"S001", "2.25.11", "m06", "date"}


def test_nothing_a_window_gets_tells_who_when_or_what_others_say(planted, caplog, capfd):
    _, desk, code = planted
    with caplog.at_level(logging.DEBUG), open_case(desk, code, shelf=InventedShelf()) as case:
        assert leaks(case) == set()
        for series in case.series:
            pixels = case.pixels(series.alias)
            assert leaks(pixels) == set()
            assert pixels.values.shape == (len(series.images), 320, 320)
        assert leaks(case) == set()
        save_draft(desk, case, torn())
        signed = sign(desk, case, PHRASE)
        assert leaks(signed) == {"datetime"}  # when the reader signed, which the reader knows
        assert leaks(my_cases(desk)) == set()
        assert leaks(signed_answers(desk, code)) == set()
    with reopen(desk, code, shelf=InventedShelf()) as again:
        assert leaks(again) == set()
        assert again.answers["tear width"]["mm"] == 15.0
    shown = capfd.readouterr()
    for text in (caplog.text, shown.out, shown.err):
        assert not [token for token in PLANTED if token in text]


def faults_of(act) -> ImgtrackError:
    with pytest.raises(ImgtrackError) as caught:
        act()
    return caught.value


def chain(error: BaseException | None):
    """Yield an error and what it came from, as a traceback would print them."""
    while error is not None:
        yield error
        error = error.__cause__ or (None if error.__suppress_context__ else error.__context__)


def assert_tells_nothing(error: ImgtrackError) -> None:
    for each in chain(error):
        assert leaks([each.args, vars(each), str(each), repr(each)]) == set()


def test_no_refusal_tells_more(planted):
    _, desk, code = planted
    shelf = InventedShelf(missing={"2.25.11"})
    errors = [faults_of(lambda: open_case(desk, code, shelf=shelf))]
    broken = InventedShelf(unreadable={"2.25.11.1/1"})
    case = open_case(desk, code, shelf=broken)
    errors += [faults_of(lambda: case.pixels("0.1")), faults_of(lambda: case.pixels("S001"))][:1]
    errors.append(faults_of(lambda: case.pixels("0.9")))
    errors.append(faults_of(lambda: sign(desk, case, PHRASE)))  # nothing answered yet
    save_draft(desk, case, torn())
    errors.append(faults_of(lambda: sign(desk, case, "wrong phrase")))
    other = open_case(desk, code, shelf=InventedShelf())
    errors.append(faults_of(lambda: save_draft(desk, case, torn())))
    elsewhere = torn() | {
        "tear width": healed()["tendon thickness"] | {"images": [{"uid": "2.25.999.1", "frame": 1}]}
    }
    save_draft(desk, other, elsewhere)
    errors.append(faults_of(lambda: sign(desk, other, PHRASE)))
    save_draft(desk, other, torn())
    sign(desk, other, PHRASE)
    errors.append(faults_of(lambda: open_case(desk, code, shelf=InventedShelf())))
    errors.append(faults_of(lambda: amend(desk, code, torn(), reason="same", pass_phrase=PHRASE)))
    for error in errors:
        assert_tells_nothing(error)
    for each in (case, other):
        assert leaks(each) == set()
        each.close()


def test_what_is_wrong_with_the_images_is_in_the_log_for_the_coordinator(planted):
    study, desk, code = planted
    with pytest.raises(Unavailable, match="images of this case cannot be read"):
        open_case(desk, code, shelf=InventedShelf(missing={"2.25.11"}))
    with open_case(desk, code, shelf=InventedShelf(unreadable={"2.25.11.2/1"})) as case:
        assert case.pixels("0.1").values[0, 0, 0] == len("2.25.11.1")
        with pytest.raises(Unavailable, match="the images cannot be read"):
            case.pixels("0.2")
    with study.store.look() as look:
        told = [entry.new for entry in look.log() if entry.what == "images not readable"]
    assert "/archive/S001-R/2.25.11.dcm" in told[0]
    assert "series 0.2: OSError: cannot read /archive/2.25.11/2.25.11.2.dcm" in told[1]


def test_pixels_are_read_when_asked_for_and_not_after_closing(planted):
    _, desk, code = planted
    shelf = InventedShelf()
    case = open_case(desk, code, shelf=shelf)
    assert shelf.loads == []
    case.pixels("0.2")
    assert shelf.loads == ["2.25.11.2/1"]
    case.close()
    with pytest.raises(Unavailable, match="closed"):
        case.pixels("0.2")
    with pytest.raises(InvalidInput, match="no such series"):
        case.pixels("0.3")


def test_a_log_that_cannot_be_written_does_not_stop_the_window(planted, monkeypatch):
    study, desk, code = planted
    case = open_case(desk, code, shelf=InventedShelf(unreadable={"2.25.11.1/1"}))
    monkeypatch.setattr(type(study.store), "change", None)
    with pytest.raises(Unavailable):
        case.pixels("0.1")


def open_unmasked(reading_study, **changes):
    study = reading_study(**changes)
    add_scans(study, [1], timepoint="m03")
    (scan,) = add_scans(study, [1])
    allot(study)
    desk = with_phrase(study, "R1")
    with study.store.look() as look:
        code = next(c.code for c in look.where(Case, reader="R1", scan=scan.uid))
    return study, desk, open_case(desk, code, shelf=InventedShelf())


def test_an_unmasked_timepoint_is_shown_and_recorded(reading_study):
    study, desk, case = open_unmasked(reading_study, mask_timepoint="false")
    assert case.timepoint == "6 months"
    assert leaks(case, allowed=("6 months",)) == set()
    save_draft(desk, case, healed())
    sign(desk, case, PHRASE)
    with study.store.look() as look:
        assert look.get(Reading, case.code).shown == ("timepoint",)


def test_earlier_scans_are_shown_without_their_dates_and_recorded(reading_study):
    study, desk, case = open_unmasked(reading_study, show_earlier_scans="true")
    assert [series.alias for series in case.series] == ["0.1", "0.2", "1.1", "1.2"]
    assert [series.earlier for series in case.series] == [0, 0, 1, 1]
    assert case.pixels("1.1").values[0, 0, 0] == len("2.25.10.1")
    assert case.timepoint == ""
    assert leaks(case) == set()
    answers = healed()
    answers["tendon thickness"] = answers["tendon thickness"] | {
        "images": [{"uid": "1.1.3", "frame": 1}]
    }
    save_draft(desk, case, answers)
    with pytest.raises(InvalidInput, match="drawn on an earlier scan"):
        sign(desk, case, PHRASE)
    save_draft(desk, case, healed())
    sign(desk, case, PHRASE)
    with study.store.look() as look:
        assert look.get(Reading, case.code).shown == ("earlier scans",)
    first = open_next(desk, shelf=InventedShelf())
    assert {series.earlier for series in first.series} == {0}
    save_draft(desk, first, healed())
    sign(desk, first, PHRASE)
    with study.store.look() as look:
        assert look.get(Reading, first.code).shown == ()


def test_a_masked_reading_records_that_nothing_was_shown(planted):
    study, desk, code = planted
    with open_case(desk, code, shelf=InventedShelf()) as case:
        assert case.timepoint == ""
        save_draft(desk, case, healed())
        sign(desk, case, PHRASE)
    with study.store.look() as look:
        assert look.get(Reading, code).shown == ()


def test_anothers_case_and_one_that_is_not_there_are_refused_in_the_same_words(planted):
    study, desk, _ = planted
    with study.store.look() as look:
        others = look.where(Case, reader="R2")[0].code
    words = []
    for code in (others, "NOSUCHCD"):
        with pytest.raises(Refused) as caught:
            open_case(desk, code, shelf=InventedShelf())
        words.append(str(caught.value).replace(code, "CODE"))
        assert log_of(study)[-1] == ("R1", "refused", "person:R1")
    assert words[0] == words[1]


def test_a_case_is_for_the_role_it_was_made_for(planted):
    study, _, _ = planted
    with study.store.change(who="C1", now=study.now) as change:
        change.add([Case("ZZZZZZZZ", "A1", "2.25.21", Round.FIRST, 9, 1)])
        change.add([Case("YYYYYYYY", "A1", "2.25.21", Round.SETTLING, 9, 2)])
    adjudicator = desk_of(study, "A1")
    with pytest.raises(Refused, match="role has changed"):
        open_case(adjudicator, "ZZZZZZZZ", shelf=InventedShelf())
    with open_case(adjudicator, "YYYYYYYY", shelf=InventedShelf()) as case:
        assert leaks(case) == set()


def test_images_that_changed_keep_the_draft_where_they_are_still_there(planted):
    _, desk, code = planted
    with open_case(desk, code, shelf=InventedShelf()) as case:
        save_draft(desk, case, healed())
    renamed = InventedShelf()
    whole = renamed.series

    renamed.series = lambda scan, records: list(reversed(whole(scan, records)))
    with open_case(desk, code, shelf=renamed) as case:
        assert case.answers["tendon thickness"]["images"] == [{"uid": "0.2.3", "frame": 1}]
        assert sign(desk, case, PHRASE).reading == code
    with pytest.raises(Refused, match="changed since the reading was signed"):
        reopen(desk, code, shelf=InventedShelf())


def test_images_that_are_gone_stop_the_draft(planted):
    _, desk, code = planted
    with open_case(desk, code, shelf=InventedShelf()) as case:
        save_draft(desk, case, healed())
    fewer = InventedShelf()
    whole = fewer.series
    fewer.series = lambda scan, records: whole(scan, records)[1:]
    with pytest.raises(Unavailable, match="measured on are gone") as caught:
        open_case(desk, code, shelf=fewer)
    assert_tells_nothing(caught.value)
