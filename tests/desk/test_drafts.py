"""Drafts: the last one saved is there whatever dies, and one window at a time may save."""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import pytest
from reading_desk import PHRASE, InventedShelf, add_scans, desk_of, healed, torn, with_phrase

from imgtrack.desk.cases.allot import allot
from imgtrack.desk.cases.lists import CaseState, my_cases
from imgtrack.desk.cases.opening import open_case, open_next
from imgtrack.desk.readings.drafts import save_draft
from imgtrack.desk.readings.signing import sign
from imgtrack.domain.errors import InvalidInput, Refused
from imgtrack.domain.reading import Reading
from imgtrack.store.drafts import all_drafts, draft_of
from imgtrack.store.verify import verify

WRITER = Path(__file__).parent / "desk_process.py"
KILLS = 12


@pytest.fixture
def desk(reading_study):
    study = reading_study()
    add_scans(study, [1, 2, 3])
    allot(study)
    return with_phrase(study, "R1")


def kept(desk, code):
    with desk.store.look() as look:
        return draft_of(look, code)


def test_a_draft_opens_again_as_it_was_saved(desk):
    case = open_next(desk, shelf=InventedShelf())
    assert case.answers == {}
    assert save_draft(desk, case, {"sugaya": {"value": "IV"}}) == 1
    assert save_draft(desk, case, torn()) == 2
    again = open_next(desk, shelf=InventedShelf())
    assert (again.code, again.answers) == (case.code, json.loads(json.dumps(torn())))
    assert my_cases(desk)[0].state is CaseState.DRAFTED


def test_a_draft_may_be_incomplete_and_contradict_itself(desk):
    case = open_next(desk, shelf=InventedShelf())
    odd = {"sugaya": {"value": "IX"}, "not a question": [1, None, {"deep": True}]}
    save_draft(desk, case, odd)
    assert kept(desk, case.code).answers == odd


def test_a_value_no_database_holds_leaves_the_draft_before(desk):
    case = open_next(desk, shelf=InventedShelf())
    save_draft(desk, case, torn())
    for bad in ({"x": float("nan")}, {"x": "\0"}, {"x": object()}):
        with pytest.raises(InvalidInput, match="cannot be kept"):
            save_draft(desk, case, bad)
    assert kept(desk, case.code).version == 1


def test_only_the_window_that_opened_a_case_last_may_save(desk):
    first = open_next(desk, shelf=InventedShelf())
    save_draft(desk, first, torn())
    second = open_case(desk, first.code, shelf=InventedShelf())
    assert second.answers == json.loads(json.dumps(torn()))
    for act in (
        lambda: save_draft(desk, first, healed()),
        lambda: sign(desk, first, PHRASE),
    ):
        with pytest.raises(Refused, match="opened in another window since"):
            act()
    save_draft(desk, second, healed())
    assert kept(desk, first.code).answers == json.loads(json.dumps(healed()))


def test_another_window_beside_takes_the_next_case(desk, clock):
    first = open_next(desk, shelf=InventedShelf())
    beside = open_next(desk, beside_others=True, shelf=InventedShelf())
    assert beside.code != first.code
    save_draft(desk, first, torn())
    clock.move(minutes=6)
    left = open_next(desk, beside_others=True, shelf=InventedShelf())
    assert left.code == first.code
    open_next(desk, beside_others=True, shelf=InventedShelf())
    open_next(desk, beside_others=True, shelf=InventedShelf())
    assert open_next(desk, beside_others=True, shelf=InventedShelf()) is None


def test_a_case_opened_twice_at_once_belongs_to_one_window(desk, monkeypatch):
    """The second opening comes while the images of the first are found; who claims last has it."""
    shelf = InventedShelf()
    whole = shelf.series
    code = my_cases(desk)[0].code
    inner = []

    def slow(scan, records):
        if not inner:
            inner.append(None)
            inner.append(open_case(desk, code, shelf=InventedShelf()))
        return whole(scan, records)

    shelf.series = slow
    outer = open_case(desk, code, shelf=shelf)
    with pytest.raises(Refused, match="opened in another window since"):
        save_draft(desk, inner[1], torn())
    save_draft(desk, outer, torn())


