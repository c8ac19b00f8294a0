"""How one field of a record becomes JSON and a table column, and comes back unchanged.

A value takes two steps out and the same two back::

    record value --plain--> JSON value --store--> column value
    record value <-revive-- JSON value <-load---- column value

The log keeps the JSON value, the tables keep the column value. Every step is lossless; a value for
which that cannot be promised (not a number, text no database can hold) is refused by ``plain`` with
`UnfitError`.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime
from numbers import Integral, Real
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from imgtrack.domain.log import canonical

if TYPE_CHECKING:
    from enum import Enum

INTEGER_LIMIT = 2**31 - 1
"""Greatest whole number that a column holds on every database."""


class UnfitError(Exception):
    """A value cannot be kept unchanged; the message says what was expected."""


Step = Callable[[Any], Any]


def _same(value: Any) -> Any:
    return value


@dataclass(frozen=True, slots=True)
class Form:
    """The two steps out and the two steps back of one kind of field.

    Attributes
    ----------
    plain, revive
        Record value to JSON value, checked, and back.
    store, load
        JSON value to column value and back.
    """

    plain: Step
    revive: Step = _same
    store: Step = _same
    load: Step = _same


def or_none(form: Form) -> Form:
    """Return the form of a field that may also be ``None``."""
    return Form(*(_skip_none(step) for step in (form.plain, form.revive, form.store, form.load)))


def _skip_none(step: Step) -> Step:
    return step if step is _same else lambda value: None if value is None else step(value)


def text(value: Any) -> str:
    """Return text that every database can hold: no NUL, no half of a surrogate pair.

    Raises
    ------
    UnfitError
        For anything else.
    """
    if not isinstance(value, str) or "\0" in value:
        raise UnfitError("text without NUL characters")
    try:
        value.encode()
    except UnicodeEncodeError as error:
        raise UnfitError("text that is valid Unicode") from error
    return str(value)


def _integer(value: Any) -> int:
    try:
        number = value.__index__()
    except AttributeError:
        number = None
    if number is None or abs(number) > INTEGER_LIMIT:
        raise UnfitError(f"a whole number of at most {INTEGER_LIMIT}")
    return int(number)


def _number(value: Any) -> float:
    try:
        number = float(value) if isinstance(value, Real) else math.nan
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        raise UnfitError("a finite number")
    return number


def _day(value: Any) -> str:
    if not isinstance(value, date) or isinstance(value, datetime):
        raise UnfitError("a day without time of day")
    return value.isoformat()


def moment(value: Any) -> str:
    """Return a moment as ISO text in UTC, to the microsecond.

    Raises
    ------
    UnfitError
        For anything but a ``datetime`` with a time zone.
    """
    if not isinstance(value, datetime) or value.tzinfo is None:
        raise UnfitError("a moment with its time zone")
    try:
        return value.astimezone(UTC).isoformat()
    except OverflowError as error:
        raise UnfitError("a moment between the years 1 and 9999 in UTC") from error


def _words(value: Any) -> list[str]:
    if not isinstance(value, tuple):
        raise UnfitError("a tuple of texts")
    return [text(word) for word in value]


def _mapping(item: Callable[[Any], Any]) -> Step:
    def plain(value: Any) -> dict[str, Any]:
        if not isinstance(value, Mapping):
            raise UnfitError("a mapping with text keys")
        return {text(key): item(inner) for key, inner in value.items()}

    return plain


def _json_value(value: Any) -> Any:
    if value is None or isinstance(value, bool):
        return value
    if isinstance(value, str):
        return text(value)
    if isinstance(value, Mapping):
        return {text(key): _json_value(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_json_value(inner) for inner in value]
    if isinstance(value, Integral):
        return int(value)
    if isinstance(value, Real):
        return _number(value)
    raise UnfitError("a JSON value")


def _frozen(value: dict[str, Any]) -> Mapping[str, Any]:
    return MappingProxyType(value)


TEXT = Form(text)
LINK = Form(
    text, store=lambda value: value or None, load=lambda value: "" if value is None else value
)
"""Text that names another record; empty when it names none, which the column keeps as NULL."""
INTEGER = Form(_integer)
NUMBER = Form(_number)
DAY = Form(_day, date.fromisoformat, date.fromisoformat, date.isoformat)
MOMENT = Form(moment, datetime.fromisoformat, datetime.fromisoformat, moment)
WORDS = Form(_words, tuple, canonical, json.loads)
TEXTS = Form(_mapping(text), _frozen, canonical, json.loads)
NUMBERS = Form(_mapping(_number), _frozen, canonical, json.loads)
ANSWERS = Form(_mapping(_json_value), _frozen, canonical, json.loads)
"""A mapping of JSON values; JSON knows one kind of array, so tuples come back as lists."""


def choice(allowed: type[Enum]) -> Form:
    """Return the form of a field that holds a member of an enum, kept by its value."""

    def plain(value: Any) -> Any:
        try:
            return allowed(value).value
        except ValueError as error:
            raise UnfitError(f"one of {', '.join(str(each.value) for each in allowed)}") from error

    return Form(plain, allowed)
