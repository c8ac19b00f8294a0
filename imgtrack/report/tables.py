"""Tables as people read them: chosen columns, headings in words, numbers written out once.

Rounding happens here and nowhere else; the files beside the page hold the numbers in full.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from imgtrack.report.page import Link, ShownTable

MOST_ROWS = 40
Row = Mapping[Hashable, Any]
NO_BREAK = "\N{NO-BREAK SPACE}"
NOTHING = "-"
"""Shown where a cell has no value; the note or another column says why."""


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a shown table.

    Attributes
    ----------
    heading
        In words.
    write
        Gives the text of a cell from its whole row.
    is_number
        Whether it is set to the right.
    """

    heading: str
    write: Callable[[Row], str]
    is_number: bool = False


def words(name: str, heading: str = "") -> Column:
    """Return a column of texts."""
    return Column(heading or name.replace("_", " "), lambda row: text_of(row[name]))


def count(name: str, heading: str = "") -> Column:
    """Return a column of whole numbers."""
    return Column(heading or name.replace("_", " "), lambda row: whole(row[name]), is_number=True)


def decimal(name: str, heading: str = "", places: int = 1) -> Column:
    """Return a column of numbers with some decimals."""
    return Column(
        heading or name.replace("_", " "), lambda row: number(row[name], places), is_number=True
    )


def share(name: str, heading: str = "") -> Column:
    """Return a column of shares in percent."""
    return Column(heading or name.replace("_", " "), lambda row: percent(row[name]), is_number=True)


def figures(name: str, heading: str = "") -> Column:
    """Return a column of numbers that are written out already."""
    return Column(heading or name, lambda row: text_of(row[name]), is_number=True)


def with_limits(
    heading: str,
    estimate: str = "estimate",
    low: str = "low",
    high: str = "high",
    *,
    as_percent: bool = False,
    places: int = 2,
) -> Column:
    """Return a column of an estimate with its limits, as ``12.3 % (4.0 to 28.2)``."""

    def write(row: Row) -> str:
        return estimate_text(
            row[estimate], row[low], row[high], as_percent=as_percent, places=places
        )

    return Column(heading, write, is_number=True)


def shown(
    name: str,
    caption: str,
    frame: pd.DataFrame,
    columns: Sequence[Column],
    *,
    note: str = "",
    links: Sequence[Link] = (),
    most: int = MOST_ROWS,
) -> ShownTable:
    """Return a table written out.

    Parameters
    ----------
    name, caption, note, links
        As in `ShownTable`.
    frame
        The rows, in order.
    columns
        Those to show, in order.
    most
        Most rows to show.
    """
    rows = frame.head(most).to_dict("records")
    return ShownTable(
        name=name,
        caption=caption,
        headings=tuple(column.heading for column in columns),
        rows=tuple(tuple(column.write(row) for column in columns) for row in rows),
        numeric=tuple(column.is_number for column in columns),
        total=len(frame),
        note=note,
        links=tuple(links),
    )


def spread(
    frame: pd.DataFrame, keys: Sequence[str], across: str, write: Callable[[Row], str]
) -> pd.DataFrame:
    """Return a table with one row per key and one column per value of ``across``.

    Parameters
    ----------
    frame
        One row per cell.
    keys, across
        Columns that name the row and the column of a cell, in the order they first come.
    write
        Gives the text of a cell; a cell without a row is a dash.
    """
    cells: dict[tuple[Any, ...], dict[Any, str]] = {}
    for row in frame.to_dict("records"):
        cells.setdefault(tuple(row[key] for key in keys), {})[row[across]] = write(row)
    heads = list(dict.fromkeys(frame[across]))
    rows = [[*key, *(mine.get(head, NOTHING) for head in heads)] for key, mine in cells.items()]
    return pd.DataFrame(rows, columns=[*keys, *heads])


def is_missing(value: object) -> bool:
    """Whether a cell holds nothing."""
    return value is None or value == "" or (isinstance(value, float) and math.isnan(value))


def text_of(value: object) -> str:
    """Return a cell as text."""
    if is_missing(value):
        return NOTHING
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:g}" if isinstance(value, float) else str(value)


def whole(value: Any) -> str:
    """Return a whole number."""
    return NOTHING if is_missing(value) else f"{value:.0f}"


def number(value: Any, places: int = 1) -> str:
    """Return a number with some decimals; a true minus sign."""
    if is_missing(value):
        return NOTHING
    if math.isinf(value):
        return "no limit"
    return f"{value:.{places}f}".replace("-", "\N{MINUS SIGN}")


def percent(value: Any) -> str:
    """Return a share in percent with one decimal."""
    return NOTHING if is_missing(value) else f"{number(100 * value)}{NO_BREAK}%"


def estimate_text(
    estimate: Any, low: Any, high: Any, *, as_percent: bool = False, places: int = 2
) -> str:
    """Return an estimate with its limits, which stay together; a dash where it is not defined."""
    if is_missing(estimate):
        return NOTHING
    scale, digits = (100, 1) if as_percent else (1, places)
    head = percent(estimate) if as_percent else number(estimate, places)
    if is_missing(low) or is_missing(high):
        return head
    limits = f"({number(scale * low, digits)} to {number(scale * high, digits)})"
    return f"{head} {limits.replace(' ', NO_BREAK)}"