def test_a_draft_of_a_signed_or_unopened_case_is_refused(desk):
    case = open_next(desk, shelf=InventedShelf())
    save_draft(desk, case, torn())
    sign(desk, case, PHRASE)
    with pytest.raises(Refused, match="this case is signed"):
        save_draft(desk, case, torn())
    with desk.store.look() as look:
        assert all_drafts(look) == []
    unopened = next(each.code for each in my_cases(desk) if each.state is CaseState.OPEN)
    with pytest.raises(Refused, match="this case is not open"):
        save_draft(desk, replace(case, code=unopened), torn())


def test_anothers_draft_is_out_of_reach(desk):
    case = open_next(desk, shelf=InventedShelf())
    with pytest.raises(Refused, match="not on your list"):
        save_draft(desk_of(desk, "R2"), case, torn())
    with pytest.raises(Refused, match="C1 may not save"):
        save_draft(desk_of(desk, "C1"), case, torn())


def test_reading_time_counts_without_the_pauses(desk, clock):
    """By hand: 30 s, then 10 min that count as 2, a night between two openings that counts as
    nothing, 15 s to the signature."""
    case = open_next(desk, shelf=InventedShelf())
    began = clock()
    clock.move(seconds=30)
    save_draft(desk, case, {})
    clock.move(minutes=10)
    save_draft(desk, case, torn())
    clock.move(hours=14)
    case = open_next(desk, shelf=InventedShelf())
    clock.move(seconds=15)
    sign(desk, case, PHRASE)
    with desk.store.look() as look:
        reading = look.get(Reading, case.code)
    assert reading.active_seconds == 30 + 120 + 15
    assert (reading.began_at, reading.signed_at) == (began, clock())


def test_a_clock_that_goes_back_takes_no_time_away(desk, clock):
    case = open_next(desk, shelf=InventedShelf())
    clock.move(seconds=-40)
    save_draft(desk, case, {})
    assert kept(desk, case.code).active_seconds == 0


class Children:
    """Windows that are killed: started one after the other from one loaded program."""

    def __init__(self, desk, way):
        self._process = subprocess.Popen(
            [sys.executable, WRITER, desk.folder, way, desk.who],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    def killed_after(self, lines: int, seconds: float) -> tuple[str, list[str]]:
        """Return the code of a child's first case, and what it told until it was killed.

        It is killed some time after it has told so many lines.
        """
        self._process.stdin.write("go\n")
        self._process.stdin.flush()
        pid, word = self._process.stdout.readline().split()
        told = [self._process.stdout.readline().strip() for _ in range(lines)]
        time.sleep(seconds)
        os.kill(int(pid), signal.SIGKILL)
        while (line := self._process.stdout.readline().strip()) != "end":
            told.append(line)
        return word, told

    def stop(self):
        self._process.communicate()


@pytest.fixture
def children(desk):
    started = []

    def start(way):
        started.append(Children(desk, way))
        return started[-1]

    yield start
    for each in started:
        each.stop()


def test_drafts_survive_a_kill_at_any_moment(desk, children):
    """A window saves one draft after the other and tells each when the call has returned; it is
    killed (SIGKILL) at many moments. What it told last, or the one under way, is what the next
    window finds, whole."""
    moments = random.Random(7)
    windows = children("drafts")
    seen = 0
    for _ in range(KILLS):
        code, told = windows.killed_after(moments.randrange(6), moments.uniform(0.0, 0.03))
        draft = kept(desk, code)
        seen = max([seen, *map(int, told)])
        assert draft.version in {seen, seen + 1}
        seen = draft.version
        if draft.version:
            assert draft.answers == {"number": draft.version, "filling": "x" * 20_000}
    assert seen >= KILLS
    with desk.store.look() as look:
        assert verify(look) == []
    with open_next(desk, shelf=InventedShelf()) as case:
        assert (case.code, case.answers["number"]) == (code, seen)


def test_a_kill_while_signing_leaves_a_draft_or_a_reading(desk, children):
    add_scans(desk, range(4, 64))
    allot(desk_of(desk, "C1"))
    moments = random.Random(8)
    windows = children("signs")
    signed = set()
    for _ in range(KILLS):
        _, told = windows.killed_after(moments.randrange(3), moments.uniform(0.0, 0.1))
        signed |= set(told)
    with desk.store.look() as look:
        assert verify(look) == []
        readings = {reading.key: reading for reading in look.all(Reading)}
        drafts = {draft.case_code for draft in all_drafts(look)}
    assert signed <= set(readings)
    assert len(drafts) <= 1
    assert not drafts & set(readings)
    assert all(reading.answers["free note"] == {"text": key} for key, reading in readings.items())
    assert len(readings) >= KILLS // 2
