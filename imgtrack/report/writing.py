"""Writing the report of a study: the page, its rows, its pictures, and their sums."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from imgtrack.outcomes.dictionary import dictionary
from imgtrack.report.examples import examples
from imgtrack.report.figures.drawing import save
from imgtrack.report.files import FOR_TEXT, WORKBOOK, cannot_write, write_data, write_for_text
from imgtrack.report.files import write_workbook as write_book
from imgtrack.report.page import ShownTable
from imgtrack.report.places import Places
from imgtrack.report.render import render
from imgtrack.report.sections.material import Material
from imgtrack.report.study_page import study_page

if TYPE_CHECKING:
    from pathlib import Path

    import pandas as pd

    from imgtrack.desk.cases.images import Shelf
    from imgtrack.desk.study import Study
    from imgtrack.outcomes.compute import Results
    from imgtrack.report.page import Page

Progress = Callable[[str, int, int], None]
STEPS = 4
STEP = "report"


@dataclass(frozen=True, slots=True)
class Written:
    """What was written: the page, and how many tables and pictures lie beside it."""

    page: Path
    tables: int
    pictures: int


def every_table(results: Results) -> dict[str, pd.DataFrame]:
    """Return the rows of a study, the results computed from them, and the dictionary of both."""
    return {**results.data.tables(), **results.tables, "dictionary": dictionary(results)}


def write_report(
    study: Study,
    results: Results,
    folder: Path,
    *,
    shelf: Shelf,
    warnings: tuple[str, ...] = (),
    with_sheets: bool = False,
    progress: Progress = lambda *_: None,
) -> Written:
    """Write the report of a study into a folder.

    Parameters
    ----------
    study
        Open, with somebody at the desk who may see results: ask `require_results` before.
    results
        Of its records.
    folder
        Made ready by `Places.writing`.
    shelf
        Where the images of the example slices lie.
    warnings
        What must be known before any number is read.
    with_sheets
        Whether healing sheets of all repairs will be written into `Places.sheets`; they are
        linked then.
    progress
        Told what is done, of how many steps.

    Raises
    ------
    Unavailable
        When the folder cannot be written.
    """
    places = Places(folder)
    progress(STEP, 0, STEPS)
    final = set(results.data.verdicts["scan"])
    verdicts = {each.scan: each for each in results.data.records.verdicts if each.scan in final}
    shown = examples(study, verdicts, shelf, tables=("verdicts", "verdict_findings"))
    page = study_page(Material(results, places, shown, with_sheets), warnings=warnings)
    progress(STEP, 1, STEPS)
    tables = every_table(results)
    write_tables(tables, folder)
    progress(STEP, 2, STEPS)
    pictures = _write_pictures(page, places)
    progress(STEP, 3, STEPS)
    _write_page(page, places)
    progress(STEP, 4, STEPS)
    return Written(places.page, len(tables), pictures)


def write_tables(tables: Mapping[str, pd.DataFrame], folder: Path) -> None:
    """Write tables as CSV and Parquet into ``data``, and as one workbook."""
    write_data(tables, Places(folder).data)
    write_book(tables, folder / WORKBOOK)


def _write_pictures(page: Page, places: Places) -> int:
    drawings = list(page.drawings())
    try:
        places.figures.mkdir(exist_ok=True)
        for drawing in drawings:
            save(drawing, places.figures)
    except OSError as error:
        raise cannot_write(places.figures, error) from error
    return len(drawings)


def _write_page(page: Page, places: Places) -> None:
    try:
        places.page.write_text(render(page), "utf-8")
    except OSError as error:
        raise cannot_write(places.page, error) from error
    tables = [
        part for section in page.sections for part in section.parts if isinstance(part, ShownTable)
    ]
    title = f"{page.title}: tables"
    write_for_text(tables, places.folder / FOR_TEXT, title=title, caution=page.caution)
