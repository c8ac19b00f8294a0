"""The whole job on pixels that came from a scanner, without a window.

The series is a real three-plane localizer (``ge_3plane_localizer`` of the optional real series; its
inventory names the public source): coronal, sagittal and axial slices of a head. No shoulder and
no postoperative series is free to be used, so what is read on it is invented: the repair, the
operation and the readers' answers. What is real is the way of the files: headers of a scanner, its
geometry and its pixels.
"""

from __future__ import annotations

import os
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pydicom
import pytest
from whole_study import QUICK, silent

from imgtrack.cli.demo.drawing import sheet_of
from imgtrack.cli.demo.people import DemoClock, desk_of
from imgtrack.desk import safety
from imgtrack.desk import study as studies
from imgtrack.desk.cases.allot import allot
from imgtrack.desk.cases.opening import open_next
from imgtrack.desk.cases.shelf import FolderShelf
from imgtrack.desk.intake import correcting
from imgtrack.desk.intake.outcome import Fate
from imgtrack.desk.intake.run import take_in
from imgtrack.desk.people.pass_phrases import set_pass_phrase
from imgtrack.desk.readings.drafts import save_draft
from imgtrack.desk.readings.signing import sign
from imgtrack.desk.registry.enrol import enrol
from imgtrack.desk.results import gather, require_results
from imgtrack.desk.structured_out import write_structured
from imgtrack.domain.imaging import Scan, Stage
from imgtrack.domain.protocol import Plane
from imgtrack.domain.series import ScanProblem, ScanProblemKind
from imgtrack.domain.subjects import Side
from imgtrack.outcomes.compute import compute
from imgtrack.report.writing import write_report

PHRASE = "seven slow snails"
OPERATED = date(2024, 2, 1)
"""182 days before the day of the scan, which stands in its headers: 1 August 2024."""


@pytest.fixture(scope="module")
def localizer() -> Path:
    named = os.environ.get("IMGTRACK_REAL_MR")
    folder = Path(named) if named else Path(__file__).parents[3] / "shared" / "real_mr"
    if not (folder / "ge_3plane_localizer").is_dir():
        pytest.skip("the optional real series are not here (IMGTRACK_REAL_MR)")
    return folder / "ge_3plane_localizer"


def started(folder: Path, clock: DemoClock) -> studies.Study:
    """A study with one enrolled repair and people who can sign; each scan is settled once."""
    study = studies.start(folder / "study", name="Real pixels", who="C1", now=clock)
    sheet = folder / "enrolment.csv"
    sheet.write_text(f"subject,side,operation_date\nS1,right,{OPERATED.isoformat()}\n")
    enrol(study, sheet, progress=silent)
    for who in ("R1", "R2", "A1"):
        set_pass_phrase(desk_of(study, who), PHRASE, hasher=QUICK)
    return study


def take(study: studies.Study, localizer: Path) -> Scan:
    """Take the series in by a manifest, and settle what a coordinator would ask about."""
    sheet = study.folder.parent / "manifest.csv"
    sheet.write_text(f"path,subject,side,timepoint\n{localizer},S1,right,m06\n")
    taken = take_in(study, [localizer], manifest=sheet, progress=silent)
    assert taken.count(Fate.TAKEN_IN) == 1
    with study.store.look() as look:
        (scan,) = look.all(Scan)
        blocking = {each.kind for each in look.all(ScanProblem) if each.blocks_reading}
    assert ScanProblemKind.BODY_PART in blocking  # its header says that it is a head
    for kind in sorted(blocking):
        if kind is ScanProblemKind.SIDE:
            correcting.relabel(study, scan.uid, side=Side.RIGHT, reason="invented repair")
        else:
            correcting.accept(study, scan.uid, kind, reason="a localizer, for this test")
    return scan


