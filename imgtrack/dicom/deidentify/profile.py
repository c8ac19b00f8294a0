"""Table E.1-1 of DICOM PS3.15: what is done to each attribute that may identify someone."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from importlib import resources
from string import hexdigits
from types import MappingProxyType
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping


class BasicAction(StrEnum):
    """Action codes of the basic profile (PS3.15 section E.1.1)."""

    REMOVE = "X"
    EMPTY = "Z"
    DUMMY = "D"
    UID = "U"
    REMOVE_OR_EMPTY = "X/Z"
    REMOVE_OR_DUMMY = "X/D"
    EMPTY_OR_DUMMY = "Z/D"
    REMOVE_EMPTY_OR_DUMMY = "X/Z/D"
    REMOVE_EMPTY_OR_UIDS = "X/Z/U*"


class OptionAction(StrEnum):
    """Action codes of the options."""

    KEEP = "K"
    CLEAN = "C"


class Option(StrEnum):
    """Columns of the table for the options (PS3.15 section E.3)."""

    SAFE_PRIVATE = "safe_private"
    UIDS = "uids"
    DEVICE = "device"
    INSTITUTION = "institution"
    PATIENT = "patient"
    FULL_DATES = "full_dates"
    MODIFIED_DATES = "modified_dates"
    DESCRIPTORS = "descriptors"
    STRUCTURED_CONTENT = "structured_content"
    GRAPHICS = "graphics"


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table.

    Attributes
    ----------
    tag
        Eight hexadecimal digits, ``x`` for any digit; ``private`` for all private attributes.
    keyword
        Keyword of the attribute.
    retired
        Whether PS3.6 has retired it.
    basic
        What the basic profile does.
    options
        What each option does instead, where it differs.
    """

    tag: str
    keyword: str
    retired: bool
    basic: BasicAction
    options: Mapping[Option, OptionAction]


@dataclass(frozen=True, slots=True)
class Profile:
    """The whole table.

    Attributes
    ----------
    edition
        Edition of the standard it was taken from.
    rows
        Its lines, in the order of their tags.
    """

    edition: str
    rows: tuple[Row, ...]

    def by_tag(self) -> dict[int, Row]:
        """Return the lines that name one tag; groups of tags and private ones are left out."""
        return {int(row.tag, 16): row for row in self.rows if set(row.tag) <= set(hexdigits)}


@cache
def profile() -> Profile:
    """Return the table that is kept beside this file."""
    title, *lines = data_lines("profile.csv")
    rows = tuple(_row(line) for line in csv.DictReader(lines))
    return Profile(title.split(",")[0].removeprefix("# DICOM "), rows)


def data_lines(name: str) -> list[str]:
    """Return the lines of a table that is kept beside this file; the first says what it is."""
    return resources.files(__package__).joinpath(name).read_text("utf-8").splitlines()


def _row(line: dict[str, str]) -> Row:
    return Row(
        line["tag"],
        line["keyword"],
        line["retired"] == "Y",
        BasicAction(line["basic"]),
        MappingProxyType(dict(_options(line))),
    )


def _options(line: dict[str, str]) -> Iterator[tuple[Option, OptionAction]]:
    for option in Option:
        if line[option]:
            yield option, OptionAction(line[option])
