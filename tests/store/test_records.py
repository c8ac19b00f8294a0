"""Records go in, come back unchanged, and leave their trace in the log; on both databases."""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta, timezone

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from store_samples import (
    AMENDMENT,
    BARE,
    CORRECTED,
    EVENT,
    FIRST,
    FULL,
    PROTOCOL,
    RECORDS,
    SCAN,
    SCORE,
    UNSCHEDULED,
    VERDICT,
    Clock,
    repair,
)

from imgtrack.domain.cases import Case, PassPhrase, TrainingKey
from imgtrack.domain.errors import InvalidInput, Refused
from imgtrack.domain.imaging import Modality, Scan, Stage
from imgtrack.domain.reading import Amendment, ProtocolVersion, Reading, Round, Verdict
from imgtrack.domain.series import ScanProblem, Series
from imgtrack.domain.subjects import Event, Repair, Score, Side
from imgtrack.store.kinds import kind_of
from imgtrack.store.verify import verify

EARLIEST = datetime.min.replace(tzinfo=timezone(timedelta(hours=2)))

KINDS = (
    Repair,
    Event,
    Score,
    Scan,
    Series,
    ScanProblem,
    Case,
    TrainingKey,
    PassPhrase,
    Reading,
    Verdict,
    Amendment,
    ProtocolVersion,
)


@pytest.mark.parametrize("record", RECORDS, ids=lambda record: type(record).__name__)
def test_a_record_comes_back_as_it_went_in(standing, record):
    with standing.look() as look:
        found = look.get(type(record), record.key)
    assert found == record
    assert type(found) is type(record)


def test_moments_come_back_in_utc_to_the_microsecond(standing):
    with standing.look() as look:
        found = look.get(Reading, "r1")
    assert found.began_at.microsecond == 123456
    assert found.signed_at.utcoffset() == timedelta(0)
    assert found.signed_at == FIRST.signed_at


def test_kept_mappings_cannot_be_changed(standing):
    with standing.look() as look:
        found = look.get(Repair, FULL.code)
    with pytest.raises(TypeError):
        found.extra["wound"] = "infected"


def test_a_list_is_in_the_order_of_insertion_and_repairs_by_code(store, clock):
    scans = [replace(SCAN, uid=uid) for uid in ("9", "1", "5")]
    codes = ["Z-R", "a-R", "B-R", "Å-R", "B-L"]
    with store.change(who="JD", now=clock) as change:
        change.add(repair(code=code, subject=code) for code in codes)
        change.add([FULL, *scans])
    with store.look() as look:
        assert [each.uid for each in look.all(Scan)] == ["9", "1", "5"]
        assert [each.code for each in look.all(Repair)] == sorted([*codes, FULL.code])


def test_counts_and_missing_keys(standing):
    with standing.look() as look:
        counts = {kind: look.count(kind) for kind in KINDS}
        assert counts == {kind: sum(type(r) is kind for r in RECORDS) for kind in KINDS}
        assert look.get(Repair, "nobody") is None


def test_the_store_keeps_only_its_kinds(standing, clock):
    with (
        standing.look() as look,
        pytest.raises(TypeError, match="keeps Repair, Scan, Series, ScanProblem, Event"),
    ):
        look.all(str)


def test_every_record_has_its_log_entry(standing):
    with standing.look() as look:
        created, *entries = look.log()
        assert created.what == "study created"
        assert [entry.number for entry in entries] == list(range(2, 2 + len(RECORDS)))
        assert entries[0].what == "protocol version added"
        assert entries[0].record == "protocol version:p1"
        assert entries[2].record == f"repair:{FULL.code}"
        assert json.loads(entries[2].new)["tear_size_mm"] == 0.1 + 0.2
        assert {entry.who for entry in entries} == {"JD"}
        assert [each.number for each in look.log(after=10)] == list(range(11, 2 + len(RECORDS)))
        assert look.head() == (entries[-1].number, entries[-1].digest)


