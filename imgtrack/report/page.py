"""The page as data: facts, key figures and sections of paragraphs, tables and pictures."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from imgtrack.domain.cautions import CAUTION

if TYPE_CHECKING:
    from imgtrack.report.figures.drawing import Drawing


@dataclass(frozen=True, slots=True)
class Link:
    """A file beside the page: its words and its path from the page."""

    words: str
    path: str


@dataclass(frozen=True, slots=True)
class KeyFigure:
    """One number of the summary.

    Attributes
    ----------
    question
        What it answers.
    value
        The number, written out.
    detail
        Its limits, rule and denominator.
    section
        Id of the section it comes from.
    """

    question: str
    value: str
    detail: str
    section: str


@dataclass(frozen=True, slots=True)
class ShownTable:
    """A table as people read it.

    Attributes
    ----------
    name
        Unique in the page.
    caption
        What it is, in a sentence.
    headings
        One per column.
    rows
        Written-out cells, one per heading.
    numeric
        Whether each column is set to the right.
    total
        Rows of the whole table, of which ``rows`` may be the first ones.
    note
        What to know before reading it; may be empty.
    links
        Files with the whole table.
    """

    name: str
    caption: str
    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numeric: tuple[bool, ...]
    total: int
    note: str = ""
    links: tuple[Link, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Picture:
    """A drawing in the page, with the files it is also kept in and those of its numbers."""

    drawing: Drawing
    svg: str
    links: tuple[Link, ...] = ()


@dataclass(frozen=True, slots=True)
class Text:
    """A paragraph; a warning is set apart."""

    words: str
    is_warning: bool = False


@dataclass(frozen=True, slots=True)
class Checklist:
    """A reporting checklist: each item with what the study knows, or who must say it."""

    caption: str
    citation: str
    entries: tuple[ChecklistItem, ...]


@dataclass(frozen=True, slots=True)
class ChecklistItem:
    """One item: its number, what it asks in our words, the answer, and whether it is one."""

    number: str
    asks: str
    answer: str
    is_known: bool


@dataclass(frozen=True, slots=True)
class LinkList:
    """Files beside the page under a heading of their own."""

    caption: str
    links: tuple[Link, ...]


Part = Text | ShownTable | Picture | Checklist | LinkList


@dataclass(frozen=True, slots=True, eq=False)
class Section:
    """A headed part of the page."""

    id: str
    title: str
    parts: tuple[Part, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Page:
    """A whole page.

    Attributes
    ----------
    title, subtitle
        Name of the study or repair, and what the page is.
    facts
        Terms and values that say what it was made from.
    warnings
        What must be known before any number is read.
    key_figures
        The summary.
    sections
        In order.
    caution
        The caution shown wherever results are.
    """

    title: str
    subtitle: str
    facts: tuple[tuple[str, str], ...]
    warnings: tuple[str, ...]
    key_figures: tuple[KeyFigure, ...]
    sections: tuple[Section, ...]
    caution: str = CAUTION

    def drawings(self) -> Iterator[Drawing]:
        """Yield the drawings of the page in their order."""
        for section in self.sections:
            for part in section.parts:
                if isinstance(part, Picture):
                    yield part.drawing
