"""How far readers agree: with each other, with themselves, and before the adjudicator."""

from __future__ import annotations

from typing import TYPE_CHECKING

from imgtrack.domain import scales
from imgtrack.outcomes.questions import asked
from imgtrack.report.page import KeyFigure, Section, Text
from imgtrack.report.pictures import RETRACTION, confusion_picture, differences_picture
from imgtrack.report.sections.material import units_of
from imgtrack.report.tables import (
    NOTHING,
    Column,
    count,
    decimal,
    estimate_text,
    figures,
    is_missing,
    number,
    spread,
    words,
)

if TYPE_CHECKING:
    import pandas as pd

    from imgtrack.report.page import Part
    from imgtrack.report.sections.material import Material
    from imgtrack.report.tables import Row

ID = "agreement-section"
EVERY_TIMEPOINT, BETWEEN = "all timepoints", "between readers"
OUTCOME = "outcome"
KAPPA = "Conger's kappa"
GRADES = ("agreement", KAPPA, f"{KAPPA}, patients resampled", "Gwet's AC", "Krippendorff's alpha")
SHORT = {
    "agreement": "same answer",
    f"{KAPPA}, patients resampled": "kappa, patients resampled",
    "ICC single, agreement": "ICC(2,1)",
    "ICC single, agreement, patients resampled": "ICC(2,1), patients resampled",
}
WEIGHTED = {"identity": "none", "nominal": "none", "quadratic": "quadratic", "ordinal": "quadratic"}
"""Weights as the tables of the page name them; alpha for ordered grades has weights of its own."""
NOT_DEFINED = "not defined"
MARGINS = ("prevalence index", "bias index", "PABAK", "largest kappa the margins allow")
LENGTHS = (
    "ICC single, agreement",
    "ICC single, agreement, patients resampled",
    "standard error",
    "smallest detectable change",
)
DIFFERENCES = ("mean difference", "lower limit of agreement", "upper limit of agreement")
MEASURED = ("tear width", RETRACTION)
NAMES = {
    OUTCOME: "healed or retear, primary rule",
    "outcome_sensitivity": "healed or retear, sensitivity rule",
    "assessable": "assessable or not",
}
USES = (
    "Agreement is that of the independent first readings, before anything was settled; verdicts "
    "play no part in it."
)
SMALLEST = "A change smaller than the smallest detectable change cannot be told from reading error."
PROPOSALS = (
    "Differences are signed minus proposed, over the questions that were answered. A proposal that "
    "is seen may pull the answer: proposals.csv tells who had measured before seeing one."
)
NONE = "Two readers have not yet read enough scans in common."


def section(material: Material) -> Section:
    """Return the section on agreement."""
    parts: list[Part] = [Text(USES)]
    table = material.tables["agreement"]
    between = table[(table["compared"] == BETWEEN) & (table["part"] == EVERY_TIMEPOINT)]
    if between.empty:
        return Section(ID, "How far readers agree", (*parts, Text(NONE), *_proposals(material)))
    drawings = [confusion_picture(material.tables["confusion"], material.protocol)]
    drawings += [differences_picture(material.tables["pairs"], between, each) for each in MEASURED]
    parts += [material.picture(each) for each in drawings if each is not None]
    parts.append(_grades(material, between))
    parts.append(_margins(material, between))
    parts.append(_lengths(material, between))
    parts.append(Text(SMALLEST))
    parts.append(_differences(material, between))
    parts.append(_by_timepoint(material))
    parts.append(_within(material))
    parts += _proposals(material)
    return Section(ID, "How far readers agree", tuple(parts))


def key_figure(material: Material) -> KeyFigure | None:
    """Return the readers' kappa on healed against retear."""
    table = material.tables["agreement"]
    mine = table[
        (table["compared"] == BETWEEN)
        & (table["part"] == EVERY_TIMEPOINT)
        & (table["question"] == OUTCOME)
        & (table["readers"] == "all")
    ].drop_duplicates("coefficient")
    by_name = mine.set_index("coefficient")
    if KAPPA not in by_name.index or is_missing(by_name.loc[KAPPA, "estimate"]):
        return None
    kappa, raw = by_name.loc[KAPPA], by_name.loc["agreement"]
    same = estimate_text(raw["estimate"], raw["low"], raw["high"], as_percent=True)
    limits = f", limits {number(kappa['low'], 2)} to {number(kappa['high'], 2)}"
    detail = (
        f"{KAPPA} on healed against retear{'' if is_missing(kappa['low']) else limits}; the same "
        f"answer on {same} of {kappa['n_used']} scans."
    )
    return KeyFigure("Readers agree", estimate_text(kappa["estimate"], None, None), detail, ID)


def detectable(material: Material, question: str) -> float:
    """Return the smallest detectable change of a measurement; ``nan`` when it is not known."""
    table = material.tables["agreement"]
    mine = table[
        (table["question"] == question)
        & (table["compared"] == BETWEEN)
        & (table["part"] == EVERY_TIMEPOINT)
        & (table["coefficient"] == "smallest detectable change")
    ]
    return float(mine["estimate"].iloc[0]) if len(mine) else float("nan")


