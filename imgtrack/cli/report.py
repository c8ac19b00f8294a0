"""The report of a study, its healing sheets, and its tables as files."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from imgtrack.cli.console import progress, say, say_caution
from imgtrack.cli.options import HERE, StudyFolder, Who, day_given, opened
from imgtrack.desk import results as desk_results
from imgtrack.desk.cases.shelf import FolderShelf
from imgtrack.outcomes.compute import compute
from imgtrack.outcomes.readers import RESAMPLES
from imgtrack.report.places import Places
from imgtrack.report.sheets import write_sheets
from imgtrack.report.writing import every_table, write_report, write_tables

if TYPE_CHECKING:
    from datetime import date

    from imgtrack.desk.study import Study
    from imgtrack.domain.records import Records
    from imgtrack.outcomes.compute import Results

INTERIM = (
    "This is an interim look: {count} first readings are not signed yet. The look is in the log."
)

Day = Annotated[str, typer.Option("--date", help="Day the figures are for, as 2031-05-28.")]
Out = Annotated[
    Path | None,
    typer.Option("--out", help="A new folder, or one written before; beside the study."),
]


def report(
    folder: Annotated[
        Path | None, typer.Argument(help="The study folder; --study when left out.")
    ] = None,
    *,
    study: StudyFolder = HERE,
    who: Who = "",
    out: Out = None,
    on: Day = "",
    sheets: Annotated[
        bool, typer.Option("--sheets", help="Add the healing sheet of every repair.")
    ] = False,
    repair: Annotated[
        list[str] | None,
        typer.Option(help="Only the healing sheet of this repair, without the report."),
    ] = None,
    resamples: Annotated[
        int, typer.Option(min=1, help="Resamples of patients behind the limits of agreement.")
    ] = RESAMPLES,
) -> None:
    """Write the report of a study: one page with its rows, figures and healing sheets beside it."""
    place = folder or study
    with opened(place, who) as desk:
        warnings = _require(desk, "write the report")
        records = _records(desk, on)
        if repair:
            _write_alone(desk, out or _beside(place, "sheets"), repair, records.today)
        else:
            results = compute(records, resamples=resamples)
            _write_all(desk, out or _beside(place, "report"), results, warnings, sheets=sheets)
    say_caution()


def export(
    *,
    study: StudyFolder = HERE,
    who: Who = "",
    out: Out = None,
    on: Day = "",
    dicom: Annotated[
        bool,
        typer.Option("--dicom", help="Signed readings as DICOM reports and segmentations instead."),
    ] = False,
    notes: Annotated[
        bool, typer.Option("--notes", help="With --dicom: readers' free texts too, unchecked.")
    ] = False,
) -> None:
    """Write every row and result as CSV, Parquet and Excel, or the readings as DICOM."""
    target = out or _beside(study, "dicom" if dicom else "tables")
    with opened(study, who) as desk:
        _require(desk, "export the readings" if dicom else "export the tables")
        if dicom:
            _export_dicom(desk, target, with_notes=notes)
        else:
            tables = every_table(compute(_records(desk, on)))
            with Places(target).writing():
                write_tables(tables, target)
            say(f"{len(tables)} tables written to {target}; data/dictionary.csv explains them.")
    say_caution()


def _write_alone(desk: Study, target: Path, repairs: list[str], day: date) -> None:
    """Write the healing sheets of some repairs."""
    shelf = FolderShelf(desk.folder)
    with progress() as told:
        pages = write_sheets(desk, target, day=day, shelf=shelf, repairs=repairs, progress=told)
    say(f"Healing sheets: {', '.join(map(str, pages))}")


def _write_all(
    desk: Study, target: Path, results: Results, warnings: tuple[str, ...], *, sheets: bool
) -> None:
    """Write the report, with the healing sheet of every repair if wanted."""
    shelf, day = FolderShelf(desk.folder), results.data.records.today
    pages: list[Path] = []
    with Places(target).writing() as places, progress() as told:
        written = write_report(
            desk,
            results,
            target,
            shelf=shelf,
            warnings=warnings,
            with_sheets=sheets,
            progress=told,
        )
        if sheets:
            pages = write_sheets(desk, places.sheets, day=day, shelf=shelf, progress=told)
    say(f"The report is {written.page}")
    say(
        f"Beside it: {written.tables} tables, {written.pictures} figures, "
        f"{len(pages)} healing sheets."
    )


def _export_dicom(desk: Study, target: Path, *, with_notes: bool) -> None:
    from imgtrack.desk.structured_out import write_structured  # noqa: PLC0415 - slow to load

    with progress() as told:
        written = write_structured(desk, target, with_notes=with_notes, progress=told)
    say(
        f"{len(written.reports)} reports and {len(written.outlines)} segmentations "
        f"written to {target}."
    )
    for fault in written.refused:
        say(f"left out: {fault}")


def _beside(folder: Path, what: str) -> Path:
    place = folder.resolve()
    return place.parent / f"{place.name}-{what}"


def _records(desk: Study, on: str) -> Records:
    """Return the records of a study, as of another day when one is given."""
    records = desk_results.gather(desk)
    return replace(records, today=day_given(on)) if on else records


def _require(desk: Study, act: str) -> tuple[str, ...]:
    """Refuse who may not see results yet, and return what must be said of an interim look."""
    desk_results.require_results(desk, act)
    left = desk_results.open_first_readings(desk)
    return (INTERIM.format(count=left),) if left else ()
