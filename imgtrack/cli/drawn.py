"""A data frame as a table on the terminal: figures with three decimals, a dash for nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd
from rich.table import Table

if TYPE_CHECKING:
    from collections.abc import Hashable

NOTHING = "-"


def draw_table(title: str, frame: pd.DataFrame) -> Table:
    """Return a table with all columns of a frame."""
    table = Table(title=title, title_justify="left", show_edge=False, pad_edge=False)
    shown = [name for name in frame.columns if not _is_blank(frame[name])]
    for name in shown:
        is_number = pd.api.types.is_numeric_dtype(frame[name])
        table.add_column(str(name).replace("_", " "), justify="right" if is_number else "left")
    for row in frame[shown].to_dict("records"):
        table.add_row(*(_text(row[name]) for name in shown))
    return table


def _is_blank(column: pd.Series) -> bool:
    return bool((column.isna() | (column.astype(str) == "")).all())


def _text(value: Hashable) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        if pd.isna(value):
            return NOTHING
        return f"{value:.0f}" if value.is_integer() and abs(value) > 1 else f"{value:.3f}"
    return str(value)
