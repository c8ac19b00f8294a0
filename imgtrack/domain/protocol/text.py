"""Read the text of ``study.toml`` into a protocol, or report every fault of it at once."""

from __future__ import annotations

import tomllib
from typing import TYPE_CHECKING, Any

from pydantic import ValidationError

from imgtrack.domain.errors import Fault, InvalidInput
from imgtrack.domain.protocol.checks import cross_faults
from imgtrack.domain.protocol.model import Protocol
from imgtrack.domain.protocol.places import Place, line_for, lines_of

if TYPE_CHECKING:
    from pydantic_core import ErrorDetails

WORDS = {
    "missing": "this key",
    "extra_forbidden": "only keys of the protocol (look for a misspelling)",
    "string_pattern_mismatch": "letters, digits, '_', '.' or '-', starting with a letter or digit",
}


def read_protocol(text: str, *, where: str = "study.toml") -> Protocol:
    """Return the protocol a text holds.

    Parameters
    ----------
    text
        TOML.
    where
        Name of the file for the faults.

    Raises
    ------
    InvalidInput
        With one fault per thing wrong: line, expected, found. Faults between sections (windows
        that overlap, a reader too few) are reported together with those inside them.
    """
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InvalidInput(
            Fault("not valid TOML", where, "TOML 1.0", str(error), "mend that line and run again")
        ) from error
    lines = lines_of(text)
    faults: dict[Place, list[Fault]] = {}
    protocol = None
    try:
        protocol = Protocol.model_validate(data)
    except ValidationError as error:
        for detail in error.errors():
            place = _real_place(detail["loc"], data)
            faults.setdefault(place, []).append(_field_fault(detail, place, lines, where))
    for found in cross_faults(data):
        line = line_for(found.place, lines)
        faults.setdefault(found.place, []).append(
            Fault(found.what, f"{where} line {line}", found.expected, found.found, found.next_step)
        )
    if faults or protocol is None:
        ordered = sorted(faults, key=lambda place: line_for(place, lines))
        raise InvalidInput(fault for place in ordered for fault in faults[place])
    return protocol


def _real_place(loc: tuple[int | str, ...], data: dict[str, Any]) -> Place:
    """Drop what the validator adds to a place that the file does not have (unions, keys)."""
    place: Place = ()
    here: Any = data
    for step in loc:
        try:
            here = here[step]
        except (KeyError, IndexError, TypeError):
            if isinstance(here, dict) and isinstance(step, str) and step != "[key]":
                return (*place, step)
            return place
        place = (*place, step)
    return place


def _field_fault(detail: ErrorDetails, place: Place, lines: dict[Place, int], where: str) -> Fault:
    kind = detail["type"]
    name = ".".join(str(step + 1) if isinstance(step, int) else step for step in place)
    expected = WORDS.get(
        kind, detail["msg"].removeprefix("Value error, ").removeprefix("Input should be ")
    )
    found = "" if kind == "missing" else repr(detail["input"])
    what = {"missing": f"'{name}' is missing", "extra_forbidden": f"'{name}' is not known"}.get(
        kind, f"'{name}' cannot be used"
    )
    return Fault(what, f"{where} line {line_for(place, lines)}", expected, found)
