"""The whole job on pixels that came from a scanner, read in the real window by mouse and keys.

The series are those of `real_series`: a localizer of a head where the optional real series are
here, and always what comes with pydicom and pydicom-data, two pilots of a head and one slice of a
shoulder. What cannot be real, because no such files are free to be used: a shoulder after surgery,
and two planes of one shoulder. So the repair, the operation and what readers answer are invented.
Real are the headers, the geometry and the pixels, and what becomes of them: intake with
de-identification, doubts settled by a person, allotment, two readings and a settling one in the
window, rates, agreement, report and structured reports.

Outside references: pixels and headers by pydicom alone; places by numpy from the equation of DICOM
PS3.3 C.7.6.2.1.1; where the screen shows a pixel by vispy; structured reports by dciodvfy.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import zipfile
from datetime import timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pydicom
import pytest

pytest.importorskip("napari", reason="needs the reading extra")

from real_series import ScannerSlice
from real_study import COR, PHRASE, SAG, Case, cases, started, take_all
from window_reader import NOT_ACQUIRED, Line, RealReader, seated

from imgtrack.cli.demo.people import DemoClock, desk_of
from imgtrack.desk import safety
from imgtrack.desk import study as studies
from imgtrack.desk.cases.allot import allot
from imgtrack.desk.cases.shelf import FolderShelf
from imgtrack.desk.results import gather, require_results
from imgtrack.desk.structured_out import write_structured
from imgtrack.domain.imaging import Scan, Stage
from imgtrack.domain.reading import Reading
from imgtrack.outcomes.compute import Results, compute
from imgtrack.report.writing import write_report

pytestmark = [
    pytest.mark.gui,
    pytest.mark.filterwarnings("ignore::DeprecationWarning"),
    pytest.mark.skipif(not os.environ.get("DISPLAY"), reason="needs a display"),
]

WIDER, NARROWER = 0.30, 0.22
"""How long the reader and the adjudicator draw the tear, as shares of the image's width."""


# -------------------------------------------------------------------- the readers


def keys(*strokes: str):
    return lambda reader: reader.key(*strokes)


ADEQUATE = {
    "adequacy tendon": keys("1"),
    "adequacy thickness": keys("1"),
    "adequacy muscle": keys("N", "3"),
}