def test_the_chain_can_be_checked_without_the_program(filled, behind):
    """SHA-256 (FIPS 180-4) over the JSON array of all other fields, as the log promises."""
    columns = "number, at, who, what, record, old, new, reason, version, previous, digest"
    previous = "0" * 64
    for number, at, *texts, linked, written in behind(f"SELECT {columns} FROM log ORDER BY number"):
        moment = datetime.fromisoformat(at).replace(tzinfo=UTC) if isinstance(at, str) else at
        fields = [number, moment.astimezone(UTC).isoformat(), *texts, linked]
        text = json.dumps(fields, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
        assert linked == previous
        assert written == hashlib.sha256(text.encode()).hexdigest()
        previous = written


def test_an_amendment_replaces_and_leaves_its_trace(filled, clock):
    wrong = replace(FULL, operated_on=date(2024, 2, 2), sex=None)
    with filled.change(who="AB", now=clock) as change:
        change.amend(wrong, reason="date misread")
        assert change.get(Repair, FULL.code) == wrong
    with filled.look() as look:
        *_, entry = look.log()
        trace = look.all(Amendment)[-1]
        assert look.all(Repair) == [BARE, wrong]
    assert entry.what == "repair amended"
    assert json.loads(entry.old)["operated_on"] == "2024-01-10"
    assert json.loads(entry.new)["operated_on"] == "2024-02-02"
    assert trace == Amendment(
        f"amendment-{entry.number}", "repair", FULL.code, "date misread", "AB", entry.at
    )


@pytest.mark.parametrize(
    "record",
    [
        replace(EVENT, happened_on=date(2024, 6, 1)),
        replace(SCORE, total=70.0, parts={}),
        replace(SCAN, stage=Stage.BEING_READ, timepoint="m12", modality=Modality.ULTRASOUND),
    ],
    ids=lambda record: type(record).__name__,
)
def test_what_may_change_can_be_amended(filled, clock, record):
    with filled.change(who="JD", now=clock) as change:
        change.amend(record, reason="corrected")
    with filled.look() as look:
        assert look.get(type(record), record.key) == record
        assert verify(look) == []


@pytest.mark.parametrize(
    "record", [FIRST, VERDICT, AMENDMENT, PROTOCOL], ids=lambda record: type(record).__name__
)
def test_what_is_written_once_cannot_be_amended(standing, clock, record):
    head = _head(standing)
    with (
        pytest.raises(Refused, match="written once and never changed"),
        standing.change(who="JD", now=clock) as change,
    ):
        change.amend(record, reason="better now")
    assert _head(standing) == head


@pytest.mark.parametrize(
    ("record", "reason", "message"),
    [
        (replace(FULL, site="X"), " ", "no reason is given"),
        (repair(77), "typo", "there is nothing to amend"),
        (FULL, "typo", "nothing differs"),
    ],
)
def test_an_amendment_is_refused(standing, clock, record, reason, message):
    with pytest.raises(Refused, match=message), standing.change(who="JD", now=clock) as change:
        change.amend(record, reason=reason)


def test_an_amendment_that_the_tables_refuse_changes_nothing(filled, clock):
    with filled.change(who="JD", now=clock) as change:
        with pytest.raises(Refused, match=r"scan:2\.25\.1.*the repair it names is not there"):
            change.amend(replace(SCAN, repair="nobody"), reason="typo")
        change.note(what="went on", record="desk")
    with filled.look() as look:
        assert look.get(Scan, SCAN.uid) == SCAN
        assert verify(look) == []


def test_a_note_changes_no_record(filled, clock):
    with filled.change(who="JD", now=clock) as change:
        change.note(what="export written", record="table:retear", new='{"rows":60}', reason="paper")
    with filled.look() as look:
        *_, entry = look.log()
        assert (entry.what, entry.record, entry.new, entry.reason, entry.old) == (
            "export written",
            "table:retear",
            '{"rows":60}',
            "paper",
            "",
        )
        assert verify(look) == []


def test_a_note_cannot_pass_for_a_change_of_a_record(standing, clock):
    with pytest.raises(InvalidInput), standing.change(who="JD", now=clock) as change:
        change.note(what="repair added", record="repair:S9-R", new="{}")


@pytest.mark.parametrize(
    ("records", "messages"),
    [
        ([BARE], [f"repair:{BARE.code}: this repair is already there"]),
        ([repair(5), repair(5)], ["repair:S005-R: this repair comes twice"]),
        (
            [FULL, repair(5), BARE],
            [f"repair:{FULL.code}: this repair is already", f"repair:{BARE.code}: this repair"],
        ),
        ([EVENT], [f"event:{EVENT.key}: this event is already there"]),
        ([FIRST], ["reading:r1: this reading is already there"]),
        ([replace(SCAN, uid="7", repair="X")], ["scan:7: the repair it names is not there"]),
        ([replace(FIRST, key="n", scan="X")], ["reading:n: the scan it names is not there"]),
        ([replace(CORRECTED, key="n", amends="X")], ["reading:n: the amends it names"]),
        ([replace(VERDICT, key="n", scan="X")], ["verdict:n: the scan it names is not there"]),
        ([replace(SCORE, repair="X")], ["score:X/constant/m06: the repair it names"]),
        ([repair(1, code="other")], ["repair:other: the tables refuse this record"]),
        ([repair(5, sequence=0)], ["repair:S005-R: the tables refuse this record"]),
        ([repair(5, age_years=-1)], ["the tables refuse this record"]),
        ([repair(5, tear_size_mm=-0.5)], ["repair:S005-R: the tables refuse this record"]),
        ([repair(5, code="")], ["repair:: the tables refuse this record"]),
        ([replace(FIRST, key="n", reason="why")], ["reading:n: the tables refuse this record"]),
        ([replace(AMENDMENT, key="n", reason="")], ["the tables refuse this record"]),
    ],
)
def test_what_the_tables_cannot_take_is_refused_whole(standing, clock, records, messages):
    head = _head(standing)
    with standing.change(who="JD", now=clock) as change:
        with pytest.raises(Refused) as caught:
            change.add([repair(400), *records])
        assert change.head() == head
    found = [str(fault) for fault in caught.value.faults]
    assert len(found) == len(messages)
    assert all(message in fault for message, fault in zip(messages, found, strict=True))
    with standing.look() as look:
        assert look.head() == head
        assert look.get(Repair, "S400-R") is None
        assert verify(look) == []


def test_a_refusal_far_into_a_long_series_takes_the_whole_series_back(store, clock):
    def series():
        yield from (repair(number) for number in range(4500))
        yield repair(17)

    with store.change(who="JD", now=clock) as change:
        with pytest.raises(Refused, match="S017-R: this repair is already there"):
            change.add(series())
        assert change.count(Repair) == 0
        change.note(what="refused", record="file:enrolment")
    with store.look() as look:
        assert [entry.what for entry in look.log()] == ["study created", "refused"]
        assert verify(look) == []


def test_a_long_series_is_added_whole(store, clock):
    with store.change(who="JD", now=clock) as change:
        assert change.add(repair(number) for number in range(4500)) == 4500
    with store.look() as look:
        assert look.count(Repair) == 4500
        assert sum(1 for _ in look.log()) == 4501


def test_adding_nothing_is_nothing(store, clock):
    head = _head(store)
    with store.change(who="JD", now=clock) as change:
        assert change.add([]) == 0
    assert _head(store) == head


@pytest.mark.parametrize(
    ("record", "field", "expected"),
    [
        (repair(5, technique="a\0b"), "technique", "without NUL"),
        (repair(5, technique="half \ud800"), "technique", "valid Unicode"),
        (repair(5, site=7), "site", "text without NUL"),
        (repair(5, sequence="1"), "sequence", "a whole number"),
        (repair(5, age_years=2**31), "age_years", "a whole number of at most 2147483647"),
        (repair(5, tear_size_mm=float("nan")), "tear_size_mm", "a finite number"),
        (repair(5, tear_size_mm="23"), "tear_size_mm", "a finite number"),
        (repair(5, operated_on="2024-01-10"), "operated_on", "a day without time"),
        (repair(5, operated_on=datetime(2024, 1, 1, tzinfo=UTC)), "operated_on", "a day without"),
        (repair(5, tendons="supraspinatus"), "tendons", "a tuple of texts"),
        (repair(5, extra=[("a", "b")]), "extra", "a mapping with text keys"),
        (repair(5, extra={"a": 1}), "extra", "text without NUL"),
        (repair(5, sex="unknown"), "sex", "one of female, male, other"),
        (replace(SCORE, total=10**400), "total", "a finite number"),
        (replace(FIRST, key="n", began_at=EARLIEST), "began_at", "the years 1 and 9999"),
        (replace(SCORE, parts={"pain": float("inf")}), "parts", "a finite number"),
        (replace(FIRST, key="n", signed_at=datetime(2025, 1, 1)), "signed_at", "its time zone"),
        (replace(FIRST, key="n", answers={"a": [float("nan")]}), "answers", "a finite number"),
        (replace(FIRST, key="n", answers={"a": date(2024, 1, 1)}), "answers", "a JSON value"),
        (replace(FIRST, key="n", answers={1: "a"}), "answers", "text without NUL"),
    ],
)
def test_a_value_no_database_gives_back_is_refused(record, field, expected):
    with pytest.raises(InvalidInput) as caught:
        kind_of(type(record)).plain(record)
    (fault,) = caught.value.faults
    assert fault.where.endswith(f", {field}")
    assert expected in fault.expected


def test_numbers_of_numpy_are_kept_as_the_numbers_they_are():
    record = replace(
        FIRST, answers={"grade": np.int64(3), "mm": np.float32(0.5), "mean": np.float64(0.1)}
    )
    answers = kind_of(Reading).plain(record)["answers"]
    assert answers == {"grade": 3, "mm": 0.5, "mean": 0.1}
    assert [type(value) for value in answers.values()] == [int, float, float]
    assert kind_of(Repair).plain(repair(tear_size_mm=np.float64(12)))["tear_size_mm"] == 12.0
    assert kind_of(Repair).plain(repair(age_years=np.int64(61)))["age_years"] == 61


def test_all_unfit_fields_of_a_record_are_named_at_once_and_nothing_is_added(standing, clock):
    record = repair(5, site=1, arm=2)
    head = _head(standing)
    with standing.change(who="JD", now=clock) as change:
        with pytest.raises(InvalidInput) as caught:
            change.add([repair(6), record])
        assert change.get(Repair, "S006-R") is None
    assert _head(standing) == head
    assert [fault.where for fault in caught.value.faults] == [
        "repair S005-R, site",
        "repair S005-R, arm",
    ]


@pytest.mark.parametrize("who", ["", "  ", "a\0b"])
def test_somebody_has_to_be_named(standing, clock, who):
    with pytest.raises(InvalidInput), standing.change(who=who, now=clock) as change:
        change.note(what="x", record="y")


def test_a_clock_without_time_zone_is_of_no_use(standing):
    with (
        pytest.raises(InvalidInput, match="its time zone"),
        standing.change(who="JD", now=lambda: datetime(2025, 1, 1)) as change,
    ):
        change.note(what="x", record="y")


def test_an_exception_takes_the_whole_change_back(standing, clock):
    head = _head(standing)

    def stumble():
        with standing.change(who="JD", now=clock) as change:
            change.add([repair(5)])
            change.amend(replace(BARE, site="X"), reason="typo")
            raise KeyError

    with pytest.raises(KeyError):
        stumble()
    with standing.look() as look:
        assert look.head() == head
        assert look.get(Repair, BARE.code) == BARE


def test_a_look_sees_one_moment_while_others_write(filled, clock):
    with filled.look() as look:
        before = look.count(Repair)
        with filled.change(who="JD", now=clock) as change:
            change.add([repair(5)])
        assert look.count(Repair) == before
        assert look.get(Repair, "S005-R") is None
    with filled.look() as look:
        assert look.count(Repair) == before + 1


words = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=8)
numbers = st.floats(allow_nan=False, allow_infinity=False)
plain = st.recursive(
    st.none() | st.booleans() | st.integers() | numbers | words,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(words, inner, max_size=3),
    max_leaves=6,
)
moments = st.datetimes(timezones=st.timezones())
repairs = st.builds(
    Repair,
    code=words.filter(bool),
    subject=words.filter(bool),
    side=st.sampled_from(Side),
    operated_on=st.dates(),
    sequence=st.integers(1, 2**31 - 1),
    site=words,
    age_years=st.none() | st.integers(0, 130),
    tear_size_mm=st.none() | numbers.map(abs),
    tendons=st.lists(words, max_size=3).map(tuple),
    technique=words,
    arm=words,
    extra=st.dictionaries(words, words, max_size=3),
)
readings = st.builds(
    Reading,
    key=words.filter(lambda key: key not in {"", "r1", "r2"}),
    scan=st.just(SCAN.uid),
    reader=words.filter(bool),
    round=st.sampled_from(Round),
    answers=st.dictionaries(words, plain, max_size=3),
    protocol_hash=words,
    software_version=words,
    began_at=moments.filter(lambda at: 2 < at.year < 9998),
    signed_at=moments.filter(lambda at: 2 < at.year < 9998),
)


@given(record=repairs | readings)
@settings(
    max_examples=60,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
def test_any_record_comes_back_and_agrees_with_its_log_entry(standing, record):
    with standing.change(who="JD", now=Clock()) as change:
        head = change.head()
        example = change.connection.begin_nested()
        change.add([record])
        change.seal()
        assert change.get(type(record), record.key) == record
        assert verify(change) == []
        example.rollback()
        change._head = head


def test_unscheduled_scans_and_originals_keep_their_empty_fields(standing):
    with standing.look() as look:
        assert look.get(Scan, UNSCHEDULED.uid).timepoint == ""
        assert look.get(Reading, FIRST.key).amends == ""


def _head(store):
    with store.look() as look:
        return look.head()
