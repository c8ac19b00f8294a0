"""Several people at once: no case twice, no draft lost, one unbroken log, on both databases."""

from __future__ import annotations

import json
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest
from reading_desk import add_scans, opened, prepare, with_phrase

from imgtrack.desk.cases.allot import allot
from imgtrack.domain.cases import Case
from imgtrack.domain.reading import Reading
from imgtrack.store.drafts import all_drafts
from imgtrack.store.verify import verify

PROCESS = Path(__file__).parent / "desk_process.py"
READERS = ("R1", "R2", "R3")
WINDOWS = ("R1", "R2", "R3", "R1", "R2", "R3", "R1", "R2")
DRAFTS_PER_CASE = 4
SCANS = 12


@pytest.fixture
def study(dialect, new_url, tmp_path, clock):
    url = new_url()
    with opened(prepare(tmp_path / "desk", url=url), clock, readers=3) as made:
        add_scans(made, range(1, SCANS + 1))
        yield made


def at_once(study, way, people):
    """Run a process for each person at the same time and return what each told."""
    command = [sys.executable, PROCESS, study.folder, way, *people]
    done = subprocess.run(command, stdout=subprocess.PIPE, text=True, check=True, timeout=120)
    told = [json.loads(line) for line in done.stdout.splitlines()]
    assert len(told) == len(people)
    return told


def test_eight_windows_of_three_readers(study, dialect):
    for reader in READERS:
        with_phrase(study, reader)
    cases = allot(study).cases
    assert len(cases) == 2 * SCANS
    told = at_once(study, "read", WINDOWS)
    signed = [pair for each in told for pair in each["signed"]]
    with study.store.look() as look:
        assert verify(look) == []
        readings = {reading.key: reading for reading in look.all(Reading)}
        assert all_drafts(look) == []
        entries = [entry.what for entry in look.log()]
    assert Counter(key for key, _ in signed) == Counter(case.code for case in cases)
    assert readings.keys() == {case.code for case in cases}
    for case in cases:
        assert (readings[case.code].reader, readings[case.code].scan) == (case.reader, case.scan)
    for key, session in signed:  # the last draft of the window that signed, and no other's
        assert readings[key].answers["free note"] == {"text": f"of {session}"}
    assert entries.count("reading added") == len(cases)
    drafts = sum(each["drafts"] for each in told)
    assert drafts >= DRAFTS_PER_CASE * len(cases)
    seconds = max(each["seconds"] for each in told)
    print(
        f"\n{dialect}: {len(cases)} cases, {drafts} drafts in {seconds:.1f} s of reading"
        f" ({len(cases) / seconds:.1f} signed and {drafts / seconds:.0f} drafts a second)"
    )


def test_three_coordinators_allot_at_once(study):
    told = at_once(study, "allot", ["C1"] * 3)
    assert sorted(each["allotted"] for each in told) == [0, 0, 2 * SCANS]
    with study.store.look() as look:
        cases = look.all(Case)
        assert verify(look) == []
    assert len({(case.reader, case.scan) for case in cases}) == len(cases) == 2 * SCANS
