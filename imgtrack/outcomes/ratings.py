"""One row per reading becomes one row per subject with a column per reader."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from imgtrack.domain.errors import Fault, InvalidInput

NOT_ASSESSABLE = frozenset({"", "ne", "na", "n/a", "nan", "not assessable", "not evaluable"})
"""Texts that mean an answer was not possible; they are missing in agreement and counted."""
MOST_EXAMPLES = 5


def ratings_table(readings: pd.DataFrame, *, subject: str, reader: str, value: str) -> pd.DataFrame:
    """Return the readings as a table (subjects, readers) of texts; missing cells are ``nan``.

    Parameters
    ----------
    readings
        One row per reading, all columns texts.
    subject, reader, value
        Names of the columns that hold them.

    Raises
    ------
    InvalidInput
        A column is missing, a subject or reader is blank, or a reader has two values for one
        subject; all faults together.
    """
    require_columns(readings, (subject, reader, value))
    texts = readings[[subject, reader, value]].apply(lambda column: column.str.strip())
    faults = [
        Fault(f"{name} is blank", _rows(texts.index[texts[name] == ""]), "a code in every row")
        for name in (subject, reader)
        if (texts[name] == "").any()
    ]
    twice = texts.duplicated([subject, reader], keep=False) & (texts[subject] != "")
    if twice.any():
        first = texts[twice].iloc[0]
        faults.append(
            Fault(
                "a reader has several values for one subject",
                _rows(texts.index[twice]),
                "one row per subject and reader",
                f"{first[reader]} on {first[subject]}",
                "give each round its own reader code, or keep the rows of one round",
            )
        )
    if faults:
        raise InvalidInput(faults)
    known = ~texts[value].str.lower().isin(NOT_ASSESSABLE)
    texts[value] = texts[value].where(known, np.nan)
    order = list(dict.fromkeys(texts[subject]))
    cells = texts.set_index([subject, reader])[value]
    wide: pd.DataFrame = cells.unstack()  # noqa: PD010 - every pair of keys is there once
    return wide.loc[order]


def as_numbers(table: pd.DataFrame) -> pd.DataFrame:
    """Return a table of measurements as numbers; a decimal comma is read too.

    Raises
    ------
    InvalidInput
        A cell is neither a number nor one of the words for "not assessable".
    """
    numbers: pd.DataFrame = table.apply(
        lambda column: pd.to_numeric(column.str.replace(",", "."), errors="coerce")
    )
    wrong = table.notna() & (numbers.isna() | np.isinf(numbers))
    if wrong.to_numpy().any():
        found = _examples(table, wrong)
        raise InvalidInput(
            Fault(
                "some values are no measurements",
                expected="numbers (or NE for not assessable)",
                found=found,
                next_step="correct them, or give --scale or --categories for grades",
            )
        )
    return numbers


def as_grades(table: pd.DataFrame, categories: Sequence[str]) -> pd.DataFrame:
    """Return a table of grades after checking that each is one of the declared categories.

    Raises
    ------
    InvalidInput
        A cell is no declared category; case must fit too.
    """
    wrong = table.notna() & ~table.isin(categories)
    if wrong.to_numpy().any():
        raise InvalidInput(
            Fault(
                "some values are no grade of the scale",
                expected=", ".join(categories) + " (or NE for not assessable)",
                found=_examples(table, wrong),
            )
        )
    return table


def require_columns(readings: pd.DataFrame, names: Sequence[str]) -> None:
    """Refuse a table that lacks one of the columns."""
    missing = [name for name in names if name not in readings.columns]
    if missing:
        raise InvalidInput(
            Fault(
                f"there is no column '{name}'",
                "row 1",
                "a heading of the table",
                ", ".join(map(str, readings.columns)),
            )
            for name in missing
        )


def _rows(index: pd.Index[int]) -> str:
    numbers = [str(number + 2) for number in index[:MOST_EXAMPLES]]
    return "row " + ", ".join(numbers) + (" ..." if len(index) > MOST_EXAMPLES else "")


def _examples(table: pd.DataFrame, wrong: pd.DataFrame) -> str:
    found = list(dict.fromkeys(table.to_numpy()[wrong.to_numpy()]))
    shown = ", ".join(repr(text) for text in found[:MOST_EXAMPLES])
    return shown + (f" and {len(found) - MOST_EXAMPLES} more" if len(found) > MOST_EXAMPLES else "")
