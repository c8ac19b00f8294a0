"""Agreement and rates: of a study, or of a plain spreadsheet with no study at all."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import pandas as pd
import typer
from rich.table import Table

from imgtrack.cli.console import OUT, say, say_caution
from imgtrack.cli.options import HERE, StudyFolder, Who
from imgtrack.cli.results import show_agreement, show_rates
from imgtrack.domain import scales
from imgtrack.domain.errors import Fault, InvalidInput
from imgtrack.outcomes.agreement import grade_agreement, measurement_agreement
from imgtrack.outcomes.rates import as_events, event_rates, event_times
from imgtrack.outcomes.ratings import as_grades, as_numbers, ratings_table, require_columns

TableFile = Annotated[
    Path | None, typer.Option("--table", help="A CSV or Excel table, for no study at all.")
]
SubjectColumn = Annotated[str, typer.Option("--subject", help="Column of the patient or case.")]
ScaleName = Annotated[str, typer.Option("--scale", help="A grading scale imgtrack knows.")]
RuleName = Annotated[str, typer.Option("--rule", help="Which grades count as retear.")]
Level = Annotated[float, typer.Option("--level", help="Confidence level.")]
FIGURES = ("estimate", "at_least", "at_most", "low", "high")
OutFile = Annotated[
    Path | None, typer.Option("--csv", help="Write as CSV: of a table a file, of a study a folder.")
]


def agreement(
    *,
    study: StudyFolder = HERE,
    who: Who = "",
    table: TableFile = None,
    subject: SubjectColumn = "",
    reader: Annotated[str, typer.Option("--reader", help="Column of the reader.")] = "",
    value: Annotated[str, typer.Option("--value", help="Column of the grade or measurement.")] = "",
    scale: ScaleName = "",
    rule: RuleName = "",
    categories: Annotated[
        str, typer.Option("--categories", help="Grades in order, as A,B,C, without a scale.")
    ] = "",
    level: Level = 0.95,
    csv: OutFile = None,
) -> None:
    """Agreement of the readers of a study, or of a table with one row per reading."""
    if table is None:
        show_agreement(study, who, level, csv)
        return
    _require_named(subject=subject, reader=reader, value=value)
    readings = _read(table)
    ratings = ratings_table(readings, subject=subject, reader=reader, value=value)
    if scale or categories:
        known = scales.get(scale) if scale else None
        codes = known.codes if known else tuple(c.strip() for c in categories.split(","))
        ordered = known.ordered if known else True
        graded = as_grades(ratings, codes)
        found = grade_agreement(
            graded, codes, ordered=ordered, rule=_rule(rule, scale), level=level
        )
    else:
        found = measurement_agreement(as_numbers(ratings), level=level)
    readers = ", ".join(map(str, ratings.columns))
    say(f"{len(ratings)} subjects, readers {readers}; {_missing(ratings)}")
    _show(found, "what", ("readers", "coefficient", "weights", "n_used"), csv)


def rates(
    *,
    study: StudyFolder = HERE,
    who: Who = "",
    table: TableFile = None,
    subject: SubjectColumn = "",
    event: Annotated[
        str, typer.Option("--event", help="Column of the event: 1/0, yes/no or a grade.")
    ] = "",
    scale: ScaleName = "",
    rule: RuleName = "",
    left: Annotated[str, typer.Option("--left", help="Column: last time without event.")] = "",
    right: Annotated[str, typer.Option("--right", help="Column: first time with it.")] = "",
    at: Annotated[str, typer.Option("--at", help="Times to report, as 91,182,365.")] = "",
    group: Annotated[str, typer.Option("--group", help="Column that splits the units.")] = "",
    level: Level = 0.95,
    csv: OutFile = None,
) -> None:
    """Retear rates of a study, or the rate of an event in a table with one row per repair."""
    if table is None:
        show_rates(study, who, level, csv)
        return
    _require_named(subject=subject)
    rows = _read(table)
    needed = [name for name in (subject, event, left, right, group) if name]
    require_columns(rows, needed)
    groups = rows[group].str.strip() if group else None
    if event:
        events = as_events(rows[event], _retear_codes(rows[event], scale, rule))
        found = event_rates(rows[subject].str.strip(), events, groups, level=level)
        _show(found, "group", ("quantity", "events", "assessed", "missing"), csv)
    elif left and right:
        free_until, seen_by = _bounds(rows[left], 0.0), _bounds(rows[right], float("inf"))
        found = event_times(free_until, seen_by, _times(at, seen_by), groups, level=level)
        _show(found, "group", ("time", "n"), csv)
        say("at least / at most: the data may not say when in an interval the event came.")
    else:
        raise InvalidInput(
            Fault(
                "there is nothing to count",
                "options",
                "--event COLUMN, or --left COLUMN and --right COLUMN",
                "neither",
            )
        )


def _require_named(**columns: str) -> None:
    faults = [
        Fault("a table needs the name of this column", f"--{name}", "a heading of the table")
        for name, heading in columns.items()
        if not heading
    ]
    if faults:
        raise InvalidInput(faults)


def _read(path: Path) -> pd.DataFrame:
    """Read a table with every cell as text."""
    try:
        if path.suffix.lower() in {".xlsx", ".xlsm"}:
            rows = pd.read_excel(path, dtype=str)
        else:
            rows = pd.read_csv(path, dtype=str, sep=None, engine="python", encoding="utf-8-sig")
    except (OSError, ValueError, UnicodeDecodeError) as error:
        raise InvalidInput(
            Fault(
                "the table cannot be read",
                str(path),
                "CSV in UTF-8, or .xlsx, with headings in row 1",
                str(error),
            )
        ) from error
    if rows.empty:
        raise InvalidInput(Fault("the table has no rows", str(path), "at least one row", "none"))
    return rows.fillna("").rename(columns=str)


def _rule(name: str, scale: str) -> scales.RetearRule | None:
    """Return the rule asked for, or the primary rule of the scale where it has one."""
    if name:
        return scales.retear_rule(name)
    rules = (scales.retear_rule(each) for each in scales.retear_rules())
    return next((found for found in rules if found.scale == scale), None)


def _retear_codes(texts: pd.Series, scale: str, rule: str) -> tuple[str, ...]:
    if not scale and not rule:
        return ()
    chosen = _rule(rule, scale)
    if chosen is None:
        raise InvalidInput(
            Fault("no rule says which of its grades are a retear", "--scale", "--rule", scale)
        )
    as_grades(
        texts.str.strip().where(texts.str.strip() != "").to_frame(),
        [*chosen.healed, *chosen.retear, "NE"],
    )
    say(f"Rule: {chosen.title}.")
    return chosen.retear


def _bounds(texts: pd.Series, blank: float) -> pd.Series:
    words = texts.str.strip().str.replace(",", ".").replace("", str(blank))
    numbers = pd.to_numeric(words, errors="coerce")
    if numbers.isna().any():
        wrong = ", ".join(map(repr, words[numbers.isna()].unique()[:5]))
        raise InvalidInput(
            Fault("some bounds are no times", str(texts.name), "numbers, inf or blank", wrong)
        )
    return numbers


def _times(text: str, right: pd.Series) -> list[float]:
    """Return the times asked for, or every finite time at which an event was first seen."""
    if not text:
        return sorted({time for time in right if time != float("inf")})
    try:
        return [float(part) for part in text.split(",")]
    except ValueError as error:
        raise InvalidInput(
            Fault("these are no times", "--at", "numbers, as 91,182,365", text)
        ) from error


def _missing(ratings: pd.DataFrame) -> str:
    blank = int(ratings.isna().to_numpy().sum())
    return f"{blank} of {ratings.size} readings missing or not assessable"


def _show(found: pd.DataFrame, titled_by: str, names: Sequence[str], csv: Path | None) -> None:
    """Draw one table per title with figures of three decimals, or write everything as CSV."""
    if csv is not None:
        found.to_csv(csv, index=False)
        say(f"{len(found)} rows written to {csv}.")
        return
    for title, part in found.groupby(titled_by, sort=False):
        _draw(str(title), part, names)
    say(f"Limits at {found['level'].iloc[0]:.0%}; --csv FILE gives the method of every row.")
    for caution in dict.fromkeys(found.get("caution", [])):
        say(str(caution))
    say_caution()


def _draw(title: str, part: pd.DataFrame, names: Sequence[str]) -> None:
    figures = [name for name in FIGURES if name in part.columns]
    notes = part.get("why_undefined", pd.Series("", index=part.index))
    table = Table(title=title, title_justify="left", show_edge=False, pad_edge=False)
    for name in (*names, *figures):
        is_number = pd.api.types.is_numeric_dtype(part[name])
        table.add_column(name.replace("_", " "), justify="right" if is_number else "left")
    if notes.any():
        table.add_column("note")
    for (_, row), note in zip(part.iterrows(), notes, strict=True):
        numbers = ["-" if pd.isna(row[name]) else f"{row[name]:.3f}" for name in figures]
        table.add_row(*(_text(row[name]) for name in names), *numbers, *([note] if note else []))
    OUT.print(table)
    OUT.print()


def _text(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)
