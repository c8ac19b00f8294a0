"""Cells of a sheet read as dates, numbers and choices; what cannot be read becomes a fault."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import TYPE_CHECKING, TypeVar

from imgtrack.domain.errors import Fault

if TYPE_CHECKING:
    from imgtrack.desk.registry.sheets import Row

T = TypeVar("T")

SUBJECT_PATTERN = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]{0,31}")
EARLIEST = date(1900, 1, 1)


@dataclass(slots=True)
class CellReader:
    """Reads the cells of one row and gathers what is wrong with them.

    Every method returns ``None`` (or an empty text) for an empty cell and for one with a fault;
    ``required`` makes an empty cell a fault too.
    """

    row: Row
    date_format: str
    faults: list[Fault] = field(default_factory=list)

    def text(self, column: str, *, required: bool = False) -> str:
        """Return the text of a cell."""
        text = self.row.cells.get(column, "")
        if required and not text:
            self._add(column, f"{column} is missing", "a value (merged cells must be unmerged)")
        return text

    def subject(self) -> str:
        """Return the subject code."""
        text = self.text("subject", required=True)
        if text and not SUBJECT_PATTERN.fullmatch(text):
            self._add(
                "subject",
                "this is no subject code",
                "up to 32 letters, digits, '_', '.' or '-', without spaces",
                "use codes in the study, and put names in the column 'name' (key file only)",
            )
            return ""
        return text

    def day(self, column: str, *, required: bool = False) -> date | None:
        """Return a date in the protocol's format; true dates of a workbook are always read."""
        text = self.text(column, required=required)
        if not text:
            return None
        day = _iso(text) or (_formatted(text, self.date_format))
        wanted = "YYYY-MM-DD" if self.date_format == "ISO" else self.date_format
        if day is None:
            self._add(
                column, "this is no date", wanted, "correct it, or set date_format under [sheets]"
            )
        elif day < EARLIEST:
            self._add(column, "the date is too early", f"{EARLIEST} or later")
            return None
        return day

    def number(
        self, column: str, *, low: float = -math.inf, high: float = math.inf
    ) -> float | None:
        """Return a number within limits; a decimal comma is read too."""
        text = self.text(column)
        if not text:
            return None
        try:
            value = float(text.replace(",", "."))
        except ValueError:
            value = math.nan
        if not low <= value <= high:
            self._add(column, "this number cannot be used", _range(low, high))
            return None
        return value

    def whole(self, column: str, *, low: int, high: int) -> int | None:
        """Return a whole number within limits."""
        value = self.number(column, low=low, high=high)
        if value is not None and not value.is_integer():
            self._add(column, "this is no whole number", _range(low, high))
            return None
        return None if value is None else int(value)

    def choice(self, column: str, words: Mapping[str, T], *, required: bool = False) -> T | None:
        """Return what a word stands for, compared without case."""
        text = self.text(column, required=required)
        if not text:
            return None
        if text.lower() not in words:
            self._add(column, f"this is no {column} imgtrack knows", ", ".join(words))
            return None
        return words[text.lower()]

    def member(self, column: str, known: tuple[str, ...], where: str) -> str:
        """Return a text that must be one of the protocol's names, or empty."""
        text = self.text(column)
        if text and text not in known:
            self._add(column, f"{where} does not name this {column}", ", ".join(known) or "none")
            return ""
        return text

    def _add(self, column: str, what: str, expected: str = "", next_step: str = "") -> None:
        self.faults.append(self.row.fault(column, what, expected, next_step))


def _iso(text: str) -> date | None:
    try:
        return date.fromisoformat(text[:10]) if re.match(r"\d{4}-\d{2}-\d{2}", text) else None
    except ValueError:
        return None


def _formatted(text: str, pattern: str) -> date | None:
    if pattern == "ISO":
        return None
    try:
        return datetime.strptime(text, pattern).date()  # noqa: DTZ007 - a day has no zone
    except ValueError:
        return None


def _range(low: float, high: float) -> str:
    if math.isinf(low) and math.isinf(high):
        return "a number"
    if math.isinf(high):
        return f"a number of at least {low:g}"
    return f"a number from {low:g} to {high:g}"
