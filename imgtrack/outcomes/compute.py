"""All results of a study at once, each a table under its name."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from imgtrack.outcomes.completeness import completeness
from imgtrack.outcomes.course import changes, measurements, reversals, transitions
from imgtrack.outcomes.drift import drift
from imgtrack.outcomes.exclusions import exclusions
from imgtrack.outcomes.flow import flow, reasons
from imgtrack.outcomes.function import score_differences, score_summary, scored_repairs
from imgtrack.outcomes.pairs import confusion_counts, detectable_changes, measured_pairs
from imgtrack.outcomes.proposals import proposal_use, proposals
from imgtrack.outcomes.provenance import Provenance, provenance
from imgtrack.outcomes.readers import RESAMPLES, agreement_table
from imgtrack.outcomes.retear import corrected_rate, retear_patterns, retear_rates
from imgtrack.outcomes.settled import overruled, settling_rates
from imgtrack.outcomes.study_data import StudyData, study_data
from imgtrack.outcomes.subgroups import subgroup_rates
from imgtrack.outcomes.timing import cumulative_retear, first_retears, retear_steps

if TYPE_CHECKING:
    import pandas as pd

    from imgtrack.domain.records import Records


@dataclass(frozen=True, slots=True, eq=False)
class Results:
    """Everything a report is made of.

    Attributes
    ----------
    data
        The tidy tables the results were computed from.
    tables
        Results by name; `imgtrack.outcomes.dictionary` says what every column means.
    provenance
        From what, by which rules, by which program.
    level, resamples
        Confidence level of all limits, and resamples of patients.
    """

    data: StudyData
    tables: dict[str, pd.DataFrame]
    provenance: Provenance
    level: float
    resamples: int


def compute(records: Records, *, level: float = 0.95, resamples: int = RESAMPLES) -> Results:
    """Compute every result of a study.

    Parameters
    ----------
    records
        As `imgtrack.desk.results.gather` gives them.
    level
        Confidence level of all limits.
    resamples
        Resamples of patients behind the limits of agreement; the correction for reading error
        takes a fifth of them. Seeded by the protocol: the same records give the same numbers.
    """
    data = study_data(records)
    smallest = detectable_changes(data)
    tables = {
        "flow": flow(data),
        "reasons": reasons(data),
        "completeness": completeness(data, level=level),
        "exclusions": exclusions(data),
        "retear": retear_rates(data, level=level),
        "patterns": retear_patterns(data),
        "corrected": corrected_rate(data, level=level, replicates=max(1, resamples // 5)),
        "first_retears": first_retears(data),
        "cumulative": cumulative_retear(data, level=level),
        "steps": retear_steps(data),
        "subgroups": subgroup_rates(data, level=level),
        "agreement": agreement_table(data, level=level, replicates=resamples),
        "confusion": confusion_counts(data),
        "pairs": measured_pairs(data),
        "settling": settling_rates(data, level=level),
        "overruled": overruled(data, level=level),
        "drift": drift(data, level=level),
        "proposals": proposals(data),
        "proposal_use": proposal_use(data),
        "transitions": transitions(data),
        "reversals": reversals(data),
        "measurements": measurements(data),
        "changes": changes(data, smallest, level=level),
        "scored": scored_repairs(data),
        "scores_by_outcome": score_summary(data, level=level),
        "score_differences": score_differences(data, level=level),
    }
    return Results(data, tables, provenance(data), level, resamples)
