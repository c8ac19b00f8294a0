"""Signing: complete, measured again, by who knows the phrase; and nothing changes it afterwards."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import replace
from importlib.metadata import version

import psycopg
import pytest
from reading_desk import (
    PHRASE,
    InventedShelf,
    add_scans,
    desk_of,
    healed,
    image,
    line,
    log_of,
    opened,
    prepare,
    torn,
    with_phrase,
)

from imgtrack.desk.cases.allot import allot
from imgtrack.desk.cases.layout import scan_of
from imgtrack.desk.cases.lists import CaseState, my_cases
from imgtrack.desk.cases.opening import open_case, open_next
from imgtrack.desk.readings import amending, signing
from imgtrack.desk.readings.amending import amend, reopen, signed_answers
from imgtrack.desk.readings.drafts import save_draft
from imgtrack.desk.readings.looking import all_readings, latest, latest_of, reading_of
from imgtrack.desk.readings.signing import sign
from imgtrack.desk.study import open_study
from imgtrack.domain.errors import InvalidInput, Refused, Unavailable
from imgtrack.domain.imaging import Modality, Scan, Stage
from imgtrack.domain.reading import Reading, Round
from imgtrack.store.verify import verify


@pytest.fixture
def desk(reading_study):
    study = reading_study()
    add_scans(study, [1, 2])
    allot(study)
    with_phrase(study, "R2")
    return with_phrase(study, "R1")


@pytest.fixture
def case(desk):
    return open_next(desk, shelf=InventedShelf())


def signed(desk, case, answers):
    save_draft(desk, case, answers)
    return sign(desk, case, PHRASE)


def faults(desk, case, answers):
    save_draft(desk, case, answers)
    with pytest.raises(InvalidInput) as caught:
        sign(desk, case, PHRASE)
    return [(fault.where, fault.what) for fault in caught.value.faults]


def test_what_is_kept_with_a_signature(desk, case, clock):
    clock.move(seconds=90)
    told = signed(desk, case, torn())
    with desk.store.look() as look:
        (reading,) = look.all(Reading)
        scan = look.get(Scan, reading.scan)
    assert (told.reading, told.signed_at, told.mismatches) == (case.code, clock(), ())
    assert (reading.key, reading.case_code) == (case.code, case.code)
    assert (reading.reader, reading.round, reading.amends) == ("R1", Round.FIRST, "")
    assert reading.protocol_hash == desk.protocol.hash
    assert reading.software_version == version("imgtrack")
    assert (reading.signed_at, reading.active_seconds) == (clock(), 90.0)
    assert scan.stage is Stage.BEING_READ
    assert my_cases(desk)[0].state is CaseState.SIGNED


def test_images_are_kept_by_their_uid_with_geometry(desk, case):
    signed(desk, case, torn())
    with desk.store.look() as look:
        (reading,) = look.all(Reading)
    scan = reading.scan
    assert reading.answers["tear width"]["images"] == [{"uid": f"{scan}.2.2", "frame": 1}]
    assert reading.answers["gap slices"]["coronal oblique"]["images"] == [
        {"uid": f"{scan}.1.3", "frame": 1},
        {"uid": f"{scan}.1.4", "frame": 1},
    ]
    assert set(reading.images) == {f"0.{n}.{place}" for n in (1, 2) for place in range(1, 7)}
    assert reading.images["0.2.2"] == {
        "uid": f"{scan}.2.2",
        "frame": 1,
        "series": f"{scan}.2/1",
        "view": "sagittal oblique",
        "rows": 320,
        "columns": 320,
        "spacing": [0.5, 0.5],
        "plane": {
            "origin": [15.6, -80.0, 80.0],
            "row": [0.0, 1.0, 0.0],
            "column": [0.0, 0.0, -1.0],
            "thickness": 4.0,
        },
    }
    assert "0.1.3" not in repr(reading.answers)


def test_derived_grades_and_mismatches_are_kept_and_not_refused(desk, case):
    """Two coronal and one sagittal slice with a gap are a Sugaya IV (2007: 1 or 2 slices); a stump
    lateral to the apex is Patte 1. The reader says V and 2."""
    told = signed(desk, case, torn() | {"sugaya": {"value": "V"}, "patte_stage": {"value": "2"}})
    with desk.store.look() as look:
        (reading,) = look.all(Reading)
    assert reading.derived["sugaya"]["possible"] == ["IV"]
    assert reading.derived["sugaya"]["given"] == "V"
    assert reading.derived["patte_stage"]["possible"] == ["1"]
    assert reading.answers["sugaya"] == {"value": "V"}
    assert len(told.mismatches) == 2
    assert reading.mismatches == told.mismatches
    assert "V was given" in told.mismatches[0]


def test_what_is_missing_is_told_at_once_and_the_draft_stays(desk, case):
    answers = torn()
    for name in ("sugaya", "tear width", "goutallier infraspinatus"):
        del answers[name]
    found = faults(desk, case, answers)
    assert len(found) == 3
    assert {what for _, what in found} == {"this question is not answered"}
    assert open_case(desk, case.code, shelf=InventedShelf()).answers.keys() == answers.keys()


WIDTH = [[15.6, 0, 40], [15.6, 9, 52]]


@pytest.mark.parametrize(
    ("name", "answer", "where", "what"),
    [
        ("tear width", line(15.02, WIDTH, "0.2.2"), "Width of the tear", "does not follow"),
        ("tear width", line(0.15, WIDTH, "0.2.2"), "Width of the tear", "does not follow"),
        ("tear width", line(15.0, WIDTH, "0.2.3"), "point 1", "does not lie on the image"),
        ("tear width", line(15.0, WIDTH, "0.1.3"), "Width of the tear", "in another plane"),
        ("tear width", line(15.0, WIDTH, "0.2.9"), "tear width", "no such image"),
        (
            "tear width",
            line(15.0, [[15.6, 90, 40], [15.6, 99, 52]], "0.2.2"),
            "point 2",
            "does not lie on the image",
        ),
        (
            "retraction along the head",
            line(13.0, [[-30, -11.2, 40], [-24, -11.2, 48], [-18, -11.2, 45]], "0.1.3"),
            "Retraction along the head",
            "does not follow",
        ),
        ("patte landmarks", {"mm": {"stump": 12.5, "apex": 15.0, "rim": 30.0}}, "stump", "follow"),
        ("gap slices", {"coronal oblique": {"implied_mm": 4.4}}, "coronal oblique", "follow"),
        ("gap slices", {"coronal oblique": {"spacing_mm": 4.43}}, "spacing", "follow"),
        ("gap slices", {"sagittal oblique": {"thickness_mm": 3.0}}, "thickness", "follow"),
        (
            "gap slices",
            {"coronal oblique": {"images": [image("0.2.3"), image("0.2.4")]}},
            "coronal oblique",
            "in another plane",
        ),
        (
            "gap slices",
            {"coronal oblique": {"images": [image("0.1.3"), image("0.2.4")]}},
            "coronal oblique",
            "of several series",
        ),
    ],
)
def test_a_number_that_does_not_follow_from_its_points_is_refused(
    request, name, answer, where, what
):
    desk, case = request.getfixturevalue("desk"), request.getfixturevalue("case")
    answers = torn()
    before = answers.get(name, {})
    if name == "gap slices":
        answer = {plane: before[plane] | more for plane, more in answer.items()}
    answers[name] = {**before, **answer}
    found = faults(desk, case, answers)
    assert any(where in place and what in words for place, words in found)
    with desk.store.look() as look:
        assert look.count(Reading) == 0


def test_rounding_to_two_decimals_is_no_other_number(desk, case):
    points = [[-30.004, -11.2, 40.003], [-18.001, -11.2, 45.002]]  # 13.0007 mm
    answers = torn() | {"straight retraction": line(13.0, points, "0.1.3")}
    path = [[-30, -11.2, 40], [-24, -11.2, 48], [-18, -11.2, 40]]  # 10 + 10 mm
    answers["retraction along the head"] = line(20.0, path, "0.1.3")
    signed(desk, case, answers)


def test_a_gap_with_a_slice_between_counts_its_longest_run(desk, case):
    answers = torn()
    gaps = answers["gap slices"]
    slices = [image(alias) for alias in ("0.1.2", "0.1.4", "0.1.5")]
    answers["gap slices"] = gaps | {
        "coronal oblique": gaps["coronal oblique"] | {"images": slices, "count": 3}
    }
    signed(desk, case, answers | {"sugaya": {"value": "V"}})


def test_a_plane_without_a_gap_implies_none(desk, case):
    answers = torn()
    none = {"images": [], "count": 0, "spacing_mm": 4.4, "thickness_mm": 4.0, "implied_mm": 0.0}
    answers["gap slices"] = answers["gap slices"] | {"sagittal oblique": none}
    signed(desk, case, answers)


def test_a_wrong_phrase_signs_nothing_and_is_logged(desk, case):
    save_draft(desk, case, torn())
    with pytest.raises(Refused, match="pass phrase is wrong"):
        sign(desk, case, PHRASE + "!")
    assert log_of(desk)[-1] == ("R1", "wrong pass phrase", "person:R1")
    with desk.store.look() as look:
        assert look.count(Reading) == 0
    sign(desk, case, PHRASE)


def test_a_case_is_signed_once(desk, case):
    signed(desk, case, torn())
    with pytest.raises(Refused, match="this case is signed"):
        sign(desk, case, PHRASE)
    with desk.store.look() as look:
        (reading,) = look.all(Reading)
    with (
        pytest.raises(Refused, match="tables refuse this record"),
        desk.store.change(who="R1", now=desk.now) as change,
    ):
        change.add([replace(reading, key="another")])


def test_a_draft_that_changes_while_it_is_signed_is_not_signed(desk, case, monkeypatch):
    save_draft(desk, case, torn())

    def meanwhile(study, phrase, act):
        save_draft(desk, case, healed())

    monkeypatch.setattr(signing, "check_pass_phrase", meanwhile)
    with pytest.raises(Refused, match="changed while it was signed"):
        sign(desk, case, PHRASE)


def test_others_cannot_sign_or_see_a_case(desk, case):
    save_draft(desk, case, torn())
    for who, words in (("R2", "not on your list"), ("C1", "C1 may not"), ("L1", "L1 may not")):
        with pytest.raises(Refused, match=words):
            sign(desk_of(desk, who), case, PHRASE)
        assert log_of(desk)[-1] == (who, "refused", f"person:{who}")


def test_a_reader_who_asks_for_results_or_anothers_reading_is_refused_and_logged(desk, case):
    key = signed(desk, case, torn()).reading
    other = desk_of(desk, "R2")
    for act in (
        lambda: signed_answers(other, key),
        lambda: signed_answers(other, "NOSUCHCD"),
        lambda: reopen(other, key, shelf=InventedShelf()),
        lambda: amend(other, key, healed(), reason="x", pass_phrase=PHRASE),
        lambda: reading_of(other, key),
        lambda: reading_of(desk, key),  # not even one's own: it names the scan
        lambda: all_readings(desk),
    ):
        before = len(log_of(desk))
        with pytest.raises(Refused):
            act()
        assert [what for _, what, _ in log_of(desk)[before:]] == ["refused"]
    assert [reading.key for reading in all_readings(desk_of(desk, "L1"))] == [key]
    assert reading_of(desk_of(desk, "C1"), key).reader == "R1"
    with pytest.raises(InvalidInput, match="no such reading"):
        reading_of(desk_of(desk, "C1"), "NOSUCHCD")
    with desk.store.look() as look, pytest.raises(InvalidInput, match="no such reading"):
        latest_of(look, "NOSUCHCD")
    with desk.store.look() as look, pytest.raises(Unavailable, match="CODE: this case has no scan"):
        scan_of(look, "2.25.999", "CODE")


def test_an_amendment_is_a_new_reading_and_the_old_one_stays(desk, case, clock):
    key = signed(desk, case, torn()).reading
    with desk.store.look() as look:
        original = look.get(Reading, key)
    answers = signed_answers(desk, key)
    assert answers["tear width"] == torn()["tear width"]
    clock.move(days=1)
    wrong = answers | {"sugaya": {"value": "V"}}
    done = amend(desk, key, wrong, reason=" counted again ", pass_phrase=PHRASE)
    assert (done.reading, len(done.mismatches)) == (f"{key}/2", 1)
    again = amend(desk, done.reading, answers, reason="no, IV", pass_phrase=PHRASE)
    assert again.reading == f"{key}/3"
    with desk.store.look() as look:
        assert look.get(Reading, key) == original
        second = look.get(Reading, f"{key}/2")
        assert (second.amends, second.reason, second.case_code) == (key, "counted again", "")
        assert (second.round, second.scan) == (original.round, original.scan)
        assert latest_of(look, key).key == again.reading
        assert [reading.key for reading in latest(look)] == [again.reading]
        assert look.get(Reading, again.reading).answers == original.answers
        assert verify(look) == []


def test_only_series_that_were_measured_on_are_kept(desk, case):
    signed(desk, case, healed())
    with desk.store.look() as look:
        (reading,) = look.all(Reading)
    assert set(reading.images) == {f"0.1.{place}" for place in range(1, 7)}


def test_an_amendment_may_use_images_that_were_not_measured_on_before(desk, case):
    key = signed(desk, case, healed()).reading
    with reopen(desk, key, shelf=InventedShelf()) as again:
        assert again.pixels("0.2").values.shape == (6, 320, 320)
        with pytest.raises(Refused):
            save_draft(desk, again, torn())
    done = amend(desk, key, torn(), reason="x", pass_phrase=PHRASE, shelf=InventedShelf())
    with desk.store.look() as look:
        assert "0.2.2" in look.get(Reading, done.reading).images
    unknown = torn() | {"tear width": line(15.0, WIDTH, "0.9.9")}
    with pytest.raises(InvalidInput, match="no such image"):
        amend(desk, key, unknown, reason="x", pass_phrase=PHRASE, shelf=InventedShelf())


def test_an_amendment_needs_a_reason_a_difference_sound_answers_and_the_phrase(desk, case):
    key = signed(desk, case, torn()).reading
    same = signed_answers(desk, key)
    good = same | {"sugaya": {"value": "V"}}
    how = {"reason": "x", "pass_phrase": PHRASE}
    for answers, changes, kind, words in (
        (good, {"reason": " "}, InvalidInput, "needs a reason"),
        (same, {}, Refused, "nothing differs"),
        (good | {"tear width": line(9.0, WIDTH, "0.2.2")}, {}, InvalidInput, "does not follow"),
        (good, {"pass_phrase": "guess"}, Refused, "pass phrase is wrong"),
    ):
        with pytest.raises(kind, match=words):
            amend(desk, key, answers, **(how | changes))
    with desk.store.look() as look:
        assert look.count(Reading) == 1


def test_two_amendments_at_once_make_no_fork(desk, case, monkeypatch):
    key = signed(desk, case, torn()).reading
    good = signed_answers(desk, key) | {"sugaya": {"value": "V"}}
    real = amending.check_pass_phrase

    def meanwhile(study, phrase, act):
        monkeypatch.setattr(amending, "check_pass_phrase", real)
        amend(desk, key, good, reason="first", pass_phrase=PHRASE)

    monkeypatch.setattr(amending, "check_pass_phrase", meanwhile)
    with pytest.raises(Refused, match="amended meanwhile"):
        amend(desk, key, good | {"retear_pattern": {"value": "2"}}, reason="2", pass_phrase=PHRASE)


def test_a_radiograph_is_measured_in_its_plane(reading_study):
    study = reading_study()
    path = study.folder / "study.toml"
    text = path.read_text().replace(
        'optional = ["retraction along the head"]',
        'ask = ["acromiohumeral interval", "critical shoulder angle"]',
    )
    path.write_text(text)
    with open_study(study.folder, who="C1", now=study.now) as other:
        add_scans(other, [1], modality=Modality.DIGITAL_RADIOGRAPHY)
        allot(other)
        desk = with_phrase(other, "R1")
        case = open_next(desk, shelf=InventedShelf())
        assert case.series[0].images[0].plane is None
        angle = {
            "degrees": 45.0,
            "points": [[10, 10], [10, 50], [40, 20]],
            "images": [image("0.1.1")],
            "origin": "drawn",
        }
        good = {
            "adequacy radiograph": {"value": "adequate"},
            "acromiohumeral interval": line(5.0, [[10, 10], [13, 14]], "0.1.1"),
            "critical shoulder angle": angle,
        }
        outside = line(5.0, [[158, 10], [161, 14]], "0.1.1")
        assert ("point 2", "does not lie") in [
            (where.rpartition(", ")[2], what.removeprefix("this point ")[:12])
            for where, what in faults(desk, case, good | {"acromiohumeral interval": outside})
        ]
        steep = good | {"critical shoulder angle": angle | {"degrees": 44.0}}
        assert faults(desk, case, steep) == [
            ("Critical shoulder angle", "this number does not follow from its points")
        ]
        signed(desk, case, good)


def test_no_statement_of_sql_changes_a_signed_reading(dialect, new_url, tmp_path, clock):
    """As somebody with the database's password: UPDATE, DELETE, REPLACE, an upsert, a second
    signature of the case."""
    url = new_url()
    with opened(prepare(tmp_path / "desk", url=url), clock) as study:
        add_scans(study, [1])
        allot(study)
        desk = with_phrase(study, "R1")
        case = open_next(desk, shelf=InventedShelf())
        key = signed(desk, case, torn()).reading
        with study.store.look() as look:
            before = look.get(Reading, key)
        statements = [
            "UPDATE readings SET answers = '{}'",
            f"UPDATE readings SET reader = 'R2' WHERE key = '{key}'",
            f"DELETE FROM readings WHERE key = '{key}'",
            "INSERT INTO readings SELECT * FROM readings ON CONFLICT (key)"
            " DO UPDATE SET answers = '{}'",
            "UPDATE cases SET scan = scan",
            "DELETE FROM cases",
            "UPDATE pass_phrases SET encoded = ''",
        ]
        if dialect == "sqlite":
            statements.append("INSERT OR REPLACE INTO readings SELECT * FROM readings")
        for statement in statements:
            with pytest.raises((sqlite3.Error, psycopg.Error)):
                run_sql(url, statement)
        with study.store.look() as look:
            assert look.get(Reading, key) == before
            assert verify(look) == []


def run_sql(url: str, statement: str) -> None:
    if url.startswith("postgresql"):
        with psycopg.connect(url) as connection:
            connection.execute(statement)
    else:
        with closing(sqlite3.connect(url.removeprefix("sqlite:///"))) as connection, connection:
            connection.execute(statement)
