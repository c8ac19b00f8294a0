"""Methods in sentences, reporting checklists answered by the records, and the files."""

from __future__ import annotations

import platform
from importlib.metadata import version
from typing import TYPE_CHECKING

from imgtrack.report import methods
from imgtrack.report.checklists import grras, strobe
from imgtrack.report.page import Link, LinkList, Section, Text
from imgtrack.report.tables import percent

if TYPE_CHECKING:
    from imgtrack.report.page import Part
    from imgtrack.report.sections.material import Material

METHODS_ID, CHECKLISTS_ID, FILES_ID = "methods-section", "checklists-section", "files-section"
LIBRARIES = ("numpy", "scipy", "pandas", "statsmodels")
STARTS = (
    "What the study's records and protocol know is filled in; the rest is for the authors to say."
)
FILES = (
    "data/ holds every row behind this page as CSV and Parquet, with dictionary.csv saying what "
    "each column means; tables.xlsx the same tables as one workbook; tables.html the tables of "
    "this page for pasting into a text; figures/ every picture as SVG, PDF and PNG; SHA256SUMS the "
    "sums of all files. Numbers are rounded on this page only."
)


def methods_section(material: Material) -> Section:
    """Return the methods."""
    protocol, made = material.protocol, material.made_from
    versions = ", ".join(f"{name} {version(name)}" for name in LIBRARIES)
    sentences = (
        methods.design(protocol),
        _reading(material),
        f"Scales: {methods.scale_list(protocol)}.",
        methods.outcome(protocol),
        methods.rates(material.level),
        methods.times(material.level),
        methods.comparisons(),
        methods.agreement(material.level),
        f"Limits that allow for patients with several scans come from {material.results.resamples} "
        f"resamples of patients; all resampling starts from seed {made.seed}.",
        f"Computed with imgtrack {made.version}, Python {platform.python_version()}, {versions}. "
        f"Protocol {made.protocol_hash}; log up to {made.log_head}; rows {made.data_hash}.",
    )
    return Section(METHODS_ID, "Methods", tuple(Text(each) for each in sentences))


def checklists_section(material: Material) -> Section:
    """Return the reporting checklists, filled with what the study knows."""
    known = facts(material)
    parts: tuple[Part, ...] = (Text(STARTS), grras(known), strobe(known))
    return Section(CHECKLISTS_ID, "Reporting checklists", parts)


def files_section(material: Material) -> Section:
    """Return what lies beside the page."""
    parts: list[Part] = [Text(FILES), material.places.list_of_tables()]
    if material.has_sheets:
        links = (
            Link(code, f"{material.places.sheets.name}/{code}.html")
            for code in material.data.repairs["repair"]
        )
        parts.append(LinkList("Healing sheet of each repair:", tuple(links)))
    return Section(FILES_ID, "Files beside this page", tuple(parts))


def facts(material: Material) -> dict[str, str]:
    """Return what the study knows for the checklists, by the name of the fact."""
    protocol, level = material.protocol, material.level
    agreement = methods.agreement(level)
    return {
        "scales": f"{methods.scale_list(protocol)}.",
        "repairs": _repairs(material),
        "readers": f"{methods.readers_in(protocol)}.",
        "process": _reading(material),
        "independence": _imported(material)
        or "Readings were locked when signed, before anybody compared them; a reader saw no other "
        "reading.",
        "agreement_method": agreement,
        "numbers": _numbers(material),
        "agreement_result": "See the section on agreement: every estimate stands with its limits.",
        "details": "All rows are in data/: readings, findings, confusion and pairs.",
        "design": methods.design(protocol),
        "setting": _setting(material),
        "outcome": methods.outcome(protocol),
        "bias": f"Blind, independent reading. {methods.settling(protocol.reading)}",
        "grouping": _grouping(material),
        "retear_method": f"{methods.rates(level)} {methods.times(level)} {methods.comparisons()}",
        "subgroups": _subgroups(material),
        "missing": "Denominators are operated, due, imaged and assessable; best and worst case "
        "stand beside every rate.",
        "lost": "Patients lost to follow-up stay in the denominator as missed; revision, "
        "withdrawal and death end the follow-up.",
        "sensitivity": f"{material.made_from.sensitivity_rule}; best and worst case; rates by "
        "reader; correction for reading error.",
        "flow": "See the section on follow-up.",
        "characteristics_repairs": _characteristics(material),
        "events": "See the sections on retears at each timepoint and on when repairs tore.",
        "estimates": "See the sections on retears and on healing and function.",
        "subgroup_result": "See the section on subgroups.",
    }


def _reading(material: Material) -> str:
    return f"{methods.reading(material.protocol)} {_imported(material)}".strip()


def _imported(material: Material) -> str:
    readings = material.data.records.readings
    return methods.imported(sum(bool(each.source) for each in readings), len(readings))


def _repairs(material: Material) -> str:
    repairs = material.data.repairs
    return f"{len(repairs)} repairs of {repairs['subject'].nunique()} patients."


def _numbers(material: Material) -> str:
    readings = material.data.readings
    counts = readings["round"].value_counts()
    parts = ", ".join(f"{count} {name}" for name, count in counts.items())
    return (
        f"{readings['reader'].nunique()} people signed {len(readings)} readings of "
        f"{readings['scan'].nunique()} scans ({parts})."
    )


def _setting(material: Material) -> str:
    days = material.data.repairs["operation_date"]
    if days.empty:
        return ""
    sites = len(material.protocol.study.sites) or 1
    return (
        f"{methods.count_words(sites, 'site')}; operations from {days.min()} to {days.max()}; "
        f"records up to {material.made_from.day}."
    )


def _grouping(material: Material) -> str:
    cut = [group for group in material.protocol.subgroup if group.bounds]
    return "; ".join(
        f"{group.name}: cut at {', '.join(f'{bound:g}' for bound in group.bounds)}" for group in cut
    )


def _subgroups(material: Material) -> str:
    names = [group.name for group in material.protocol.subgroup]
    return f"Named in the protocol: {', '.join(names)}." if names else ""


def _characteristics(material: Material) -> str:
    repairs = material.data.repairs
    parts = []
    for column, title, unit in (
        ("age_years", "age", "years"),
        ("tear_size_mm", "tear before surgery", "mm"),
    ):
        known = repairs[column].dropna().astype(float)
        if len(known):
            low, high = known.quantile([0.25, 0.75])
            parts.append(
                f"{title}: median {known.median():g} {unit} (quartiles {low:g} to {high:g}), "
                f"not recorded in {len(repairs) - len(known)}"
            )
    women = (repairs["sex"] == "female").sum()
    if len(repairs):
        parts.append(f"women: {women} of {len(repairs)} ({percent(women / len(repairs))})")
    return "; ".join(parts) + ("." if parts else "")
