"""A parsed TOML table -> a scale, with every fault of the table reported at once."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from enum import StrEnum
from types import MappingProxyType
from typing import Any, TypeVar

from imgtrack.domain.errors import Fault, InvalidInput
from imgtrack.domain.imaging import Modality
from imgtrack.domain.scales.model import (
    NO_CONDITION,
    Citation,
    Concept,
    Level,
    Provenance,
    Scale,
    Unit,
    ValueRange,
    View,
    closest,
)

Choice = TypeVar("Choice", bound=StrEnum)
Part = TypeVar("Part")

ID_PATTERN = re.compile(r"[a-z][a-z0-9_]{0,31}")


class Table:
    """One table being read: takes each key once, and notes what is wrong with it.

    Parameters
    ----------
    values
        The table.
    where
        How to name the table in a fault.
    faults
        Where faults are gathered; shared by all tables of one scale.
    """

    def __init__(self, values: Mapping[str, Any], where: str, faults: list[Fault]) -> None:
        self.where = where
        self.faults = faults
        self._left = dict(values)
        self._taken: list[str] = []

    def fault(self, what: str, expected: str = "", found: object = "", next_step: str = "") -> None:
        """Note a fault of this table."""
        self.faults.append(Fault(what, self.where, expected, str(found), next_step))

    def take(self, key: str, kind: type | tuple[type, ...], expected: str) -> Any:
        """Return the value of a key when it has the right type, else ``None``."""
        self._taken.append(key)
        value = self._left.pop(key, None)
        is_wrong_bool = isinstance(value, bool) and kind is not bool
        if value is not None and (is_wrong_bool or not isinstance(value, kind)):
            self.fault(f"{key} has the wrong type", expected, repr(value))
            return None
        return value

    def text(self, key: str, default: str | None = None) -> str:
        """Return a text; without a default it must be there and not be empty."""
        present = key in self._left
        value: str | None = self.take(key, str, "a text")
        if value is None and not present and default is not None:
            return default
        if present and value is None:
            return ""
        if default is None and not (value and value.strip()):
            self.fault(f"{key} is missing", "a text that is not empty")
        return (value or "").strip()

    def texts(self, key: str) -> tuple[str, ...]:
        """Return a list of texts; empty when left out."""
        items = self.take(key, list, "a list of texts") or []
        wrong = [item for item in items if not isinstance(item, str)]
        if wrong:
            self.fault(f"{key} holds something that is no text", "texts", wrong)
        return tuple(item for item in items if isinstance(item, str))

    def number(self, key: str) -> float | None:
        """Return a number, or ``None`` when it is left out or wrong."""
        value = self.take(key, (int, float), "a number")
        return None if value is None else float(value)

    def whole(self, key: str) -> int | None:
        """Return a whole number, or ``None`` when it is left out or wrong."""
        value: int | None = self.take(key, int, "a whole number")
        return value

    def flag(self, key: str, *, default: bool) -> bool:
        """Return true or false."""
        value: bool | None = self.take(key, bool, "true or false")
        return default if value is None else value

    def choice(self, key: str, kind: type[Choice], default: Choice) -> Choice:
        """Return a member of an enumeration by its value."""
        word = self.text(key, default=default.value)
        return self._member(key, kind, word) or default

    def choices(self, key: str, kind: type[Choice]) -> tuple[Choice, ...]:
        """Return members of an enumeration by their values."""
        members = (self._member(key, kind, word) for word in self.texts(key))
        return tuple(member for member in members if member is not None)

    def _member(self, key: str, kind: type[Choice], word: str) -> Choice | None:
        allowed = tuple(member.value for member in kind)
        if word in allowed:
            return kind(word)
        self.fault(f"{key} is not known", ", ".join(allowed), repr(word), closest(word, allowed))
        return None

    def tables(self, key: str, make: Callable[[Table], Part]) -> tuple[Part, ...]:
        """Return what ``make`` reads from each table of a list; empty when left out."""
        items = self.take(key, list, f"tables [[{key}]]") or []
        parts = []
        for number, item in enumerate(items, start=1):
            if not isinstance(item, Mapping):
                self.fault(f"{key} {number} is no table", f"[[{key}]]", repr(item))
                continue
            table = Table(item, f"{self.where}, {key} {number}", self.faults)
            parts.append(make(table))
            table.close()
        return tuple(parts)

    def table(self, key: str) -> Table | None:
        """Return the table under a key, or ``None`` when it is left out or wrong."""
        value = self.take(key, Mapping, "a table")
        return None if value is None else Table(value, f"{self.where}, {key}", self.faults)

    def lists(self) -> Mapping[str, tuple[str, ...]]:
        """Return every remaining key as a list of texts."""
        return MappingProxyType({key: self.texts(key) for key in tuple(self._left)})

    def close(self) -> None:
        """Report the keys nobody asked for."""
        for key in self._left:
            allowed = tuple(self._taken)
            self.fault("unknown key", ", ".join(allowed), key, closest(key, allowed))


def scale_in(values: Mapping[str, Any], where: str) -> Scale:
    """Return the scale a table describes.

    Parameters
    ----------
    values
        The table, as :mod:`tomllib` returns it.
    where
        How to name the table in a fault, as ``protocol.toml``.

    Raises
    ------
    InvalidInput
        With every fault of the table.
    """
    faults: list[Fault] = []
    table = Table(values, where, faults)
    scale = _read(table)
    table.close()
    _check(scale, table)
    if faults:
        raise InvalidInput(faults)
    return scale


def _read(table: Table) -> Scale:
    provenance = table.choice("provenance", Provenance, Provenance.OWN)
    levels = table.tables("level", lambda part: _level(part, provenance))
    return Scale(
        id=table.text("id"),
        version=table.text("version", default="1"),
        title=table.text("title"),
        grades=table.text("grades"),
        unit=table.choice("unit", Unit, Unit.REPAIR),
        ordered=table.flag("ordered", default=True),
        levels=_ranked(levels, table),
        modalities=table.choices("modalities", Modality),
        views=table.choices("views", View),
        provenance=provenance,
        citations=table.tables("citation", _citation),
        derived_from=table.texts("derived_from"),
        only_with=_conditions(table.table("only_with")),
        value_range=_value_range(table.table("range")),
        cautions=table.texts("cautions"),
    )


def _level(table: Table, provenance: Provenance) -> tuple[int | None, Level]:
    rank = table.whole("rank")
    level = Level(
        code=table.text("code"),
        rank=0 if rank is None else rank,
        title=table.text("title"),
        criteria=table.text("criteria"),
        provenance=table.choice("provenance", Provenance, provenance),
        concept=_concept(table.table("concept")),
    )
    return rank, level


def _ranked(levels: tuple[tuple[int | None, Level], ...], table: Table) -> tuple[Level, ...]:
    given = sum(rank is not None for rank, _ in levels)
    if given == 0:
        return tuple(
            Level(item.code, place, item.title, item.criteria, item.provenance, item.concept)
            for place, (_, item) in enumerate(levels, start=1)
        )
    if given < len(levels):
        table.fault("some levels have a rank and some have none", "a rank in all or in none")
    return tuple(level for _, level in levels)


def _concept(table: Table | None) -> Concept | None:
    if table is None:
        return None
    concept = Concept(table.text("scheme"), table.text("value"), table.text("meaning"))
    table.close()
    return concept


def _citation(table: Table) -> Citation:
    year = table.whole("year")
    if year is None:
        table.fault("year is missing", "the year of publication")
    return Citation(
        authors=table.text("authors"),
        journal=table.text("journal"),
        year=year or 0,
        volume=table.text("volume", default=""),
        pages=table.text("pages", default=""),
        doi=table.text("doi", default=""),
    )


def _conditions(table: Table | None) -> Mapping[str, tuple[str, ...]]:
    return NO_CONDITION if table is None else table.lists()


def _value_range(table: Table | None) -> ValueRange | None:
    if table is None:
        return None
    low, high = table.number("low"), table.number("high")
    table.close()
    if low is None or high is None or not low < high:
        table.fault("a range needs two bounds", "low below high", f"{low}, {high}")
        return None
    return ValueRange(low, high)


def _check(scale: Scale, table: Table) -> None:
    """Note what is wrong between the parts of a scale."""
    if scale.id and not ID_PATTERN.fullmatch(scale.id):
        table.fault("id cannot be used", "lower-case letters, digits and _, at most 32", scale.id)
    if scale.value_range is None and len(scale.levels) < 2:
        table.fault("a scale needs levels", "two or more [[level]], or a [range]")
    if scale.value_range is not None and scale.levels:
        table.fault("a scale has levels or a range", "one of the two", "both")
    if not scale.modalities:
        table.fault("modalities is missing", ", ".join(Modality))
    twice = sorted({code for code in scale.codes if code and scale.codes.count(code) > 1})
    if twice:
        table.fault("level codes must differ", found=", ".join(twice))
    ranks = [level.rank for level in scale.levels]
    if ranks != sorted(ranks):
        table.fault("levels must stand by rank", "ranks that do not fall", ranks)
