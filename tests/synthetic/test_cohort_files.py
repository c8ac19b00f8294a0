"""The demo study as files: what a study team would hand over, and the truth kept apart."""

from __future__ import annotations

import csv
import json
from datetime import date

import pytest

from synthetic_scans.cohort.files import scan_folders, write_json, write_sheets
from synthetic_scans.cohort.plan import plan_cohort
from synthetic_scans.readers.people import Reader, default_readers


@pytest.fixture(scope="module")
def cohort():
    return plan_cohort(20417, 30)


@pytest.fixture(scope="module")
def folder(cohort, tmp_path_factory):
    folder = tmp_path_factory.mktemp("study")
    write_sheets(cohort, default_readers(), folder)
    return folder


def rows(folder, name):
    with (folder / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_enrolment_has_one_row_per_repair_with_the_header_identity(cohort, folder):
    found = rows(folder, "enrolment.csv")
    assert len(found) == 30
    assert ",".join(found[0]) == (
        "subject,side,operation_date,sex,age,tear_size_mm,tendons,technique,arm,site,revision,"
        "name,hospital_number,birth_date"
    )
    for row, record in zip(found, cohort.records, strict=True):
        identity = record.repair.patient.identity
        assert (row["name"], row["hospital_number"]) == (
            identity.patient_name,
            identity.patient_id,
        )
        assert date.fromisoformat(row["birth_date"]) == identity.birth_date
        assert row["revision"] == ("yes" if record.repair.sequence == 2 else "no")
        assert (float(row["tear_size_mm"]) >= 25) == ("infraspinatus" in row["tendons"]) or (
            24.5 <= record.repair.tear_size_mm < 25
        )


def test_scores_add_up(folder):
    for row in rows(folder, "scores.csv"):
        parts = [int(row[name]) for name in ("pain", "activities", "motion", "strength")]
        assert sum(parts) == int(row["total"])
        assert row["score"] == "constant"


def test_events_name_their_repair(cohort, folder):
    found = rows(folder, "events.csv")
    assert len(found) == sum(len(record.events) for record in cohort.records)
    assert {row["event"] for row in found} == {
        "revision",
        "infection",
        "withdrawal",
        "death",
        "lost",
    }


def test_the_manifest_names_every_scan_once_and_leaves_late_ones_open(cohort, folder):
    found = rows(folder, "manifest.csv")
    scans = [scan for record in cohort.records for scan in record.scans]
    assert len(found) == len(scans) == len({row["path"] for row in found})
    assert [row["timepoint"] == "" for row in found] == [not scan.in_window for scan in scans]
    assert sum(row["timepoint"] == "" for row in found) == 1


def test_folders_tell_neither_subject_nor_timepoint(cohort):
    folders = scan_folders(cohort)
    for record in cohort.records:
        for scan in record.scans:
            text = str(folders[scan.code])
            assert record.repair.patient.subject not in text.split("/")[1]
            assert scan.timepoint not in text
    for hospital in {folder.parts[0] for folder in folders.values()}:
        scans = [code for code, folder in folders.items() if folder.parts[0] == hospital]
        numbers = [folders[code].name for code in scans]
        assert numbers == sorted(numbers)


def test_the_truth_is_kept_in_its_own_tree(cohort, folder):
    truth = json.loads((folder / "truth" / "cohort.json").read_text())
    assert truth["seed"] == 20417
    by_code = {entry["repair"]: entry for entry in truth["repairs"]}
    for record in cohort.records:
        entry = by_code[record.repair.code]
        assert entry["course"] == record.repair.course.value
        for scan in entry["scans"]:
            torn = entry["torn_from_day"] is not None and scan["day"] >= entry["torn_from_day"]
            closed = (
                entry["closed_from_day"] is not None and scan["day"] >= entry["closed_from_day"]
            )
            assert scan["torn"] == (scan["day"] < 0 or (torn and not closed))
            assert scan["truth"].startswith("truth/")
    outside = [path for path in folder.rglob("*") if path.is_file() and "truth" not in path.parts]
    assert outside
    for path in outside:
        text = path.read_text()
        assert not any(record.repair.course.value in text for record in cohort.records)


def test_readers_are_described(folder):
    described = json.loads((folder / "readers.json").read_text())["readers"]
    assert tuple(Reader.from_json(reader) for reader in described) == default_readers()


def test_the_same_study_gives_the_same_bytes(cohort, folder, tmp_path):
    write_sheets(plan_cohort(20417, 30), default_readers(), tmp_path)
    for path in sorted(folder.rglob("*.*")):
        if path.is_file():
            assert (tmp_path / path.relative_to(folder)).read_bytes() == path.read_bytes()
            assert b"\r" not in path.read_bytes()


def test_json_that_is_no_number_is_refused_and_leaves_no_file(tmp_path):
    with pytest.raises(ValueError, match="not JSON compliant"):
        write_json(tmp_path / "x.json", {"width_mm": float("nan")})
    assert list(tmp_path.iterdir()) == []
