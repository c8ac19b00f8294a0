"""The rows behind the page, as files: CSV, Parquet, one Excel workbook, and HTML for a text."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterator, Mapping, Sequence
from html import escape
from typing import TYPE_CHECKING

import pandas as pd
from openpyxl import Workbook
from openpyxl.cell import WriteOnlyCell

from imgtrack.domain.errors import Fault, Unavailable

if TYPE_CHECKING:
    from pathlib import Path

    from openpyxl.worksheet._write_only import WriteOnlyWorksheet

    from imgtrack.report.page import ShownTable

LONGEST_SHEET = 31
"""Characters of a sheet's name, and :data:`MOST_SHEET_ROWS` rows: limits of the .xlsx format."""
MOST_SHEET_ROWS = 1_048_575
WORKBOOK = "tables.xlsx"
FOR_TEXT = "tables.html"
CELL = "border: 0.5pt solid #777; padding: 2pt 5pt; vertical-align: top;"


def write_data(tables: Mapping[str, pd.DataFrame], folder: Path) -> list[Path]:
    """Write every table as CSV and Parquet and return the files.

    Parameters
    ----------
    tables
        By name, which becomes the name of the files.
    folder
        Made when it is not there.

    Raises
    ------
    Unavailable
        When the folder cannot be written.
    """
    made = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, frame in tables.items():
            csv, parquet = folder / f"{name}.csv", folder / f"{name}.parquet"
            frame.to_csv(csv, index=False, lineterminator="\n")
            _storable(frame).to_parquet(parquet, index=False)
            made += [csv, parquet]
    except OSError as error:
        raise cannot_write(folder, error) from error
    return made


def write_workbook(tables: Mapping[str, pd.DataFrame], path: Path) -> Path:
    """Write the tables as one Excel workbook, a sheet each, headings kept in view.

    A text that begins like a formula is kept as text. A table longer than a sheet ends with the
    sheet; CSV and Parquet hold it whole.
    """
    book = Workbook(write_only=True)
    for name, frame in tables.items():
        sheet = book.create_sheet(name[:LONGEST_SHEET])
        sheet.freeze_panes = "A2"
        sheet.append([str(column) for column in frame.columns])
        for row in _cells(frame.head(MOST_SHEET_ROWS)):
            sheet.append([_kept(sheet, value) for value in row])
    try:
        book.save(path)
    except OSError as error:
        raise cannot_write(path, error) from error
    return path


def write_for_text(tables: Sequence[ShownTable], path: Path, *, title: str, caution: str) -> Path:
    """Write the tables of the page as plain HTML that a word processor takes as tables."""
    parts = "\n".join(_plain_table(table) for table in tables)
    html = (
        '<!doctype html>\n<html lang="en">\n<head><meta charset="utf-8">\n'
        f"<title>{escape(title)}</title></head>\n"
        '<body style="font-family: serif; font-size: 10pt;">\n'
        f"<h1>{escape(title)}</h1>\n<p>{escape(caution)}</p>\n{parts}\n</body>\n</html>\n"
    )
    try:
        path.write_text(html, "utf-8")
    except OSError as error:
        raise cannot_write(path, error) from error
    return path


def sums(paths: Sequence[Path], folder: Path) -> str:
    """Return the SHA-256 of files, one per line, as ``sha256sum -c`` reads them."""
    lines = (
        f"{hashlib.sha256(path.read_bytes()).hexdigest()}  {path.relative_to(folder).as_posix()}"
        for path in sorted(paths)
    )
    return "\n".join(lines) + "\n"


def cannot_write(path: Path, error: OSError) -> Unavailable:
    """Return the error for a place that cannot be written."""
    return Unavailable(
        Fault(
            "the report cannot be written",
            str(path),
            "a place with room and permission to write",
            error.strerror or str(error),
            "choose another folder with --out, or make room",
        )
    )


def _storable(frame: pd.DataFrame) -> pd.DataFrame:
    """Return a frame whose mixed columns are texts, which Parquet can hold."""
    mixed = {
        name: frame[name].map(str, na_action="ignore")
        for name in frame.columns
        if frame[name].dtype == object and len(set(map(type, frame[name].dropna()))) > 1
    }
    return frame.assign(**mixed)


def _cells(frame: pd.DataFrame) -> Iterator[tuple[object, ...]]:
    """Yield the rows of a frame with plain values; what is missing is ``None``, as is no limit."""
    finite = frame.replace([math.inf, -math.inf], math.nan).astype(object)
    yield from finite.where(finite.notna(), None).itertuples(index=False, name=None)


def _kept(sheet: WriteOnlyWorksheet, value: object) -> object:
    """Return a cell value; what looks like a formula as a cell that says it is none."""
    if not isinstance(value, str) or not value.startswith("="):
        return value
    cell = WriteOnlyCell(sheet, value)
    cell.data_type = "s"
    return cell


def _plain_table(table: ShownTable) -> str:
    heads = "".join(f'<th style="{CELL}">{escape(each)}</th>' for each in table.headings)
    rows = "\n".join(
        "<tr>" + "".join(f'<td style="{CELL}">{escape(cell)}</td>' for cell in row) + "</tr>"
        for row in table.rows
    )
    return (
        f"<p><b>{escape(table.caption)}</b></p>\n"
        f'<table style="border-collapse: collapse;">\n<tr>{heads}</tr>\n{rows}\n</table>\n'
        f"<p>{escape(table.note)}</p>"
    )
