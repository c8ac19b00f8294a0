"""Spreadsheets a study team has, CSV or Excel, read as rows of text with their places."""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING
from zipfile import BadZipFile

import openpyxl
from openpyxl.utils.exceptions import InvalidFileException

from imgtrack.domain.errors import Fault, InvalidInput
from imgtrack.domain.sheet_columns import LOOKS_LIKE_IDENTITY

if TYPE_CHECKING:
    from imgtrack.domain.protocol import SheetColumns

Progress = Callable[[str, int, int], None]
"""Called with what is done, how much of it, and of how much (0 when not known)."""

EXCEL_SUFFIXES = frozenset({".xlsx", ".xlsm"})
REPORT_EVERY = 1000


def no_progress(_what: str, _done: int, _total: int) -> None:
    """Show nothing."""


@dataclass(frozen=True, slots=True)
class Row:
    """One row of a sheet: its number as a spreadsheet counts it, and text by our column names."""

    where: str
    number: int
    cells: dict[str, str]

    def fault(self, column: str, what: str, expected: str = "", next_step: str = "") -> Fault:
        """Return a fault of one cell of this row."""
        place = f"{self.where} row {self.number}, column {column}"
        return Fault(what, place, expected, repr(self.cells.get(column, "")), next_step)


@dataclass(frozen=True, slots=True)
class Sheet:
    """A whole sheet: our names of its columns, and its rows without the empty ones."""

    columns: tuple[str, ...]
    rows: tuple[Row, ...]


def read_sheet(
    path: Path,
    naming: SheetColumns,
    required: Sequence[str],
    progress: Progress = no_progress,
) -> Sheet:
    """Read a sheet and give its columns our names.

    Cells come as stripped text; true dates of an Excel sheet come in ISO form. Headings are
    compared without case, and with spaces, dots and hyphens as underscores.

    Raises
    ------
    InvalidInput
        Unreadable, empty, wrongly encoded, headings missing or twice, a column that looks like
        identity; all faults of the headings together.
    """
    lines = _excel_lines(path) if path.suffix.lower() in EXCEL_SUFFIXES else _csv_lines(path)
    number, headings = next(lines, (0, []))
    if not any(headings):
        raise InvalidInput(
            Fault("the file is empty", str(path), "a row of headings and rows below it", "nothing")
        )
    body = []
    for number, cells in lines:
        if any(cells):
            body.append((number, cells))
        if number % REPORT_EVERY == 0:
            progress("reading rows", number, 0)
    columns = _our_names(path, headings, body, naming, required)
    rows = tuple(
        Row(path.name, number, dict(zip(columns, cells, strict=False))) for number, cells in body
    )
    _require_width(path, len(columns), body)
    if not rows:
        raise InvalidInput(
            Fault("there are headings and no rows", str(path), "at least one row", "none")
        )
    return Sheet(tuple(name for name in columns if name), rows)


def _csv_lines(path: Path) -> Iterator[tuple[int, list[str]]]:
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            sample = file.read(8192)
            file.seek(0)
            reader = csv.reader(file, delimiter=_delimiter(sample), strict=True)
            for cells in reader:
                yield reader.line_num, [cell.strip() for cell in cells]
    except UnicodeDecodeError as error:
        raise InvalidInput(
            Fault(
                "the file is not in the expected encoding",
                str(path),
                "UTF-8",
                f"byte {error.object[error.start]:#04x} at {error.start}",
                'save it again as "CSV UTF-8", or give the .xlsx file',
            )
        ) from error
    except csv.Error as error:
        raise InvalidInput(
            Fault("not a readable CSV file", str(path), "comma or semicolon rows", str(error))
        ) from error
    except OSError as error:
        raise _unreadable(path, error) from error


def _delimiter(sample: str) -> str:
    """Return the delimiter of the heading line: the commonest of comma, semicolon and tab."""
    heading = sample.partition("\n")[0]
    return max(",;\t", key=heading.count)


