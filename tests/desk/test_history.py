"""The whole life of a case and the log it leaves; what each name brings out of the log."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from reading_desk import PHRASE, desk_of, healed, torn
from settling_desk import SHELF, Desk

from imgtrack.desk.cases.opening import open_case
from imgtrack.desk.history import history
from imgtrack.desk.readings.amending import amend
from imgtrack.desk.readings.drafts import save_draft
from imgtrack.desk.readings.signing import sign
from imgtrack.domain.errors import InvalidInput, Refused
from imgtrack.domain.imaging import Stage
from imgtrack.domain.reading import Reading
from imgtrack.store.verify import verify

PROCESS = Path(__file__).parent / "desk_process.py"


@pytest.fixture
def desk(reading_study, clock):
    return Desk(reading_study, clock)


def killed_while_drafting(study, reader: str) -> int:
    """Let a window of its own save drafts, kill it (SIGKILL), and return what it told last."""
    command = [sys.executable, PROCESS, study.folder, "drafts", reader]
    pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE, "text": True}
    with subprocess.Popen(command, **pipes) as window:
        window.stdin.write("begin\n")
        window.stdin.flush()
        pid, _ = window.stdout.readline().split()
        numbers = [int(window.stdout.readline()) for _ in range(3)]
        os.kill(int(pid), signal.SIGKILL)
        assert any(line == "end\n" for line in window.stdout)
        window.stdin.close()
    return numbers[-1]


def test_the_whole_life_of_a_case(desk):
    """Allot, draft, kill, resume, sign, second reader, differ, settle, verdict, amend."""
    told = killed_while_drafting(desk.study, "R1")
    code = desk.case("R1", desk.scans[0])
    with open_case(desk.who["R1"], code, shelf=SHELF) as case:
        assert case.answers["number"] >= told
        save_draft(desk.who["R1"], case, torn())
        first = sign(desk.who["R1"], case, PHRASE).reading
    assert desk.stage() is Stage.BEING_READ
    second = desk.read("R2", healed())
    assert desk.stage() is Stage.READERS_DIFFER
    (settling,) = desk.settling_cases()
    desk.settle(torn())
    (verdict,) = desk.verdicts()
    assert verdict.decided_by == "A1"
    desk.clock.move(days=1)
    changed = healed() | {"free note": {"text": "second look"}}
    amend(desk.who["R1"], first, changed, reason="wrong slice", pass_phrase=PHRASE, shelf=SHELF)
    with desk.study.store.look() as look:
        readings = look.where(Reading, scan=desk.scans[0].uid)
        assert verify(look) == []
    assert {each.key for each in readings} >= {first, second, settling.code}
    assert [each.amends for each in readings if each.amends] == [first]

    entries = history(desk.study, code)
    acts = [(entry.who, entry.what) for entry in entries]
    for entry in entries:
        print(entry.number, entry.who, entry.what, entry.record, entry.reason)
    life = [
        ("C1", "scan added"),
        ("C1", "case added"),
        ("R1", "case opened"),
        ("R1", "case opened"),
        ("R1", "reading added"),
        ("R2", "case opened"),
        ("R2", "reading added"),
        ("R2", "case added"),
        ("R2", "scan amended"),
        ("A1", "reading added"),
        ("A1", "verdict added"),
        ("A1", "scan amended"),
        ("R1", "reading added"),
        ("R1", "verdict added"),
    ]
    rest = iter(acts)
    assert all(act in rest for act in life), acts


def test_a_scan_goes_by_every_name(desk):
    first = desk.read("R1", torn())
    by_case = history(desk.study, first)
    assert by_case == history(desk.study, "S001-R/m06") == history(desk.study, desk.scans[0].uid)
    of_repair = history(desk.study, "S001-R")
    assert set(by_case) < set(of_repair)
    assert of_repair[0].record == "repair:S001-R"


def test_other_scans_are_not_brought_out(reading_study, clock):
    desk = Desk(reading_study, clock, scans=2)
    own = desk.read("R1", torn(), desk.scans[0])
    other = desk.read("R1", torn(), desk.scans[1])
    keys = {entry.record.partition(":")[2] for entry in history(desk.study, own)}
    assert own in keys
    assert other not in keys


def test_a_person_goes_by_the_code_and_nothing_is_everything(desk):
    desk.read("R1", torn())
    mine = history(desk.study, "R1")
    assert {entry.who for entry in mine} == {"R1"}
    assert len(mine) < len(history(desk.study))


@pytest.mark.parametrize("who", ["R1", "A1", "L1", "S1"])
def test_the_log_is_for_coordinators(desk, who):
    with pytest.raises(Refused):
        history(desk_of(desk.study, who))
    assert history(desk.study)[-1].what == "refused"


def test_an_unknown_name_is_told(desk):
    with pytest.raises(InvalidInput, match="nothing goes by this name"):
        history(desk.study, "S999-R")
