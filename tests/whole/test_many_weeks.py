"""Six weeks of a study by script: what goes wrong on the way changes no figure and loses nothing.

Two runs of one study read the same scans, in the same batches. In one everything goes well. In the
other the power fails while a reader works and in the middle of a signature (the process is
killed), scans come in after the reading has begun, the protocol is amended while readings stand, a
header names the wrong shoulder, and the study is lost and restored from a backup. In both, readers
pass a training set first, a share of the scans comes in as files through the intake, a repair is
revised, and hidden repeats are read after the washout. There is nothing outside to compare with
but the run without faults; both are also counted by hand.
"""

from __future__ import annotations

import math
import os
import random
import re
import shutil
import signal
import subprocess
import sys
import time
from collections import Counter
from dataclasses import dataclass
from html.parser import HTMLParser
from pathlib import Path

import pytest
from long_study import (
    READERS,
    SLOW_LEARNER,
    TRAINED_ON,
    MixedShelf,
    bring,
    everyone_reads,
    opened,
    prepare,
    send,
    silent,
)
from pandas.testing import assert_frame_equal
from reading_desk import Clock

from imgtrack.desk import protocols, safety
from imgtrack.desk import study as studies
from imgtrack.desk.cases.allot import allot
from imgtrack.desk.cases.lists import training_of
from imgtrack.desk.intake import correcting
from imgtrack.desk.registry.events import take_events
from imgtrack.desk.results import gather, require_results
from imgtrack.domain.cases import Case
from imgtrack.domain.imaging import Scan
from imgtrack.domain.reading import Reading
from imgtrack.domain.series import ScanProblem, ScanProblemKind
from imgtrack.domain.subjects import Side
from imgtrack.domain.training import Standing
from imgtrack.outcomes.compute import Results, compute
from imgtrack.report.writing import write_report
from imgtrack.store.drafts import all_drafts

SCRIPT = Path(__file__).with_name("long_study.py")
TIMEPOINTS = ("preop", "m03", "m06", "m12", "m24")
EARLY, LATE = TIMEPOINTS[:3], TIMEPOINTS[3:]
FILED = "m06"
"""The timepoint of the scans that come in as files, of every tenth repair."""
IN_DOUBT = 0
"""The repair whose file names the wrong side in one run, and comes last in both."""
SIZES = [pytest.param(5, 2), pytest.param(200, 6, marks=pytest.mark.nightly)]
"""Repairs of a run, and how often the power fails in it; 200 take some 11 minutes of one core."""
WEEK = 7
SILENT = ("style", "script", "svg")
HASH = re.compile(r"\b[0-9a-f]{64}\b")
"""Sums over log and rows, which hold the codes and times that each run draws anew."""


@dataclass(frozen=True)
class Run:
    """One run of the study."""

    folder: Path
    repairs: int
    clock: Clock

    @property
    def filed(self) -> list[int]:
        """Repairs whose scan of one timepoint comes in as files."""
        return list(range(0, self.repairs, 10))

    def opened(self, who: str = "C1") -> studies.Study:
        return opened(self.folder, who, self.clock)

    def bring_early(self) -> None:
        """All early scans but the one that comes last."""
        everyone = range(self.repairs)
        with self.opened() as study:
            bring(study, everyone, [each for each in EARLY if each != FILED])
            bring(study, [each for each in everyone if each not in self.filed], [FILED])
            if more := [each for each in self.filed if each != IN_DOUBT]:
                send(study, more, FILED, self.folder.parent / "originals")

    def bring_late(self) -> None:
        with self.opened() as study:
            bring(study, range(self.repairs), LATE)

    def send_last(self, *, side: str) -> None:
        """The last early scan, as files whose headers name a side."""
        with self.opened() as study:
            send(study, [IN_DOUBT], FILED, self.folder.parent / "last", side=side)

    def train(self) -> None:
        """Readers train until they are let in; one needs two attempts."""
        self.read()
        with self.opened() as study, study.store.look() as look:
            read = Counter(case.reader for case in look.all(Case) if case.training)
            standing = {who: training_of(look, study.protocol, who).standing for who in READERS}
        once = len(TRAINED_ON)
        assert read == {who: once * (1 + (who == SLOW_LEARNER)) for who in READERS}
        assert set(standing.values()) == {Standing.PASSED}

    def read(self) -> None:
        everyone_reads(self.folder, self.clock)

    def amend(self) -> None:
        """Give a timepoint another label, with a reason."""
        path = self.folder / studies.PROTOCOL_FILE
        path.write_text(path.read_text("utf-8").replace('"12 months"', '"one year"'), "utf-8")
        with studies.open_for_amendment(self.folder, who="C1", now=self.clock) as study:
            assert protocols.amend(
                study.store, study.protocol, study.text, who="C1", now=self.clock, reason="clearer"
            )

    def revise(self) -> None:
        """One repair is revised: its follow-up ends."""
        sheet = self.folder.parent / "events.csv"
        sheet.write_text("subject,side,event,date\nS001,right,revision,2030-06-01\n")
        with self.opened() as study:
            take_events(study, sheet, progress=silent)

    def wash_out(self) -> None:
        """Wait until the hidden repeats of everything open, and read them."""
        self.clock.at = Clock().at
        self.clock.move(days=6 * WEEK)
        self.read()