def torn(case, width):
    """Draw a tear of a given width on the real slices; a retraction of 9 mm."""
    coronal = sheet_of(case.series, Plane.CORONAL_OBLIQUE)
    sagittal = sheet_of(case.series, Plane.SAGITTAL_OBLIQUE)
    middle = [sheet.planes[3].to_patient([[120, 120], [120, 160]]) for sheet in (coronal, sagittal)]
    edge, rim = middle[0]
    landmarks = {"footprint edge": [edge], "rim": [rim]}
    landmarks |= {"apex": [edge + 0.5 * (rim - edge)], "stump": [edge + 0.25 * (rim - edge)]}
    far = float(np.linalg.norm(rim - edge))
    return {
        "tendon defect": {"value": "full-thickness defect"},
        "gap slices": {
            "coronal oblique": coronal.gap(middle[0][:1], 2),
            "sagittal oblique": sagittal.gap(middle[1][:1], 1),
        },
        "tear width": sagittal.line(3, *middle[1], width),
        "straight retraction": coronal.line(3, edge, rim, 9.0),
        "patte landmarks": {
            "points": {name: [p.tolist() for p in each] for name, each in landmarks.items()},
            "mm": {"stump": 0.25 * far, "apex": 0.5 * far, "rim": far},
            "images": [coronal.image(3)],
            "origin": "drawn",
        },
        "patte_stage": {"value": "1"},
        "retear_pattern": {"value": "1"},
        "sugaya": {"value": "IV"},
    }


def healed(case):
    coronal = sheet_of(case.series, Plane.CORONAL_OBLIQUE)
    start, end = coronal.planes[3].to_patient([[120, 120], [120, 160]])
    return {
        "tendon defect": {"value": "no full-thickness defect"},
        "tendon thickness": coronal.line(3, start, end, 4.5),
        "reference thickness": coronal.line(3, start, end, 5.0),
        "bright signal": {"value": "yes"},
        "sugaya": {"value": "II"},
    }


def read(study, who, answers, clock):
    """Open, look at the pixels, draft and sign as a window does; return the pixels seen."""
    desk = desk_of(study, who)
    with open_next(desk) as case:
        pixels = {each.alias: case.pixels(each.alias).values for each in case.series}
        common = {f"adequacy {each}": {"value": "adequate"} for each in ("tendon", "thickness")}
        given = common | {"adequacy muscle": {"not_assessable": "coverage"}} | answers(case)
        save_draft(desk, case, given)
        clock.move(timedelta(minutes=3))
        sign(desk, case, PHRASE)
    assert open_next(desk) is None
    return pixels


def test_from_files_of_a_scanner_to_report_and_structured_reports(localizer, tmp_path):
    clock = DemoClock()
    with started(tmp_path, clock) as study:
        scan = take(study, localizer)
        allot(study)
        seen = read(study, "R1", lambda case: torn(case, 12.0), clock)
        read(study, "R2", healed, clock)
        with study.store.look() as look:
            assert look.get(Scan, scan.uid).stage is Stage.READERS_DIFFER
        read(study, "A1", lambda case: torn(case, 11.0), clock)
        require_results(study, "test")
        results = compute(gather(study), resamples=20)
        written = write_report(study, results, tmp_path / "report", shelf=FolderShelf(study.folder))
        structured = write_structured(study, tmp_path / "dicom")
        _, _, faults = safety.verify(study)
    assert faults == []
    assert_the_pixels_are_the_scanners(seen, localizer)
    (verdict,) = results.data.verdicts.itertuples()
    assert (verdict.outcome, verdict.grade, verdict.day) == ("retear", "IV", 182)
    widths = results.data.verdict_findings.query("question == 'tear width'")["number"]
    assert widths.tolist() == pytest.approx([11.0], abs=0.01)
    assert written.page.stat().st_size > 50_000
    assert len(structured.reports) == 3
    assert not structured.refused
    assert_nobody_is_named(tmp_path / "study", localizer)


def assert_the_pixels_are_the_scanners(seen, localizer):
    """Every slice shown is one the scanner wrote, value for value (read by pydicom alone)."""
    originals = {pydicom.dcmread(path).pixel_array.tobytes() for path in localizer.iterdir()}
    shown = [each.astype(np.int16).tobytes() for stack in seen.values() for each in stack]
    assert len(shown) == len(originals) == 21
    assert set(shown) == originals


def assert_nobody_is_named(folder, localizer):
    """The name and the number in the headers left them on the way in."""
    said = pydicom.dcmread(next(localizer.iterdir()), stop_before_pixels=True)
    for path in folder.rglob("*.dcm"):
        kept = path.read_bytes()
        assert str(said.PatientName).encode() not in kept
        assert str(said.StudyInstanceUID).encode() not in kept
