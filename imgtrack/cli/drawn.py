"""A data frame as a table on the terminal: figures with three decimals, notes below."""

from __future__ import annotations

from math import isnan
from typing import TYPE_CHECKING

import pandas as pd
from rich.table import Table

if TYPE_CHECKING:
    from collections.abc import Hashable, Mapping, Sequence

NOTHING = "-"
NOTES = ("why_undefined", "caution", "warning")
"""Columns of whole sentences: numbered in the table and told once below it."""


def draw_table(title: str, frame: pd.DataFrame) -> tuple[Table, list[str]]:
    """Return a table with the columns of a frame that say anything, and the notes below it."""
    notes = _notes(frame)
    table = Table(title=title, title_justify="left", show_edge=False, pad_edge=False)
    shown = [name for name in frame.columns if name not in NOTES and not _is_blank(frame[name])]
    for name in shown:
        is_number = pd.api.types.is_numeric_dtype(frame[name])
        table.add_column(str(name).replace("_", " "), justify="right" if is_number else "left")
    if notes:
        table.add_column("note", justify="right")
    for row in frame.to_dict("records"):
        told = [str(notes[text]) for name in NOTES if (text := str(row.get(name) or "")) in notes]
        table.add_row(*(_text(row[name]) for name in shown), *([", ".join(told)] if notes else []))
    return table, [f"{number}: {text}." for text, number in notes.items()]


def spread(
    frame: pd.DataFrame, keys: Sequence[str], by: str, headings: Mapping[str, str]
) -> pd.DataFrame:
    """Return one row per combination of keys, with a column of estimate and limits per quantity.

    Parameters
    ----------
    frame
        Rows with ``estimate``, ``low`` and ``high``.
    keys
        Columns that tell the rows apart.
    by
        Column that names the quantity.
    headings
        Heading of each quantity, in order; others are left out.
    """
    mine = frame[frame[by].isin(headings)].drop_duplicates([*keys, by])
    if mine.empty:
        return pd.DataFrame(columns=[*keys, *headings.values()])
    figures = zip(mine["estimate"], mine["low"], mine["high"], strict=True)
    cells = mine.assign(cell=[_with_limits(*each) for each in figures])
    wide = cells.set_index([*keys, by])["cell"].unstack(by)  # noqa: PD010 - each is there once
    there = wide[[name for name in headings if name in wide.columns]].rename(columns=dict(headings))
    in_order = mine[list(keys)].drop_duplicates()
    return in_order.merge(there.fillna(NOTHING).reset_index(), on=list(keys), how="left")


def _notes(frame: pd.DataFrame) -> dict[str, int]:
    columns = [frame[name] for name in NOTES if name in frame.columns]
    texts = dict.fromkeys(text for column in columns for text in column.fillna("") if text)
    return {str(text): number for number, text in enumerate(texts, 1)}


def _with_limits(estimate: float, low: float, high: float) -> str:
    if isnan(low) or isnan(high):
        return NOTHING if isnan(estimate) else f"{estimate:.3f} (no limits)"
    return f"{estimate:.3f} ({low:.3f} to {high:.3f})"


def _is_blank(column: pd.Series) -> bool:
    return bool((column.isna() | (column.astype(str) == "")).all())


def _text(value: Hashable) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if pd.isna(value):  # type: ignore[call-overload] # a cell is a scalar
        return NOTHING
    if isinstance(value, float):
        return f"{value:.0f}" if value.is_integer() and abs(value) > 1 else f"{value:.3f}"
    return str(value)