def _excel_lines(path: Path) -> Iterator[tuple[int, list[str]]]:
    try:
        book = openpyxl.load_workbook(path, read_only=True, data_only=True)
    except (InvalidFileException, BadZipFile, KeyError, ValueError) as error:
        raise InvalidInput(
            Fault("not a readable Excel workbook", str(path), "an .xlsx file", str(error))
        ) from error
    except OSError as error:
        raise _unreadable(path, error) from error
    try:
        for number, values in enumerate(book.worksheets[0].iter_rows(values_only=True), 1):
            yield number, [_text(value) for value in values]
    finally:
        book.close()


def _text(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, datetime):
        return value.date().isoformat() if value.time() == datetime.min.time() else str(value)
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value).strip()


def _unreadable(path: Path, error: OSError) -> InvalidInput:
    return InvalidInput(
        Fault("the file cannot be read", str(path), "a file", error.strerror or str(error))
    )


def plain(heading: str) -> str:
    """Return a heading as it is compared: lower case, with underscores."""
    return "_".join(heading.lower().replace(".", " ").replace("-", " ").split()).replace("__", "_")


def _our_names(
    path: Path,
    headings: Sequence[str],
    body: Sequence[tuple[int, Sequence[str]]],
    naming: SheetColumns,
    required: Sequence[str],
) -> list[str]:
    """Return our name for each heading, or raise every fault of the headings."""
    ours = {plain(theirs): name for name, theirs in naming.columns.items()}
    mapped = set(naming.columns)
    names: list[str] = []
    faults: list[Fault] = []
    for position, heading in enumerate(headings):
        name = ours.get(plain(heading)) or plain(heading)
        place = f"{path.name} column {position + 1}"
        if not name:
            faults.extend(_unnamed(place, position, body))
        elif name in mapped and plain(heading) not in ours:
            name = f"{name}_unmapped"
        elif name in names:
            faults.append(Fault(f"the heading '{heading}' is there twice", place, "one column"))
        elif name in LOOKS_LIKE_IDENTITY and not _kept(name, naming):
            faults.append(_identity(place, heading))
        names.append(name)
    faults.extend(
        Fault(
            f"the column '{name}' is missing",
            f"{path.name} row 1",
            naming.columns.get(name, name),
            ", ".join(heading for heading in headings if heading),
            f'add it, or map your heading in study.toml: [sheets.columns] {name} = "..."',
        )
        for name in required
        if name not in names
    )
    if faults:
        raise InvalidInput(faults)
    return names


def _kept(name: str, naming: SheetColumns) -> bool:
    return name in {plain(kept) for kept in naming.keep}


def _unnamed(
    place: str, position: int, body: Sequence[tuple[int, Sequence[str]]]
) -> Iterator[Fault]:
    """Yield a fault when a column without a heading holds something."""
    filled = [number for number, cells in body if position < len(cells) and cells[position]]
    if filled:
        yield Fault(
            "a column has values and no heading",
            place,
            "one heading per column in row 1 (no merged heading cells, no second heading row)",
            f"a value in row {filled[0]}",
            "unmerge the headings and give every column its own",
        )


def _identity(place: str, heading: str) -> Fault:
    return Fault(
        f"the column '{heading}' looks like identity, which the study never holds",
        place,
        "no such column, or one mapped to name, hospital_number or birth_date (key file only)",
        heading,
        "delete it, map it under [sheets.columns], or list it under [sheets] keep if it is none",
    )


def _require_width(path: Path, width: int, body: Sequence[tuple[int, Sequence[str]]]) -> None:
    faults = [
        Fault(
            "the row has more cells than there are headings",
            f"{path.name} row {number}",
            f"{width} cells",
            f"{len(cells)} cells",
            "put quotes around text that holds the delimiter",
        )
        for number, cells in body
        if any(cells[width:])
    ]
    if faults:
        raise InvalidInput(faults)
