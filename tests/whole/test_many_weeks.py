"""Weeks of a study by script: what goes wrong on the way changes no figure and loses nothing.

Two runs read the same scans. In one everything goes well. In the other scans come late, a header
names the wrong shoulder, the protocol is amended while readings stand, the power fails while a
reader signs (the process is killed), and the study is lost and restored from a backup. There is
nothing outside to compare with but the run without faults; both are also counted by hand.
"""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pandas as pd
import pytest
from long_study import READERS, bring, opened, prepare, read_list
from pandas.testing import assert_frame_equal
from reading_desk import Clock

from imgtrack.desk import protocols, safety
from imgtrack.desk import study as studies
from imgtrack.desk.cases.allot import allot
from imgtrack.desk.intake.correcting import settle
from imgtrack.desk.registry.events import take_events
from imgtrack.desk.results import gather, require_results
from imgtrack.domain.reading import Reading
from imgtrack.domain.series import ScanProblem, ScanProblemKind
from imgtrack.outcomes.flow import flow
from imgtrack.outcomes.retear import retear_rates
from imgtrack.outcomes.study_data import StudyData, study_data
from imgtrack.outcomes.timing import first_retears

SCRIPT = Path(__file__).with_name("long_study.py")
TIMEPOINTS = ("preop", "m03", "m06", "m12", "m24")
EARLY, LATE = TIMEPOINTS[:3], TIMEPOINTS[3:]
SIZES = [pytest.param(5, 2), pytest.param(200, 12, marks=pytest.mark.nightly)]
"""Repairs of a run, and how often the power fails in it."""


def silent(*_):
    """Tell nobody."""


def everyone_reads(folder: Path, clock: Clock) -> None:
    with opened(folder, "C1", clock) as study:
        allot(study)
    for who in (*READERS, "A1"):
        with opened(folder, who, clock) as study:
            read_list(study, clock)


def revision(folder: Path, clock: Clock) -> None:
    """One repair is revised: its follow-up ends, in both runs."""
    sheet = folder.parent / "events.csv"
    sheet.write_text("subject,side,event,date\nS001,right,revision,2030-06-01\n")
    with opened(folder, "C1", clock) as study:
        take_events(study, sheet, progress=silent)


def calm(folder: Path, repairs: int) -> Path:
    prepare(folder, repairs)
    clock = Clock()
    with opened(folder, "C1", clock) as study:
        bring(study, range(repairs), EARLY)
        bring(study, range(repairs), LATE)
    everyone_reads(folder, clock)
    revision(folder, clock)
    return folder


def stormy(folder: Path, repairs: int, cuts: int) -> Path:
    prepare(folder, repairs)
    clock = Clock()
    with opened(folder, "C1", clock) as study:
        early = bring(study, range(repairs), EARLY)
        doubt = ScanProblem(early[1].uid, ScanProblemKind.SIDE, "", "the header says left")
        with study.store.change(who="C1", now=study.now) as change:
            change.add([doubt])
        assert allot(study).held == 1
    for number in range(cuts):
        _power_cut(folder, random.Random(number))
        clock.move(days=3)
    clock.move(days=14)
    amend_protocol(folder, clock)
    with opened(folder, "C1", clock) as study:
        bring(study, range(repairs), LATE)
        with study.store.change(who="C1", now=study.now) as change:
            settle(change, doubt, "the ward looked: right shoulder")
    folder = lost_and_restored(folder, clock)
    everyone_reads(folder, clock)
    revision(folder, clock)
    return folder


def _power_cut(folder: Path, chance: random.Random) -> None:
    """Kill a reader's process at some moment; all it told as signed must be there."""
    command = [sys.executable, str(SCRIPT), str(folder), "R1"]
    with opened(folder, "R1") as study, study.store.look() as look:
        before = {reading.case_code for reading in look.where(Reading, reader="R1")}
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        told = [process.stdout.readline().strip() for _ in range(chance.randint(1, 3))]
        time.sleep(chance.uniform(0, 0.1))
        os.kill(process.pid, signal.SIGKILL)
        told += [line.strip() for line in process.stdout]
    with opened(folder, "R1") as study, study.store.look() as look:
        signed = {reading.case_code for reading in look.where(Reading, reader="R1")} - before
    told_codes = {code for code in told if code}
    assert told_codes <= signed
    assert len(signed - told_codes) <= 1  # signed, and killed before it could be told


def amend_protocol(folder: Path, clock: Clock) -> None:
    path = folder / studies.PROTOCOL_FILE
    path.write_text(path.read_text("utf-8").replace('"12 months"', '"one year"'), "utf-8")
    with studies.open_for_amendment(folder, who="C1", now=clock) as study:
        assert protocols.amend(
            study.store, study.protocol, study.text, who="C1", now=clock, reason="clearer label"
        )


def lost_and_restored(folder: Path, clock: Clock) -> Path:
    archive, again = folder.parent / "kept.zip", folder.parent / "again"
    with opened(folder, "C1", clock) as study:
        safety.backup(study, archive, progress=silent)
    shutil.rmtree(folder)
    safety.restore(archive, again, url="", progress=silent)
    return again


def tables(folder: Path) -> tuple[StudyData, dict[str, pd.DataFrame], list[object]]:
    clock = Clock()
    clock.move(days=90)
    with opened(folder, "C1", clock) as study:
        require_results(study, "compare the runs")
        _, _, faults = safety.verify(study)
        data = study_data(gather(study))
    return (
        data,
        {"flow": flow(data), "retear": retear_rates(data), "first": first_retears(data)},
        faults,
    )


@pytest.mark.parametrize(("repairs", "cuts"), SIZES)
def test_what_goes_wrong_changes_no_figure(tmp_path, repairs, cuts):
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    well, well_tables, no_faults = tables(calm(tmp_path / "a" / "study", repairs))
    ill, ill_tables, faults = tables(stormy(tmp_path / "b" / "study", repairs, cuts))
    assert (no_faults, faults) == ([], [])
    scans = repairs * len(TIMEPOINTS)
    for data in (well, ill):
        first = data.readings[data.readings["round"] == "first"]
        assert len(first) == scans * len(READERS)  # each reader read each scan once
        assert len(data.verdicts) == scans
    assert told(well) == told(ill)
    for name, table in well_tables.items():
        assert not table.empty
        assert_frame_equal(table, ill_tables[name])


def told(data: StudyData) -> list[tuple[object, ...]]:
    """Return every reading and verdict without the codes and times that each run draws anew."""
    readings = data.readings[["repair", "timepoint", "reader", "round", "outcome"]]
    verdicts = data.verdicts[["repair", "timepoint", "rule", "grade", "outcome"]]
    rows = [*readings.itertuples(index=False), *verdicts.itertuples(index=False)]
    return sorted(tuple(map(str, row)) for row in rows)
