"""The data dictionary: what every table is, and what every column of it means."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import pandas as pd

if TYPE_CHECKING:
    from imgtrack.outcomes.compute import Results

COLUMNS = ("table", "about", "column", "meaning", "unit")

TABLES = {
    "repairs": "One row per repair, as enrolled",
    "states": "One row per repair and timepoint: its state on the follow-up board",
    "scans": "One row per scan that is in",
    "readings": "One row per standing reading, training left out",
    "findings": "One row per reading and finding",
    "verdicts": "One row per scan whose reading is final",
    "verdict_findings": "One row per final verdict and finding",
    "scores": "One row per clinical score",
    "events": "One row per event of a repair",
    "flow": "How many repairs came how far, by timepoint; all, by arm and by site",
    "reasons": "Why repairs that were due have no assessable scan",
    "retear": "Retear rates by timepoint, rule, and who judged",
    "patterns": "How the repairs tore",
    "corrected": "Retear rate behind the readers' errors, and the readers' accuracy",
    "first_retears": "Interval of the first retear of every repair",
    "cumulative": "Share of repairs torn by each timepoint",
    "steps": "The interval-censored estimate itself, interval by interval",
    "subgroups": "Retear rates by subgroup, and comparisons with the first group",
    "agreement": "Agreement of readers on every grade and measurement",
    "confusion": "How often one reader's answer met another's",
    "pairs": "Measurements two readers made of one scan",
    "settling": "By which rule the final verdicts were given",
    "overruled": "How often an adjudicator decided against a reader",
    "transitions": "Grades from one follow-up timepoint to the next",
    "reversals": "Repairs read as healed after a retear",
    "measurements": "Measurements of the final verdicts",
    "changes": "Mean change of measurements between follow-up timepoints",
    "scored": "Clinical scores at follow-up with the outcome and the score before surgery",
    "scores_by_outcome": "Mean scores by timepoint and outcome",
    "score_differences": "Score of healed above torn repairs",
}

DAYS, MM, SHARE = "days from operation", "mm", "share"

MEANINGS: Mapping[str, tuple[str, str]] = {
    "repair": ("Code of the repair", ""),
    "subject": ("Code of the patient", ""),
    "side": ("Operated shoulder", ""),
    "operation_date": ("Day of the operation; day 0", "ISO date"),
    "site": ("Code of the hospital", ""),
    "arm": ("Study arm", ""),
    "sex": ("As recorded", ""),
    "age_years": ("Completed years at operation", "years"),
    "tear_size_mm": ("Greatest tear dimension before surgery", MM),
    "technique": ("How it was fixed", ""),
    "timepoint": ("Name of the timepoint; 'unscheduled' outside every window", ""),
    "state": ("State on the follow-up board; of an interval, whether a retear was seen", ""),
    "reason": ("Why: events of the repair, or why it was not assessable", ""),
    "scan": ("UID of the scan after de-identification", ""),
    "modality": ("Kind of imaging, DICOM code", ""),
    "day": ("Day of the scan or assessment", DAYS),
    "stage": ("How far its reading has come", ""),
    "reading": ("Key of the reading", ""),
    "reader": ("Code of the reader", ""),
    "round": ("Why it was read: first, second, repeat, settling", ""),
    "outcome": ("healed, retear or not assessable by the primary rule; empty if not asked", ""),
    "outcome_sensitivity": ("The same by the sensitivity rule", ""),
    "minutes": ("Active reading time", "minutes"),
    "mismatches": ("Grades that are not the ones the measurements imply", "count"),
    "amends": ("Key of the reading it replaced", ""),
    "question": ("Name of the question", ""),
    "kind": ("grade, number, or not assessable", ""),
    "code": ("Level of the scale, or option", ""),
    "number": ("Value of a measurement", "see unit"),
    "unit": ("Unit of the value; empty for a ratio", ""),
    "rule": ("Rule that gave the verdict; in rates, primary or sensitivity rule", ""),
    "decided_by": ("Code of the adjudicator, or 'protocol'", ""),
    "readings": ("Keys of the readings that count", ""),
    "grade": ("Grade the outcome follows from", ""),
    "score": ("Name of the clinical score", ""),
    "total": ("Value of the score", "points"),
    "event": ("What happened", ""),
    "group_by": ("What the rows are split by", ""),
    "group": ("Which group", ""),
    "operated": ("Repairs enrolled", "count"),
    "not_yet_due": ("Window not open yet", "count"),
    "ended": ("Follow-up ended before the window closed, without a scan", "count"),
    "due": ("Repairs whose scan was asked for by now", "count"),
    "imaged": ("Scan is in", "count"),
    "missed": ("Window closed without a scan, or patient lost", "count"),
    "awaited": ("Window open, no scan yet", "count"),
    "read": ("Reading final", "count"),
    "assessable": ("Final and assessable", "count"),
    "not_assessable": ("Final and not assessable", "count"),
    "repairs": ("Number of repairs", "count"),
    "by": ("Who judged: verdict or a reader; of an interval, its last day", ""),
    "quantity": ("What the row estimates", ""),
    "events": ("Retears", "count"),
    "assessed": ("Repairs assessed", "count"),
    "missing": ("Repairs due and without an assessable scan", "count"),
    "estimate": ("Estimate", "as the quantity says"),
    "low": ("Lower confidence limit", "as the estimate"),
    "high": ("Upper confidence limit", "as the estimate"),
    "level": ("Confidence level", SHARE),
    "method": ("Estimator and kind of limits", ""),
    "why_undefined": ("Why there is no estimate or there are no limits", ""),
    "pattern": ("Level of the retear pattern", ""),
    "retears": ("Retears of that pattern", "count"),
    "share": ("Share of them all", SHARE),
    "what": ("What the row estimates", ""),
    "n": ("Units used", "count"),
    "caution": ("What the estimate depends on", ""),
    "assessable_scans": ("Scans of the repair with an outcome", "count"),
    "intact_until": ("Last day known intact before the first retear", DAYS),
    "torn_by": ("Day of the first scan with a retear; inf if none", DAYS),
    "healed_again_on": ("Days of later scans read as healed", DAYS),
    "at_least": ("Smallest share torn that the estimate allows", SHARE),
    "at_most": ("Largest share torn that the estimate allows", SHARE),
    "at_risk": ("Repairs seen intact in the window or later", "count"),
    "after": ("The interval begins after this day", DAYS),
    "subgroup": ("Subgroup of the protocol", ""),
    "against": ("Group it is compared with", ""),
    "p_value": ("Two-sided p value", ""),
    "warning": ("Why not to rely on it", ""),
    "compared": ("Between readers, or the same reader twice", ""),
    "part": ("Timepoint, or all", ""),
    "readers": ("Which readers", ""),
    "coefficient": ("Which coefficient", ""),
    "weights": ("Weights of disagreements", ""),
    "n_used": ("Scans used", "count"),
    "n_excluded": ("Scans left out", "count"),
    "first": ("Code of one reader", ""),
    "second": ("Code of the other", ""),
    "first_answer": ("Answer of one reader", ""),
    "second_answer": ("Answer of the other", ""),
    "first_value": ("Value by one reader", "as measured"),
    "second_value": ("Value by the other", "as measured"),
    "scans": ("Number of scans", "count"),
    "settled_scans": ("Scans an adjudicator decided that the reader had read", "count"),
    "overruled": ("Of them with another outcome than the reader's", "count"),
    "from_timepoint": ("Earlier timepoint", ""),
    "to_timepoint": ("Later timepoint", ""),
    "from_grade": ("Grade at the earlier one", ""),
    "to_grade": ("Grade at the later one", ""),
    "from_outcome": ("Outcome at the earlier one", ""),
    "to_outcome": ("Outcome at the later one", ""),
    "is_reversal": ("From retear to healed", "yes or no"),
    "torn_at": ("Timepoint of the first retear", ""),
    "healed_at": ("Later timepoint read as healed", ""),
    "value": ("Value of the measurement", "see unit"),
    "mean_change": ("Mean of later minus earlier", MM),
    "detectable": ("Smallest detectable change of one repair, from the readers", MM),
    "beyond_detectable": ("Repairs that changed by more", "count"),
    "baseline": ("Last score before surgery", "points"),
    "mean": ("Mean score", "points"),
    "sd": ("Standard deviation", "points"),
    "reached_important": ("Share that gained the minimal important difference", SHARE),
    "adjusted_for": ("What the difference is adjusted for", ""),
    "healed": ("Healed repairs", "count"),
    "retear": ("Torn repairs", "count"),
    "difference": ("Score of healed minus torn repairs", "points"),
    "important_difference": ("Minimal important difference of the protocol", "points"),
    "verdict_on_importance": ("How the difference stands to it", ""),
}
ENROLLED = ("Column of the enrolment sheet", "as enrolled")


def dictionary(results: Results) -> pd.DataFrame:
    """Return one row per column of every table, tidy tables first.

    Further columns of the enrolment sheet are told as such.
    """
    tables = {**results.data.tables(), **results.tables}
    rows = []
    for name, table in tables.items():
        for column in table.columns:
            meaning, unit = MEANINGS.get(column, ENROLLED)
            rows.append((name, TABLES[name], column, meaning, unit))
    return pd.DataFrame(rows, columns=list(COLUMNS))
