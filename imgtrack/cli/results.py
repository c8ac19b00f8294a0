"""Results of a study on the terminal: agreement, rates, and what healing means for function."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from imgtrack.cli.console import OUT, say, say_caution
from imgtrack.cli.drawn import draw_table
from imgtrack.cli.options import HERE, StudyFolder, Who, opened
from imgtrack.desk.results import gather, require_results
from imgtrack.outcomes.course import changes, reversals, transitions
from imgtrack.outcomes.flow import flow
from imgtrack.outcomes.function import score_differences, score_summary
from imgtrack.outcomes.pairs import detectable_changes
from imgtrack.outcomes.provenance import provenance
from imgtrack.outcomes.readers import agreement_table
from imgtrack.outcomes.retear import corrected_rate, retear_patterns, retear_rates
from imgtrack.outcomes.settled import overruled, settling_rates
from imgtrack.outcomes.study_data import StudyData, study_data
from imgtrack.outcomes.subgroups import subgroup_rates
from imgtrack.outcomes.timing import cumulative_retear

if TYPE_CHECKING:
    import pandas as pd

CsvFolder = Annotated[
    Path | None, typer.Option("--csv", help="Folder to write the whole tables to as CSV.")
]
Level = Annotated[float, typer.Option("--level", help="Confidence level.")]
Table = tuple[str, "pd.DataFrame", Sequence[str]]


def show_agreement(study: Path, who: str, level: float, csv: Path | None) -> None:
    """Show how far the readers of a study agree."""

    def tables(data: StudyData) -> list[Table]:
        whole = agreement_table(data, level=level)
        overall = whole[whole["part"] == "all timepoints"]
        columns = ("question", "compared", "readers", "coefficient", "weights", "estimate", "low")
        return [
            ("agreement", overall, (*columns, "high", "n_used", "why_undefined")),
            ("settling", settling_rates(data, level=level), ()),
            ("overruled", overruled(data, level=level), ()),
        ]

    _show(study, who, "see the agreement of readers", tables, csv)


def show_rates(study: Path, who: str, level: float, csv: Path | None) -> None:
    """Show the retear rates of a study with everything a reviewer asks beside them."""

    def tables(data: StudyData) -> list[Table]:
        rates = retear_rates(data, level=level).drop(columns=["method", "level"])
        subgroups = subgroup_rates(data, level=level).drop(columns=["method", "level"])
        return [
            ("flow", flow(data), ()),
            ("retear", rates, ()),
            ("patterns", retear_patterns(data), ()),
            ("cumulative", cumulative_retear(data, level=level), ()),
            ("corrected", corrected_rate(data, level=level).drop(columns=["method"]), ()),
            ("subgroups", subgroups, ()),
        ]

    _show(study, who, "see the retear rates", tables, csv)


def healing(
    *,
    study: StudyFolder = HERE,
    who: Who = "",
    level: Level = 0.95,
    csv: CsvFolder = None,
) -> None:
    """How tendons changed between timepoints, and what healing means for the scores."""

    def tables(data: StudyData) -> list[Table]:
        smallest = detectable_changes(data)
        return [
            ("transitions", transitions(data), ()),
            ("reversals", reversals(data), ()),
            ("changes", changes(data, smallest, level=level).drop(columns=["level"]), ()),
            ("scores by outcome", score_summary(data), ()),
            ("score differences", score_differences(data, level=level).drop(columns="level"), ()),
        ]

    _show(study, who, "see healing and function", tables, csv)


def _show(
    study: Path,
    who: str,
    act: str,
    tables: Callable[[StudyData], list[Table]],
    csv: Path | None,
) -> None:
    with opened(study, who) as desk:
        require_results(desk, act)
        data = study_data(gather(desk))
    made = tables(data)
    if csv is not None:
        csv.mkdir(parents=True, exist_ok=True)
    for name, table, columns in made:
        if csv is not None:
            table.to_csv(csv / f"{name.replace(' ', '_')}.csv", index=False)
        elif table.empty:
            say(f"{name}: nothing to show yet.")
        else:
            shown = table[list(columns)] if columns else table
            OUT.print(draw_table(name, shown))
            OUT.print()
    if csv is not None:
        say(f"{len(made)} tables written to {csv}.")
    told = provenance(data)
    say(f"Primary rule: {told.rule}. Sensitivity rule: {told.sensitivity_rule}.")
    say(
        f"Day {told.day}; protocol {told.protocol_hash[:12]}; data {told.data_hash[:12]};"
        f" imgtrack {told.version}."
    )
    say_caution()
