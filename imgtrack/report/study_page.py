"""The report of a study as a page: what it was made from, the summary, and its sections."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

from imgtrack.report.page import Page, Section
from imgtrack.report.sections import (
    agreement,
    course,
    flow,
    method,
    retear,
    settling,
    subgroups,
    timing,
)

if TYPE_CHECKING:
    from imgtrack.report.page import KeyFigure
    from imgtrack.report.sections.material import Material

EXAMPLES_ID = "examples-section"


def study_page(material: Material, *, warnings: tuple[str, ...] = ()) -> Page:
    """Return the report of a study.

    Parameters
    ----------
    material
        Its rows, tables and example slices.
    warnings
        What must be known before any number is read, as an interim look.
    """
    made = material.made_from
    day = date.fromisoformat(made.day)
    return Page(
        title=made.study,
        subtitle=f"Did the repairs heal? Report of {day.day} {day:%B %Y}",
        facts=_facts(material),
        warnings=warnings,
        key_figures=tuple(_key_figures(material)),
        sections=_sections(material),
    )


def _facts(material: Material) -> tuple[tuple[str, str], ...]:
    made, data = material.made_from, material.data
    read = data.readings["scan"].nunique()
    return (
        ("Repairs", f"{len(data.repairs)}, in {data.repairs['subject'].nunique()} patients"),
        ("Scans", f"{len(data.scans)}; {read} read, {len(data.verdicts)} with a verdict"),
        ("Rule", made.rule),
        ("Protocol", made.protocol_hash),
        ("Log up to", made.log_head),
        ("Rows", made.data_hash),
        ("Software", f"imgtrack {made.version}"),
    )


def _key_figures(material: Material) -> list[KeyFigure]:
    timepoint = material.main_timepoint
    found = (
        retear.key_figure(material, timepoint),
        timing.key_figure(material),
        flow.key_figure(material, timepoint),
        agreement.key_figure(material),
    )
    return [each for each in found if each is not None]


def _sections(material: Material) -> tuple[Section, ...]:
    examples = []
    if material.examples is not None:
        picture = material.picture(material.examples)
        examples.append(Section(EXAMPLES_ID, "Example slices", (picture,)))
    return (
        flow.section(material),
        retear.section(material),
        timing.section(material),
        subgroups.section(material),
        agreement.section(material),
        settling.section(material),
        course.course_section(material),
        course.function_section(material),
        *examples,
        method.methods_section(material),
        method.checklists_section(material),
        method.files_section(material),
    )
