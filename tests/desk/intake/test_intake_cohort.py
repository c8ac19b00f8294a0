"""Scans of the invented cohort and real ones: planted faults are caught, nothing leaks."""

from __future__ import annotations

import os
from dataclasses import fields
from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from imgtrack.desk import study as studies
from imgtrack.desk.intake.listing import list_scans
from imgtrack.desk.intake.outcome import Fate
from imgtrack.desk.intake.run import take_in
from imgtrack.desk.registry.enrol import enrol
from imgtrack.domain.series import ScanProblemKind
from imgtrack.store.verify import verify
from synthetic_scans.cohort.files import scan_folders, write_sheets
from synthetic_scans.cohort.plan import plan_cohort
from synthetic_scans.cohort.records import Trouble
from synthetic_scans.readers.people import default_readers
from synthetic_scans.study import StudyOrder, make_study
from synthetic_scans.study_series import Size, StackSize

SEED, REPAIRS = 127, 3
SMALL = Size(
    matrix=40,
    samples=1,
    coronal=StackSize(8, 4.0, 4.0),
    sagittal=StackSize(8, 4.0, 4.0),
    axial=StackSize(4, 4.0, 8.0),
    radiograph_matrix=24,
    radiograph_step_mm=8.0,
)
WANTED = {Trouble.WRONG_SIDE, Trouble.WRONG_PLANE, Trouble.MISSING_SLICES}
REAL = Path(os.environ.get("IMGTRACK_REAL_MR", Path(__file__).parents[4] / "shared" / "real_mr"))


def now():
    return datetime(2026, 4, 30, tzinfo=UTC)


@pytest.fixture(scope="module")
def cohort(tmp_path_factory):
    """A study of three repairs with four of their scans in: three spoiled ones and a good one."""
    place = tmp_path_factory.mktemp("cohort")
    plan = plan_cohort(SEED, REPAIRS)
    write_sheets(plan, default_readers(), place)
    folders = scan_folders(plan)
    made = {}
    for record in plan.records:
        for scan in record.scans:
            good = scan.trouble is None and scan.radiograph and None not in made
            if scan.trouble not in WANTED and not good:
                continue
            order = StudyOrder(
                seed=SEED,
                plan=scan,
                patient=record.repair.patient,
                accession_number=folders[scan.code].name,
                scan_folder=place / "scans" / folders[scan.code],
                truth_file=place / "truth" / f"{scan.code}.json",
                size=SMALL,
            )
            make_study(order)
            made[scan.trouble] = (scan, record.repair)
    with studies.start(place / "study", name="Cohort", who="C1", now=now):
        pass
    toml = place / "study" / "study.toml"
    toml.write_text(toml.read_text().replace("sites = []", 'sites = ["H", "Q"]'))
    with studies.open_study(place / "study", who="C1", now=now) as study:
        enrol(study, place / "enrolment.csv")
        report = take_in(study, [place / "scans"])
        yield study, report, made, place


def problems(cohort, trouble):
    study, _, made, _ = cohort
    scan, _ = made[trouble]
    listed = next(
        each
        for each in list_scans(study)
        if each.scan.acquired_on == scan.scanned_on and each.scan.modality == "MR"
    )
    kinds = {p.kind for p in listed.problems if p.kind is not ScanProblemKind.PIXEL}
    return listed, kinds


def test_every_scan_is_linked_by_identity_and_day(cohort):
    study, report, made, _ = cohort
    assert report.adds_up
    assert report.refusals == ()
    assert {outcome.fate for outcome in report.studies} == {Fate.TAKEN_IN}
    found = {
        (each.scan.repair[:3], each.scan.acquired_on, each.scan.timepoint)
        for each in list_scans(study)
    }
    assert found == {
        (repair.patient.subject, scan.scanned_on, scan.timepoint) for scan, repair in made.values()
    }
    with study.store.look() as look:
        assert verify(look) == []


@pytest.mark.parametrize(
    ("trouble", "kind"),
    [
        (Trouble.WRONG_SIDE, ScanProblemKind.SIDE),
        (Trouble.WRONG_PLANE, ScanProblemKind.SERIES_MISSING),
        (Trouble.MISSING_SLICES, ScanProblemKind.GEOMETRY),
    ],
)
def test_what_was_spoiled_on_purpose_is_caught(cohort, trouble, kind):
    listed, kinds = problems(cohort, trouble)
    assert kind in kinds
    assert listed.is_blocked


def test_a_good_scan_may_be_read(cohort):
    listed, kinds = problems(cohort, None)
    assert kinds == set()
    assert not listed.is_blocked
    assert {each.scan.modality for each in list_scans(cohort[0])} == {"MR", "DX"}


def test_nothing_of_an_identity_is_in_the_study(cohort):
    """Every text, number and date the phantom plants in its headers, and every original UID."""
    study, _, made, place = cohort
    planted = set()
    for _, repair in made.values():
        identity = repair.patient.identity
        for field in fields(identity):
            value = getattr(identity, field.name)
            if isinstance(value, date):
                planted |= {value.isoformat(), f"{value:%Y%m%d}"}
            elif field.name != "sex" and value:
                planted |= {value, *(part for part in value.split("^") if len(part) > 3)}
    with study.keys() as keys:
        originals = {
            uid
            for path in (place / "scans").rglob("*.dcm")
            for uid in _uids(path)
            if keys.replacement_for(uid)
        }
    assert len(originals) > 50
    planted |= originals | {str(place / "scans"), "HARROWME", "QUILLBRO"}
    everything = b"".join(
        path.read_bytes() + str(path.relative_to(place)).encode()
        for path in study.folder.rglob("*")
        if path.is_file() and path.name != "settings.toml"
    )
    with study.store.look() as look:
        said = "\n".join(
            entry.new + entry.old + entry.reason + entry.record for entry in look.log()
        )
    leaked = [word for word in planted if word.encode() in everything or word in said]
    assert leaked == []


def _uids(path):
    import pydicom

    ds = pydicom.dcmread(path, stop_before_pixels=True)
    kinds = ("SOPInstanceUID", "SeriesInstanceUID", "StudyInstanceUID", "FrameOfReferenceUID")
    return [ds[kind].value for kind in kinds if kind in ds]


@pytest.mark.skipif(not REAL.is_dir(), reason="the optional real MR series are not here")
def test_real_series_are_all_accounted_for(tmp_path, cohort):
    """Series of seven scanners, none of a patient of this study: each waits or is refused."""
    study = cohort[0]
    folders = [REAL / name for name in ("ge_3plane_localizer", "philips_mixed_orient_one_series")]
    report = take_in(study, folders)
    assert report.adds_up
    assert {outcome.fate for outcome in report.studies} == {Fate.WAITING}
    with study.keys() as keys:
        codes = {each.code for each in keys.waiting()}
    assert {outcome.code for outcome in report.studies} == codes