def _question(material: Material) -> Column:
    """Return the column of what is compared, in the words readers are asked with."""
    known = asked(material.protocol).questions
    titles = {name: each.title for name, each in known.items()} | NAMES

    def write(row: Row) -> str:
        return titles.get(str(row["question"]), str(row["question"]))

    return Column("what", write)


def _estimate(row: Row) -> str:
    is_share = row["coefficient"] == "agreement"
    found = estimate_text(row["estimate"], row["low"], row["high"], as_percent=is_share)
    return NOT_DEFINED if found == NOTHING else found


def _wide(material: Material, name: str, caption: str, rows: pd.DataFrame, key: Column) -> Part:
    """Return coefficients side by side, one row per question and weighting.

    Columns that would say the same in every row are left out.
    """
    keys = ("question", "part", "readers", "weighted", "scans")
    told = rows.assign(
        weighted=rows["weights"].map(WEIGHTED).fillna(""),
        scans=rows.groupby(["question", "part", "readers"])["n_used"].transform("max"),
    )
    wide = spread(told, keys, "coefficient", _estimate)
    said = [
        words(each, heading)
        for each, heading in (("readers", "readers"), ("weighted", "weights"))
        if set(wide[each]) > {"all"} or len(set(wide[each]) - {"", "all", "none"})
    ]
    columns = (
        key,
        *said,
        count("scans"),
        *(figures(each, SHORT.get(each, each)) for each in wide.columns[len(keys) :]),
    )
    note = f"{material.limits.capitalize()}. {_why(rows)}"
    return material.shown(name, caption, columns, wide, note=note, of="agreement")


def _why(rows: pd.DataFrame) -> str:
    """Return why some coefficients are not defined."""
    missing = rows[rows["estimate"].isna()]
    reasons = dict.fromkeys(text for text in missing["why_undefined"] if text)
    return f"Not defined where {'; where '.join(reasons)}." if reasons else ""


def _grades(material: Material, between: pd.DataFrame) -> Part:
    graded = {*NAMES, *(question for question in _scales(material))}
    mine = between[
        between["coefficient"].isin(GRADES)
        & (between["readers"] == "all")
        & (between["weights"] != "linear")
        & between["question"].isin(graded)
    ]
    caption = "Agreement between readers on grades, all timepoints"
    return _wide(material, "agreement_grades", caption, mine, _question(material))


def _margins(material: Material, between: pd.DataFrame) -> Part:
    mine = between[between["coefficient"].isin(MARGINS) & (between["question"] == OUTCOME)]
    caption = "What prevalence and bias do to the kappa of healed against retear"
    return _wide(material, "agreement_margins", caption, mine, _question(material))


def _lengths(material: Material, between: pd.DataFrame) -> Part:
    mine = between[between["coefficient"].isin(LENGTHS) & ~between["question"].str.contains(":")]
    caption = f"Reliability of measurements between readers, all timepoints ({units_of(mine)})"
    return _wide(material, "agreement_lengths", caption, mine, _question(material))


def _differences(material: Material, between: pd.DataFrame) -> Part:
    mine = between[
        between["coefficient"].isin(DIFFERENCES) & ~between["question"].str.contains(":")
    ]
    caption = f"Differences of measurements between two readers, all timepoints ({units_of(mine)})"
    return _wide(material, "agreement_differences", caption, mine, _question(material))


def _by_timepoint(material: Material) -> Part:
    table = material.tables["agreement"]
    mine = table[
        (table["compared"] == BETWEEN)
        & (table["part"] != EVERY_TIMEPOINT)
        & (table["question"] == OUTCOME)
        & (table["readers"] == "all")
        & table["coefficient"].isin(("agreement", KAPPA, "Gwet's AC"))
    ]
    key = Column("timepoint", lambda row: material.label(row["part"]))
    caption = "Agreement on healed against retear at each timepoint"
    return _wide(material, "agreement_timepoints", caption, mine, key)


def _within(material: Material) -> Part:
    table = material.tables["agreement"]
    graded = {*NAMES, scales.retear_rule(material.protocol.outcome.retear_rule).scale}
    mine = table[
        (table["compared"] != BETWEEN)
        & table["coefficient"].isin(("agreement", "Cohen's kappa", "Gwet's AC"))
        & (table["weights"] != "linear")
        & table["question"].isin(graded)
    ]
    caption = "Agreement of readers with their own unannounced repeats"
    return _wide(material, "agreement_within", caption, mine, _question(material))


def _proposals(material: Material) -> list[Part]:
    """Return what readers did with what the program proposed; nothing where it proposed nothing."""
    use = material.tables["proposal_use"]
    if use.empty:
        return []
    columns = (
        words("reader"),
        _question(material),
        words("plane"),
        count("proposals", "proposed"),
        *(count(name) for name in ("accepted", "moved", "answered_otherwise", "unanswered")),
        decimal("mean_difference", "mean difference"),
        decimal("mean_absolute_difference", "mean size of it"),
        words("unit"),
    )
    caption = "What readers did with proposals of the program"
    return [material.shown("proposal_use", caption, columns, use, note=PROPOSALS)]


def _scales(material: Material) -> set[str]:
    """Return the questions that are answered on a scale: by its id, or by id and muscle."""
    ids = {use.name for use in material.protocol.scale}
    questions = set(material.tables["agreement"]["question"])
    return {each for each in questions if each.partition(" ")[0] in ids}
