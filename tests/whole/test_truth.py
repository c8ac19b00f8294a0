"""Readers without error: every figure must be the phantom's truth.

Truth comes from `synthetic_scans`, which imports nothing of the program (a contract of
import-linter) and whose own figures are tested against its voxels in tests/synthetic.
"""

from __future__ import annotations

import json

import numpy as np
import pytest

from imgtrack.outcomes.retear import retear_rates
from imgtrack.outcomes.timing import first_retears

GRADE = ("I", "II", "III", "IV", "V")


@pytest.fixture(scope="module")
def verdicts(truthful):
    mr = truthful.data.verdicts
    return mr[(mr["modality"] == "MR")]


@pytest.fixture(scope="module")
def lengths(truthful):
    """Lengths of the verdicts by scan and question."""
    found = truthful.data.verdict_findings
    drawn = found[found["number"].notna()]
    return {(row.scan, row.question): row.number for row in drawn.itertuples()}


def planned(truthful):
    """Return repair, timepoint, day and truth file of every scan, from the phantom's own files."""
    cohort = json.loads((truthful.sheets / "truth" / "cohort.json").read_text("utf-8"))
    for repair in cohort["repairs"]:
        for scan in repair["scans"]:
            record = json.loads((truthful.sheets / scan["truth"]).read_text("utf-8"))
            yield repair["repair"], scan, record["truth"]


def test_every_mr_scan_has_a_verdict_and_the_log_is_whole(truthful, verdicts):
    assert len(verdicts) == sum(1 for _ in planned(truthful))
    assert truthful.faults == []


def test_the_outcome_of_every_scan_is_the_phantoms(truthful, verdicts):
    after = verdicts[verdicts["timepoint"] != "preop"]
    said = {(row.repair, row.timepoint): row.outcome == "retear" for row in after.itertuples()}
    true = {
        (repair, scan["timepoint"]): scan["torn"]
        for repair, scan, _ in planned(truthful)
        if scan["timepoint"] != "preop" and scan["in_window"]
    }
    assert {key: said[key] for key in true} == true
    assert any(true.values())
    assert not all(true.values())


def test_the_sugaya_type_of_every_scan_is_the_phantoms(truthful, verdicts):
    after = verdicts[verdicts["timepoint"] != "preop"]
    true = {
        (repair, scan["day"]): next(
            grade["value"] for grade in truth["grades"] if grade["scale"] == "sugaya_2007"
        )
        for repair, scan, truth in planned(truthful)
    }
    said = {(row.repair, row.day): row.grade for row in after.itertuples()}
    assert said == {key: true[key] for key in said}


def test_widths_retractions_and_thicknesses_are_the_phantoms(truthful, verdicts, lengths):
    """What is signed is recomputed from points that are written to the tables; within the 0.01 mm
    that the desk allows."""
    compared = 0
    names = {
        "tear width": "defect_width",
        "straight retraction": "defect_retraction",
        "retraction along the head": "defect_retraction_arc",
    }
    true = {(repair, scan["day"]): truth for repair, scan, truth in planned(truthful)}
    for row in verdicts.itertuples():
        values = {m["name"]: m["value"] for m in true[row.repair, row.day]["measurements"]}
        for question, name in names.items():
            if name in values and (row.scan, question) in lengths:
                assert lengths[row.scan, question] == pytest.approx(values[name], abs=0.01)
                compared += 1
        if (row.scan, "tendon thickness") in lengths:
            least = min(values["tendon_thickness"], values.get("remaining_thickness", np.inf))
            assert lengths[row.scan, "tendon thickness"] == pytest.approx(least, abs=0.01)
            compared += 1
    assert compared > 15


def test_the_retear_table_counts_what_the_phantom_holds(truthful):
    rates = retear_rates(truthful.data)
    shown = rates[
        (rates["rule"] == "primary")
        & (rates["by"] == "verdict")
        & (rates["quantity"] == "rate among the assessed")
    ]
    true: dict[str, list[bool]] = {}
    for _, scan, _ in planned(truthful):
        if scan["timepoint"] != "preop" and scan["in_window"]:
            true.setdefault(scan["timepoint"], []).append(scan["torn"])
    said = {row.timepoint: (row.events, row.assessed) for row in shown.itertuples()}
    for timepoint, torn in true.items():
        assert said[timepoint] == (sum(torn), len(torn))


def test_first_retear_intervals_are_the_phantoms(truthful):
    """By hand from the phantom's plan: the last intact scan before the first torn one."""
    table = first_retears(truthful.data)
    said = {
        row.repair: (row.intact_until, row.torn_by)
        for row in table[table["rule"] == "primary"].itertuples()
    }
    visits: dict[str, list[tuple[int, bool]]] = {}
    for repair, scan, _ in planned(truthful):
        if scan["day"] > 0:
            visits.setdefault(repair, []).append((scan["day"], scan["torn"]))
    for repair, seen in visits.items():
        torn_by = min((day for day, torn in seen if torn), default=np.inf)
        intact = max((day for day, torn in seen if not torn and day < torn_by), default=0)
        assert said[repair] == (intact, torn_by)
    assert any(np.isfinite(torn_by) for _, torn_by in said.values())