def calm(run: Run) -> Run:
    run.amend()
    run.train()
    run.bring_early()
    run.read()
    run.bring_late()
    run.read()
    run.send_last(side="R")
    run.read()
    run.revise()
    run.wash_out()
    return run


def stormy(run: Run, cuts: int) -> Run:
    run.train()
    run.bring_early()
    with run.opened() as study:
        allot(study)
    for number in range(cuts):
        (power_cut if number % 2 else cut_in_a_signature)(run, random.Random(number))
        run.clock.move(days=1)
    run.clock.move(days=WEEK - cuts)
    run.amend()
    run.read()
    run = lost_and_restored(run)
    run.bring_late()
    run.read()
    run.send_last(side="L")
    settle_the_side(run)
    run.read()
    run.revise()
    run.wash_out()
    return run


# -------------------------------------------------------------------- what goes wrong


def reader_process(run: Run, *more: str) -> subprocess.Popen[str]:
    days = (run.clock.at - Clock().at).days
    command = [sys.executable, str(SCRIPT), str(run.folder), "R1", str(days), *more]
    return subprocess.Popen(command, stdout=subprocess.PIPE, text=True)


def signed_by(run: Run, who: str) -> set[str]:
    with run.opened(who) as study, study.store.look() as look:
        return {reading.case_code for reading in look.where(Reading, reader=who)}


def power_cut(run: Run, chance: random.Random) -> None:
    """Kill a reader's process at some moment; all it told as signed must be there."""
    before = signed_by(run, "R1")
    with reader_process(run) as process:
        told = [process.stdout.readline().strip() for _ in range(chance.randint(1, 3))]
        time.sleep(chance.uniform(0, 0.1))
        os.kill(process.pid, signal.SIGKILL)
        told += [line.strip() for line in process.stdout]
    told_codes, signed = {code for code in told if code}, signed_by(run, "R1") - before
    assert told_codes <= signed
    assert len(signed - told_codes) <= 1  # signed, and killed before it could be told


def cut_in_a_signature(run: Run, chance: random.Random) -> None:
    """Kill a reader's process inside a signature: no half of it stays, and the draft does."""
    before, cases = signed_by(run, "R1"), chance.randint(1, 3)
    with reader_process(run, str(cases)) as process:
        told = {line.strip() for line in process.stdout}
    assert process.returncode == -signal.SIGKILL
    assert len(told) == cases
    assert signed_by(run, "R1") - before == told
    with run.opened() as study, study.store.look() as look:
        (draft,) = all_drafts(look)
        assert draft.case_code not in told
        assert draft.answers


def settle_the_side(run: Run) -> None:
    """The intake holds the scan; the coordinator asks the ward."""
    with run.opened() as study:
        with study.store.look() as look:
            (doubt,) = (each for each in look.all(ScanProblem) if each.blocks_reading)
            assert doubt.kind is ScanProblemKind.SIDE
            assert look.get(Scan, doubt.scan).repair == f"S{IN_DOUBT:03}-R"
        assert allot(study).held == 1
        correcting.relabel(study, doubt.scan, side=Side.RIGHT, reason="the ward looked: right")


