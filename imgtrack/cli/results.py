"""Results of a study on the terminal: agreement, rates, and what healing means for function."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from imgtrack.cli.console import OUT, say, say_caution
from imgtrack.cli.drawn import draw_table, spread
from imgtrack.cli.options import HERE, StudyFolder, Who, opened
from imgtrack.desk.results import gather, require_results
from imgtrack.domain.errors import Fault, Unavailable
from imgtrack.outcomes.compared import OUTCOME, SENSITIVITY
from imgtrack.outcomes.completeness import completeness
from imgtrack.outcomes.course import changes, reversals, transitions
from imgtrack.outcomes.drift import drift
from imgtrack.outcomes.flow import flow, reasons
from imgtrack.outcomes.function import score_differences, score_summary
from imgtrack.outcomes.pairs import confusion_counts, detectable_changes
from imgtrack.outcomes.proposals import proposal_use, proposals
from imgtrack.outcomes.provenance import Provenance, provenance
from imgtrack.outcomes.questions import asked
from imgtrack.outcomes.readers import BETWEEN, EVERY_TIMEPOINT, agreement_table
from imgtrack.outcomes.retear import corrected_rate, retear_patterns, retear_rates
from imgtrack.outcomes.settled import overruled, settling_rates
from imgtrack.outcomes.study_data import StudyData, study_data
from imgtrack.outcomes.subgroups import subgroup_rates
from imgtrack.outcomes.timing import cumulative_retear, first_retears

if TYPE_CHECKING:
    import pandas as pd

CsvFolder = Annotated[
    Path | None, typer.Option("--csv", help="Folder to write the whole tables to as CSV.")
]
Level = Annotated[float, typer.Option("--level", help="Confidence level.")]
WIDE = 150
"""Characters a table may take: a narrower terminal folds its lines rather than cut its words."""

SOURCE_FILE = "made_from.json"
FILES_ONLY = ["level", "method"]
"""Columns that stand in the files and not on the terminal."""

GRADES = {
    "agreement identity": "agreement",
    "Conger's kappa identity": "kappa",
    "Conger's kappa quadratic": "kappa, quadratic",
    "Gwet's AC identity": "Gwet's AC",
}
LENGTHS = {
    "ICC single, agreement": "ICC",
    "standard error": "standard error",
    "smallest detectable change": "smallest detectable change",
}
DIFFERENCES = {
    "mean difference": "mean difference",
    "lower limit of agreement": "lower limit of agreement",
    "upper limit of agreement": "upper limit of agreement",
}
RATES = {
    "rate among the assessed": "rate, Wilson limits",
    "rate among the assessed, exact limits": "exact limits",
    "rate among the assessed, patients as clusters": "patients as clusters",
    "if no missing unit had the event": "none of the missing torn",
    "if every missing unit had the event": "all of the missing torn",
}


@dataclass(frozen=True, slots=True, eq=False)
class Shown:
    """One table: whole for a file, and what of it is drawn, by title."""

    name: str
    whole: pd.DataFrame
    drawn: Mapping[str, pd.DataFrame]


def show_agreement(study: Path, who: str, level: float, csv: Path | None) -> None:
    """Show how far the readers of a study agree."""

    def tables(data: StudyData) -> list[Shown]:
        whole = agreement_table(data, level=level)
        return [
            Shown("agreement", whole, _agreement(whole)),
            Shown("confusion", confusion_counts(data), {}),
            *_whole(
                settling=settling_rates(data, level=level),
                overruled=overruled(data, level=level),
                drift=drift(data, level=level),
                proposal_use=proposal_use(data),
            ),
            Shown("proposals", proposals(data), {}),
        ]

    _show(study, who, "see the agreement of readers", tables, level=level, csv=csv)


def show_rates(study: Path, who: str, level: float, csv: Path | None) -> None:
    """Show the retear rates of a study with everything a reviewer asks beside them."""

    def tables(data: StudyData) -> list[Shown]:
        return [
            *_whole(
                flow=flow(data),
                reasons=reasons(data),
                completeness=completeness(data, level=level),
            ),
            _rates(retear_rates(data, level=level)),
            *_whole(
                patterns=retear_patterns(data),
                cumulative=cumulative_retear(data, level=level),
            ),
            Shown("first_retears", first_retears(data), {}),
            *_whole(
                corrected=corrected_rate(data, level=level),
                subgroups=subgroup_rates(data, level=level),
            ),
        ]

    _show(study, who, "see the retear rates", tables, level=level, csv=csv)


def healing(
    *,
    study: StudyFolder = HERE,
    who: Who = "",
    level: Level = 0.95,
    csv: CsvFolder = None,
) -> None:
    """How tendons changed between timepoints, and what healing means for the scores."""

    def tables(data: StudyData) -> list[Shown]:
        changed = changes(data, detectable_changes(data), level=level)
        whole_numbers = changed.astype({"beyond_detectable": "Int64"})
        return [
            *_whole(transitions=transitions(data), reversals=reversals(data)),
            Shown("changes", changed, {"changes": whole_numbers}),
            *_whole(
                scores_by_outcome=score_summary(data, level=level),
                score_differences=score_differences(data, level=level),
            ),
        ]

    _show(study, who, "see healing and function", tables, level=level, csv=csv)


def _whole(**tables: pd.DataFrame) -> list[Shown]:
    """Return tables that are drawn with all their rows."""
    return [Shown(name, table, {name.replace("_", " "): table}) for name, table in tables.items()]


def _rates(table: pd.DataFrame) -> Shown:
    """Return the retear rates, drawn with one row for all limits of a rate."""
    keys = ("timepoint", "rule", "by", "events", "assessed", "missing")
    return Shown("retear", table, {"retear": spread(table, keys, "quantity", RATES)})


def _agreement(table: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """Return what fits a terminal: usual coefficients overall, the outcome at each timepoint."""
    here = (table["part"] == EVERY_TIMEPOINT) | (table["question"] == OUTCOME)
    pairs = table["readers"].str.contains(" - ", regex=False) & (table["compared"] == BETWEEN)
    named = table.assign(name=(table["coefficient"] + " " + table["weights"]).str.strip())
    keys = ("question", "compared", "part", "readers", "n_used")
    return {
        "agreement on grades": spread(named[here & ~pairs], keys, "name", GRADES),
        "agreement on measurements": spread(named[here & ~pairs], keys, "name", LENGTHS),
        "differences of measurements": spread(named[here], keys, "name", DIFFERENCES),
    }


def _show(
    study: Path,
    who: str,
    act: str,
    tables: Callable[[StudyData], list[Shown]],
    *,
    level: float,
    csv: Path | None,
) -> None:
    """Draw the tables, or write them whole; then say what they were made from."""
    with opened(study, who) as desk:
        require_results(desk, act)
        data = study_data(gather(desk))
    made, told = tables(data), provenance(data)
    if csv is None:
        for each in made:
            for title, table in each.drawn.items():
                _draw(title, _as_asked(table, data))
        say(f"Limits at {level:.0%}; --csv FOLDER writes every row, with its method.")
    else:
        _write(csv, made, told)
        say(f"{len(made)} tables written to {csv}, and {SOURCE_FILE}.")
    _say_source(told)
    say_caution()


def _as_asked(table: pd.DataFrame, data: StudyData) -> pd.DataFrame:
    """Return a table whose questions are named as readers are asked, not as in the files."""
    if "question" not in table.columns:
        return table
    known = asked(data.protocol)
    scales = {each.id: each.title for form in known.forms.values() for each in form.scales}
    titles = {SENSITIVITY: "outcome, sensitivity rule"}

    def told(name: str) -> str:
        id_ = next((each for each in scales if "_" in each and each in name), "")
        return titles.get(name) or (name.replace(id_, scales[id_]) if id_ else name)

    return table.assign(question=table["question"].map(told))


def _draw(title: str, table: pd.DataFrame) -> None:
    if table.empty:
        say(f"{title}: nothing to show yet.")
        return
    drawn, notes = draw_table(title, table.drop(columns=FILES_ONLY, errors="ignore"))
    OUT.width = max(OUT.width, WIDE)
    OUT.print(drawn)
    for note in notes:
        say(note)
    OUT.print()


def _write(folder: Path, tables: list[Shown], told: Provenance) -> None:
    """Write each table as CSV, and what they were made from as JSON."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for table in tables:
            table.whole.to_csv(folder / f"{table.name}.csv", index=False)
        source = json.dumps(asdict(told), indent=2, ensure_ascii=False)
        (folder / SOURCE_FILE).write_text(source + "\n", "utf-8")
    except OSError as error:
        fault = Fault("the tables cannot be written", str(folder), found=error.strerror or "")
        raise Unavailable(fault) from error


def _say_source(told: Provenance) -> None:
    say(f"Primary rule: {told.rule}. Sensitivity rule: {told.sensitivity_rule}.")
    left = [f"{count} {what} (from {of})" for what, of, count in told.exclusions if count]
    say(f"Left out: {'; '.join(left) or 'nothing'}.")
    say(
        f"Day {told.day}; protocol {told.protocol_hash[:12]}; data {told.data_hash[:12]};"
        f" imgtrack {told.version}; seed {told.seed}."
    )
