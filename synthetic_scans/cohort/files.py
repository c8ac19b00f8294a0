"""The demo study as the plain files a study team has: sheets, manifest and readers."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path, PurePosixPath
from typing import Any

from synthetic_scans.cohort.people import SITE_NAMES, seen_torn_from
from synthetic_scans.cohort.readings import READING_COLUMNS, reading_rows
from synthetic_scans.cohort.records import Cohort, RepairRecord, ScanPlan
from synthetic_scans.readers.people import Reader

ENROLMENT_COLUMNS = (
    "subject",
    "side",
    "operation_date",
    "sex",
    "age",
    "tear_size_mm",
    "tendons",
    "technique",
    "arm",
    "site",
    "revision",
    "name",
    "hospital_number",
    "birth_date",
)
SCORE_COLUMNS = (
    "subject",
    "side",
    "timepoint",
    "assessed_on",
    "score",
    "pain",
    "activities",
    "motion",
    "strength",
    "total",
)
EVENT_COLUMNS = ("subject", "side", "event", "date", "note")
MANIFEST_COLUMNS = ("path", "subject", "side", "timepoint")

TWO_TENDONS_FROM_MM = 25.0


def write_sheets(cohort: Cohort, readers: Sequence[Reader], folder: Path) -> None:
    """Write the sheets, the manifest and the readers of a study into a folder.

    Parameters
    ----------
    cohort, readers
        What to write.
    folder
        Made when missing. ``enrolment.csv``, ``scores.csv``, ``events.csv``, ``manifest.csv``
        and ``readers.json`` are written there, ``cohort.json`` into its folder ``truth``.
    """
    (folder / "truth").mkdir(parents=True, exist_ok=True)
    records = cohort.records
    sheets: dict[str, tuple[Sequence[str], Iterable[Mapping[str, object]]]] = {
        "enrolment.csv": (ENROLMENT_COLUMNS, map(_enrolment, records)),
        "scores.csv": (SCORE_COLUMNS, _scores(records)),
        "events.csv": (EVENT_COLUMNS, _events(records)),
        "manifest.csv": (MANIFEST_COLUMNS, manifest_rows(cohort)),
    }
    for name, (columns, rows) in sheets.items():
        write_csv(folder / name, columns, rows)
    write_json(folder / "readers.json", {"readers": [reader.to_json() for reader in readers]})
    write_json(folder / "truth" / "cohort.json", _truth(cohort))


def write_readings(cohort: Cohort, readers: Sequence[Reader], folder: Path) -> None:
    """Write the simulated readings of a study as ``readings.csv``; every truth file must exist."""
    folders = scan_folders(cohort)
    scans = [
        (
            _about(record, scan),
            json.loads((folder / "truth" / f"{folders[scan.code]}.json").read_text("utf-8")),
        )
        for record in cohort.records
        for scan in record.scans
    ]
    rows = reading_rows(scans, readers, cohort.seed)
    write_csv(folder / "readings.csv", READING_COLUMNS, rows)


def _about(record: RepairRecord, scan: ScanPlan) -> dict[str, object]:
    return {
        "subject": record.repair.patient.subject,
        "side": record.repair.side,
        "timepoint": scan.timepoint if scan.in_window else "",
        "scanned_on": scan.scanned_on.isoformat(),
    }


def write_csv(path: Path, columns: Sequence[str], rows: Iterable[Mapping[str, object]]) -> None:
    """Write rows of named values as CSV, the same bytes on every system."""
    text = io.StringIO(newline="")
    writer = csv.DictWriter(text, columns, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    replace_text(path, text.getvalue())


def write_json(path: Path, value: Mapping[str, Any]) -> None:
    """Write JSON with a stable layout; a value that is not a number is refused."""
    replace_text(path, json.dumps(value, indent=1, sort_keys=True, allow_nan=False) + "\n")


def replace_text(path: Path, text: str) -> None:
    """Write a whole file or leave what was there: a reader never meets half of it."""
    part = path.with_name(path.name + ".part")
    part.write_bytes(text.encode())
    part.replace(path)


def scan_folders(cohort: Cohort) -> dict[str, PurePosixPath]:
    """Return the folder of every scan by its code, as a hospital archive would name it.

    The number counts the examinations of a hospital in order of their day, so neither subject
    nor timepoint can be read off a folder.
    """
    found: dict[str, PurePosixPath] = {}
    for site, name in SITE_NAMES.items():
        scans = sorted(
            (scan for record in _of_site(cohort, site) for scan in record.scans),
            key=lambda scan: (scan.scanned_on, scan.code),
        )
        hospital = name.split()[0].upper()[:8]
        for place, scan in enumerate(scans, 1):
            found[scan.code] = PurePosixPath(hospital, f"E{scan.scanned_on:%y}{place:05d}")
    return found


def _of_site(cohort: Cohort, site: str) -> Iterable[RepairRecord]:
    return (record for record in cohort.records if record.repair.patient.site == site)


def manifest_rows(cohort: Cohort) -> list[dict[str, object]]:
    """Return one row per scan: folder, subject, side and timepoint.

    A scan that came behind its window has no timepoint.
    """
    folders = scan_folders(cohort)
    return [
        {
            "path": f"scans/{folders[scan.code]}",
            "subject": record.repair.patient.subject,
            "side": record.repair.side,
            "timepoint": scan.timepoint if scan.in_window else "",
        }
        for record in cohort.records
        for scan in record.scans
    ]


def _enrolment(record: RepairRecord) -> dict[str, object]:
    repair, patient = record.repair, record.repair.patient
    two = repair.tear_size_mm >= TWO_TENDONS_FROM_MM
    return {
        "subject": patient.subject,
        "side": repair.side,
        "operation_date": repair.operated_on.isoformat(),
        "sex": patient.sex,
        "age": repair.age,
        "tear_size_mm": round(repair.tear_size_mm),
        "tendons": "supraspinatus; infraspinatus" if two else "supraspinatus",
        "technique": repair.technique.value,
        "arm": repair.arm,
        "site": patient.site,
        "revision": "yes" if repair.sequence == 2 else "no",
        "name": patient.identity.patient_name,
        "hospital_number": patient.identity.patient_id,
        "birth_date": patient.identity.birth_date.isoformat(),
    }


def _scores(records: Iterable[RepairRecord]) -> list[dict[str, object]]:
    return [
        {
            "subject": record.repair.patient.subject,
            "side": record.repair.side,
            "timepoint": score.timepoint,
            "assessed_on": score.assessed_on.isoformat(),
            "score": "constant",
            "pain": score.pain,
            "activities": score.activities,
            "motion": score.motion,
            "strength": score.strength,
            "total": score.total,
        }
        for record in records
        for score in record.scores
    ]


def _events(records: Iterable[RepairRecord]) -> list[dict[str, object]]:
    return [
        {
            "subject": record.repair.patient.subject,
            "side": record.repair.side,
            "event": event.kind,
            "date": event.happened_on.isoformat(),
            "note": event.note,
        }
        for record in records
        for event in record.events
    ]


def _truth(cohort: Cohort) -> dict[str, Any]:
    folders = scan_folders(cohort)
    return {
        "seed": cohort.seed,
        "as_of": cohort.as_of.isoformat(),
        "repairs": [_repair_truth(record, folders) for record in cohort.records],
    }


def _repair_truth(record: RepairRecord, folders: dict[str, PurePosixPath]) -> dict[str, Any]:
    """Return what will become of a repair, and where the truth of each of its scans lies."""
    repair = record.repair
    days = seen_torn_from(repair)
    return {
        "repair": repair.code,
        "subject": repair.patient.subject,
        "side": repair.side,
        "sequence": repair.sequence,
        "operated_on": repair.operated_on.isoformat(),
        "course": repair.course.value,
        "torn_from_day": None if days is None else days[0],
        "closed_from_day": None if days is None or days[1] < 0 else days[1],
        "scans": [_scan_truth(record, scan, folders[scan.code]) for scan in record.scans],
    }


def _scan_truth(record: RepairRecord, scan: ScanPlan, folder: PurePosixPath) -> dict[str, Any]:
    return {
        "scan": scan.code,
        "path": f"scans/{folder}",
        "truth": f"truth/{folder}.json",
        "timepoint": scan.timepoint,
        "in_window": scan.in_window,
        "scanned_on": scan.scanned_on.isoformat(),
        "day": (scan.scanned_on - record.repair.operated_on).days,
        "torn": scan.state.condition.defect is not None,
        "metal": scan.metal,
        "trouble": scan.trouble.value if scan.trouble else None,
    }