def lost_and_restored(run: Run) -> Run:
    archive, again = run.folder.parent / "kept.zip", run.folder.parent / "again"
    with run.opened() as study:
        safety.backup(study, archive, progress=silent)
    shutil.rmtree(run.folder)
    safety.restore(archive, again, url="", progress=silent)
    return Run(again, run.repairs, run.clock)


# -------------------------------------------------------------------- what came of it


@dataclass(frozen=True)
class Outcome:
    """What a run came to: its results, the words of its report, and how its log stands."""

    results: Results
    words: list[str]
    faults: list[object]


def outcome(run: Run) -> Outcome:
    run.clock.at = Clock().at
    run.clock.move(days=7 * WEEK)
    with run.opened() as study:
        require_results(study, "compare the runs")
        _, _, faults = safety.verify(study)
        results = compute(gather(study), resamples=50)
        page = write_report(
            study, results, run.folder.parent / "report", shelf=MixedShelf(study)
        ).page
    return Outcome(results, words_of(page.read_text("utf-8")), faults)


@pytest.mark.parametrize(("repairs", "cuts"), SIZES)
def test_what_goes_wrong_changes_no_figure(tmp_path, repairs, cuts):
    well, ill = two_runs(tmp_path, repairs)
    well, ill = outcome(calm(well)), outcome(stormy(ill, cuts))
    assert (well.faults, ill.faults) == ([], [])
    for each in (well, ill):
        assert_everything_was_read(each.results, repairs)
    assert told(well.results) == told(ill.results)
    assert_same_report(well, ill)


def two_runs(folder: Path, repairs: int) -> tuple[Run, Run]:
    """Return the same study twice, with one key file's secret."""
    prepare(folder / "well" / "study", repairs)
    shutil.copytree(folder / "well", folder / "ill")
    return tuple(Run(folder / name / "study", repairs, Clock()) for name in ("well", "ill"))


def assert_everything_was_read(results: Results, repairs: int) -> None:
    """Each reader read each scan once, a tenth of them again, and every scan has a verdict."""
    scans, readings = repairs * len(TIMEPOINTS), results.data.readings
    assert (readings["round"] == "first").sum() == scans * len(READERS)
    assert (readings["round"] == "repeat").sum() == math.floor(scans / 10 + 0.5) * len(READERS)
    assert len(results.data.verdicts) == scans


def assert_same_report(well: Outcome, ill: Outcome) -> None:
    """Every table and every word of the page, but for the sums over codes and times."""
    assert well.results.tables.keys() == ill.results.tables.keys()
    for name, table in well.results.tables.items():
        assert_frame_equal(table, ill.results.tables[name])
    assert not any(well.results.tables[name].empty for name in ("flow", "retear", "drift"))
    assert len(well.words) > 1000
    assert [HASH.sub("", each) for each in well.words] == [HASH.sub("", each) for each in ill.words]
    assert well.words != ill.words  # the logs differ, and the page names their heads


def told(results: Results) -> list[tuple[object, ...]]:
    """Return every reading and verdict without the codes and times that each run draws anew."""
    readings = results.data.readings[["repair", "timepoint", "reader", "round", "outcome"]]
    verdicts = results.data.verdicts[["repair", "timepoint", "rule", "grade", "outcome"]]
    rows = [*readings.itertuples(index=False), *verdicts.itertuples(index=False)]
    return sorted(tuple(map(str, row)) for row in rows)


class Words(HTMLParser):
    """Gathers the words of a page, text by text, without styles, scripts and pictures."""

    def __init__(self) -> None:
        super().__init__()
        self.words: list[str] = []
        self._inside = 0

    def handle_starttag(self, tag, attrs):
        self._inside += tag in SILENT

    def handle_endtag(self, tag):
        self._inside -= tag in SILENT

    def handle_data(self, data):
        if not self._inside and data.strip():
            self.words.append(" ".join(data.split()))


def words_of(page: str) -> list[str]:
    reading = Words()
    reading.feed(page)
    return reading.words