def torn(case: Case, share: float):
    """Answers to a torn tendon: everything that can be drawn on the planes there are."""
    coronal, sagittal = case.shows[COR], case.shows.get(SAG, [])
    middle = coronal[len(coronal) // 2]

    def gap(reader: RealReader) -> None:
        if len(coronal) == 1:  # one slice has no spacing, so that slices cannot be counted in mm
            reader.key("N", "3")
            return
        for plane, shown in ((COR, coronal[2:4]), (SAG, sagittal[3:4])):
            reader.to_pane(plane)
            for each in shown:
                reader.find(plane, each)
                reader.key("G")

    def width(reader: RealReader) -> None:
        if not sagittal:
            reader.key("N", NOT_ACQUIRED)
            return
        shown = sagittal[len(sagittal) // 2]
        ends = shown.at(0.40, 0.5 - share / 2), shown.at(0.45, 0.5 + share / 2)
        reader.draw(SAG, shown, ends)

    def retraction(reader: RealReader) -> None:
        reader.draw(COR, middle, (middle.at(0.42, 0.35), middle.at(0.50, 0.35 + share)))

    def landmarks(reader: RealReader) -> None:
        places = ((0.45, 0.30), (0.38, 0.45), (0.45, 0.70), (0.42, 0.40))
        reader.draw(COR, middle, tuple(middle.at(*place) for place in places))

    return ADEQUATE | {
        "tendon defect": keys("2"),
        "gap slices": gap,
        "tear width": width,
        "straight retraction": retraction,
        "patte landmarks": landmarks,
        "patte_stage": keys("1"),
        "retear_pattern": keys("1"),
        "sugaya": keys("4"),
    }


def healed(case: Case):
    """Answers to a healed tendon, with its thickness drawn."""
    shown = case.shows[COR][0]

    def line(down: float):
        ends = shown.at(down, 0.4), shown.at(down + 0.15, 0.5)
        return lambda reader: reader.draw(COR, shown, ends)

    return ADEQUATE | {
        "tendon defect": keys("1"),
        "tendon thickness": line(0.35),
        "reference thickness": line(0.40),
        "bright signal": keys("1"),
        "sugaya": keys("2"),
    }


Drawn = dict[tuple[str, str], dict[str, Line]]
"""What was clicked: by person and subject, and by question."""


def read_all(study: studies.Study, who: str, every: list[Case], clock: DemoClock) -> Drawn:
    """Read a whole list in the window, case after case; return what was drawn."""
    drawn: Drawn = {}
    with seated(desk_of(study, who)) as reader:
        while reader.session.case is not None:
            case = case_of(reader, every)
            if who == "R1":
                assert_the_window_shows_the_scanners_pixels(reader, case)
            is_torn = {"R1": case.first, "R2": case.second, "A1": case.settled}[who]
            share = NARROWER if who == "A1" else WIDER
            reader.fill_in(torn(case, share) if is_torn else healed(case))
            assert_the_window_tells_true_millimetres(reader)
            drawn[who, case.subject] = reader.take_drawn()
            clock.move(timedelta(minutes=3))
            reader.sign(PHRASE)
            reader.key("F4")
    return drawn


def case_of(reader: RealReader, every: list[Case]) -> Case:
    """Return which case is open; only its pixels tell."""
    shown = reader.shown(reader.session.viewing.active)
    (case,) = (each for each in every if shown in each.made.slices)
    return case


def assert_the_window_shows_the_scanners_pixels(reader: RealReader, case: Case) -> None:
    """Every slice of the scanner once, and in the pane of its plane."""
    seen = reader.leaf_through()
    assert seen.keys() == case.shows.keys()
    for plane, slices in case.shows.items():
        assert sorted(seen[plane]) == sorted(each.key for each in slices)


def assert_the_window_tells_true_millimetres(reader: RealReader) -> None:
    for name, line in reader.drawn.items():
        if len(line.pixels) == 2:
            told = reader.session.answers[name]["mm"]
            assert told == pytest.approx(line.mm, abs=line.within_mm), name
            assert line.within_mm < 0.1 * line.mm


# -------------------------------------------------------------------- the test


def test_from_files_of_a_scanner_to_report_and_structured_reports(tmp_path):
    clock, every = DemoClock(), cases()
    with started(tmp_path, clock, every) as study:
        take_all(study, every)
        allot(study)
        drawn = read_all(study, "R1", every, clock) | read_all(study, "R2", every, clock)
        assert stages(study) == {
            f"{each.subject}-R": Stage.FINAL if each.settled is None else Stage.READERS_DIFFER
            for each in every
        }
        drawn |= read_all(study, "A1", every, clock)
        assert_what_is_signed_was_clicked(study, drawn)
        require_results(study, "test")
        results = compute(gather(study), resamples=20)
        written = write_report(study, results, tmp_path / "report", shelf=FolderShelf(study.folder))
        structured = write_structured(study, tmp_path / "dicom")
        _, _, faults = safety.verify(study)
    assert faults == []
    assert_results(results, every, drawn)
    assert written.page.stat().st_size > 50_000
    assert (len(structured.reports), structured.refused) == (len(drawn), [])
    assert [each for path in structured.reports for each in complaints(path)] == []
    assert_nobody_is_named(tmp_path, every)


def stages(study: studies.Study) -> dict[str, Stage]:
    with study.store.look() as look:
        return {scan.repair: scan.stage for scan in look.all(Scan)}


def assert_what_is_signed_was_clicked(study: studies.Study, drawn: Drawn) -> None:
    """Points lie where the scanner's header puts the clicked pixels, and name the file clicked."""
    with study.store.look() as look:
        repairs = {scan.uid: scan.repair.removesuffix("-R") for scan in look.all(Scan)}
        signed = {(each.reader, repairs[each.scan]): each.answers for each in look.all(Reading)}
    assert signed.keys() == drawn.keys()
    for key, lines in drawn.items():
        assert lines
        for name, line in lines.items():
            answer = signed[key][name]
            away = np.linalg.norm(np.subtract(points_of(answer), line.points), axis=1)
            assert away.max() <= line.within_mm
            (uid,) = {image["uid"] for image in answer["images"]}
            (path,) = study.folder.rglob(f"{uid}.dcm")
            assert ScannerSlice(pydicom.dcmread(path)).key == line.slice.key


def points_of(answer) -> list[list[float]]:
    """Return the points of an answer in the order they were clicked."""
    points = answer["points"]
    if isinstance(points, dict):
        return [points[name][0] for name in ("footprint edge", "apex", "rim", "stump")]
    return points


def assert_results(results: Results, every: list[Case], drawn: Drawn) -> None:
    """Verdicts, rate and agreement, by hand from what the readers were told to find."""
    verdicts = results.data.verdicts.set_index("repair")
    for case in every:
        row = verdicts.loc[f"{case.subject}-R"]
        assert (row["outcome"], row["day"]) == ("retear" if case.verdict else "healed", 182)
    found = results.data.verdict_findings.set_index(["scan", "question"])["number"]
    settled = [each for each in every if each.settled]
    for case in settled:
        lines = drawn["A1", case.subject]
        for name in {"tear width", "straight retraction"} & lines.keys():
            told = found[verdicts.loc[f"{case.subject}-R", "scan"], name]
            assert told == pytest.approx(lines[name].mm, abs=lines[name].within_mm)
    rates = results.tables["retear"].query("timepoint == 'm06' and rule == 'primary'")
    (rate,) = rates.query("by == 'verdict' and quantity == 'rate among the assessed'").itertuples()
    assert (rate.events, rate.assessed) == (sum(each.verdict for each in every), len(every))
    assert_agreement(results, every)


def assert_agreement(results: Results, every: list[Case]) -> None:
    """Share of agreement and Cohen's kappa (Cohen 1960), from their definitions."""
    first, second = np.array([[each.first, each.second] for each in every]).T
    same, torn_by = np.mean(first == second), (first.mean(), second.mean())
    chance = np.prod(torn_by) + np.prod(np.subtract(1, torn_by))
    table = results.tables["agreement"].query("question == 'outcome'")
    told = {row.coefficient: (row.estimate, row.n_used) for row in table.itertuples()}
    assert told["agreement"] == (pytest.approx(same), len(every))
    kappa = (same - chance) / (1 - chance)
    assert told["Cohen's kappa"] == (pytest.approx(kappa), len(every))


def complaints(path: Path) -> list[str]:
    """Errors by dciodvfy (dicom3tools), an independent validator of the standard."""
    program = Path(sys.executable).parent / "dciodvfy"
    done = subprocess.run([program, "-new", path], capture_output=True, check=False)
    lines = (done.stdout + done.stderr).decode("latin-1").splitlines()
    assert lines, "dciodvfy said nothing"
    assert "Comprehensive3DSR" in lines  # it knew what it was to check
    return [line for line in lines if line.startswith("Error")]


def assert_nobody_is_named(folder: Path, every: list[Case]) -> None:
    """No text of a header that tells whose images they are is in any file but the key file's."""
    naming = {word.encode() for each in every for word in each.made.naming}
    looked_at = 0
    for path in folder.rglob("*"):
        if path.is_file() and not {"given", "study-keys"} & set(path.relative_to(folder).parts):
            for content in contents(path):
                found = {word for word in naming if word in content and stands(word, content)}
                assert not found, (path, found)
                assert PHRASE.encode() not in content
            looked_at += 1
    assert looked_at > 20


def contents(path: Path) -> list[bytes]:
    """Return what a file holds: each member of an archive, the rows of a compressed table.

    Figures in PDF are compressed as well; each stands as SVG beside it.
    """
    if path.suffix == ".parquet":
        return [pd.read_parquet(path).to_csv().encode()]
    if not zipfile.is_zipfile(path):
        return [path.read_bytes()]
    with zipfile.ZipFile(path) as archive:
        return [archive.read(name) for name in archive.namelist()]


def stands(word: bytes, content: bytes) -> bool:
    """Whether a word stands by itself, and not as a part of a longer one."""
    return re.search(rb"(?<![\w.])" + re.escape(word) + rb"(?![\w.])", content) is not None
