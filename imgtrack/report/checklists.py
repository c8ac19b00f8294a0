"""Reporting checklists, each item with what the study knows.

The items are put in our own words. Their numbers are those of the papers: GRRAS, Kottner J et al,
J Clin Epidemiol 2011;64:96-106 (15 items); STROBE, von Elm E et al, PLoS Med 2007;4:e296
(22 items, cohort form). Numbers and subjects were held against reprints of both; the sentences are
ours.
"""

from __future__ import annotations

from collections.abc import Mapping

from imgtrack.report.page import Checklist, ChecklistItem

GRRAS: tuple[tuple[str, str, str], ...] = (
    (
        "1",
        "title_kind",
        "Does the title or abstract say that reliability or agreement was studied?",
    ),
    ("2", "scales", "Which scales and measurements, named with their version."),
    ("3", "repairs", "Who was imaged: the subjects of interest."),
    ("4", "readers", "Who rated: the raters of interest."),
    ("5", "rationale", "What is known of their reliability, and why study it again."),
    ("6", "planned_size", "How the numbers of raters, subjects and repeats were chosen."),
    ("7", "sampling", "How subjects and raters were drawn."),
    ("8", "process", "How rating was done: interval, what raters could see, conditions."),
    ("9", "independence", "Whether ratings were made independently."),
    ("10", "agreement_method", "Which statistics were used."),
    ("11", "numbers", "How many raters and subjects there really were, and how many ratings."),
    (
        "12",
        "characteristics",
        "What raters and subjects were like: training, experience, case mix.",
    ),
    ("13", "agreement_result", "Estimates with their uncertainty."),
    ("14", "practical", "What the findings mean in practice."),
    ("15", "details", "Detailed results where they can be looked up."),
)
"""Number, the fact that answers it, and what it asks."""

STROBE: tuple[tuple[str, str, str], ...] = (
    ("1", "design_title", "Design named in title or abstract; a balanced summary."),
    ("2", "rationale", "Background and reason."),
    ("3", "objectives", "Objectives and hypotheses."),
    ("4", "design", "Key elements of the design."),
    ("5", "setting", "Places and dates: recruitment, follow-up, data collection."),
    ("6", "repairs", "Who could take part, where they came from, how they were followed."),
    ("7", "outcome", "Outcomes, exposures, confounders; how the outcome was determined."),
    ("8", "process", "Source of each variable and how it was measured."),
    ("9", "bias", "What was done about bias."),
    ("10", "planned_size", "How the size was arrived at."),
    ("11", "grouping", "How quantities were grouped, and why."),
    ("12a", "retear_method", "Statistical methods."),
    ("12b", "subgroups", "Subgroups and interactions."),
    ("12c", "missing", "How missing data were dealt with."),
    ("12d", "lost", "How loss to follow-up was dealt with."),
    ("12e", "sensitivity", "Sensitivity analyses."),
    ("13", "flow", "Numbers at each stage, and why some dropped out."),
    ("14", "characteristics_repairs", "What participants were like; missing data; follow-up time."),
    ("15", "events", "Outcome events over time."),
    ("16", "estimates", "Estimates with their precision; adjusted for what."),
    ("17", "subgroup_result", "Other analyses: subgroups, sensitivity."),
    ("18", "key_result", "Key results against the objectives."),
    ("19", "limits", "Limitations: bias and imprecision."),
    ("20", "interpretation", "A cautious interpretation."),
    ("21", "general", "How far the results hold elsewhere."),
    ("22", "funding", "Funding and the role of funders."),
)

FOR_AUTHORS = "For the authors: the study's records do not say."
OWN_WORDS = "Items in our words; a journal wants the wording of its own form."


def grras(facts: Mapping[str, str]) -> Checklist:
    """Return the checklist for reliability and agreement, answered by facts of the study.

    Parameters
    ----------
    facts
        Answers by the name of the fact; an item without one is left to the authors.
    """
    return Checklist(
        "Reliability and agreement checklist (GRRAS, 15 items)",
        f"Kottner J et al. J Clin Epidemiol 2011;64:96-106. {OWN_WORDS}",
        _entries(GRRAS, facts),
    )


def strobe(facts: Mapping[str, str]) -> Checklist:
    """Return the checklist for cohort studies, answered by facts of the study; as `grras`."""
    return Checklist(
        "Cohort checklist (STROBE, 22 items)",
        f"von Elm E et al. PLoS Med 2007;4:e296. {OWN_WORDS}",
        _entries(STROBE, facts),
    )


def _entries(
    items: tuple[tuple[str, str, str], ...], facts: Mapping[str, str]
) -> tuple[ChecklistItem, ...]:
    return tuple(
        ChecklistItem(number, asks, facts.get(fact) or FOR_AUTHORS, bool(facts.get(fact)))
        for number, fact, asks in items
    )
