"""What is true of the scans of the invented study, found again behind their new UIDs."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING, Any

import numpy as np

from imgtrack.domain.imaging import Scan
from synthetic_scans.cohort.readings import case_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

    from imgtrack.desk.study import Study
    from synthetic_scans.readers.people import Cases

HEALTHY_MM = 5.0
"""Thickness to compare with where no scan of the shoulder has a whole tendon; our invention."""


@dataclass(frozen=True, slots=True, eq=False)
class ScanTruth:
    """What is true of one scan.

    Attributes
    ----------
    name
        Name of the scan that is the same on every machine, as ``H02-R_m06``.
    cases
        What readers err about: one case. Its thickness is the least the tendon has left.
    reference_mm
        Thickness of the healthy tendon beside the repair.
    bright
        Whether the tendon has a bright area.
    points
        Ends of measurements by name, patient LPS mm; each of shape (n, 3).
    places
        Landmarks by name, patient LPS mm.
    shown
        By plane (``coronal_oblique`` ...): where each slice that shows the gap lies, shape (n, 3).
    metal
        Whether metal hides part of the tendon.
    """

    name: str
    cases: Cases
    reference_mm: float
    bright: bool
    points: Mapping[str, np.ndarray[Any, np.dtype[np.float64]]]
    places: Mapping[str, np.ndarray[Any, np.dtype[np.float64]]]
    shown: Mapping[str, np.ndarray[Any, np.dtype[np.float64]]]
    metal: bool


def truths_of(study: Study, sheets: Path) -> dict[str, ScanTruth]:
    """Return what is true of every scan of a study, by UID.

    A scan is known by its repair and its day: neither leaves the registry.

    Parameters
    ----------
    study
        Open.
    sheets
        Folder of the invented study with its ``truth``.
    """
    known = {(repair, day): truth for repair, day, truth in _truths(sheets)}
    with study.store.look() as look:
        scans = look.all(Scan)
    found = {scan.uid: known.get((scan.repair, scan.acquired_on)) for scan in scans}
    return {uid: truth for uid, truth in found.items() if truth is not None}


def _truths(sheets: Path) -> Iterator[tuple[str, date, ScanTruth]]:
    cohort = json.loads((sheets / "truth" / "cohort.json").read_text("utf-8"))
    for repair in cohort["repairs"]:
        records = [
            json.loads((sheets / each["truth"]).read_text("utf-8")) for each in repair["scans"]
        ]
        reference = max(map(_whole_mm, records), default=0.0) or HEALTHY_MM
        for each, record in zip(repair["scans"], records, strict=True):
            day = date.fromisoformat(each["scanned_on"])
            yield repair["repair"], day, scan_truth(record, reference_mm=reference)


def _whole_mm(record: Mapping[str, Any]) -> float:
    """Return the thickness of a tendon without defect, 0 where there is none."""
    return _values(record).get("tendon_thickness", 0.0)


def _values(record: Mapping[str, Any]) -> dict[str, float]:
    return {each["name"]: each["value"] for each in record["truth"]["measurements"]}


def scan_truth(record: Mapping[str, Any], *, reference_mm: float) -> ScanTruth:
    """Return what a truth file says of a scan.

    Parameters
    ----------
    record
        The truth file.
    reference_mm
        Thickness of the healthy tendon.
    """
    truth, values = record["truth"], _values(record)
    cases = case_of(record)
    if "remaining_thickness" in values:
        lengths = cases.lengths.copy()
        lengths[:, 3] = np.fmin(lengths[:, 3], values["remaining_thickness"])
        cases = replace(cases, lengths=lengths)
    return ScanTruth(
        name=str(record["scan"]),
        cases=cases,
        reference_mm=reference_mm,
        bright=int(cases.sugaya[0]) == 2,
        points={
            each["name"]: np.array(each["points"], dtype=np.float64)
            for each in truth["measurements"]
            if each["points"]
        },
        places={name: np.array(place) for name, place in truth["landmarks"].items()},
        shown={
            stack["plane"]: np.array([np.mean(s["gap_points"], axis=0) for s in stack["shown"]])
            for stack in reversed(truth["stacks"])
            if stack["shown"]
        },
        metal=bool(record["metal"]),
    )
