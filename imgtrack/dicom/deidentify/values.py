"""Single values: read without trusting them, and cleaned as their rule says."""

from __future__ import annotations

import re
import struct
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import isfinite
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from pydicom.datadict import dictionary_VM
from pydicom.errors import BytesLengthException, InvalidDicomError
from pydicom.uid import UID
from pydicom.valuerep import format_number_as_ds

from imgtrack.dicom.deidentify.dates import kept_time, shifted_date, shifted_moment
from imgtrack.dicom.deidentify.rules import Action, Rule

if TYPE_CHECKING:
    from pydicom.dataelem import DataElement
    from pydicom.dataset import Dataset

    from imgtrack.dicom.deidentify.uids import UidMap
    from imgtrack.dicom.deidentify.words import Vocabulary

UNKNOWN = "UNKNOWN"
"""Stands where the object definition demands a text and none may stay."""

NO_DATE = MappingProxyType({"DA": "19000101", "DT": "19000101", "TM": "000000"})
"""Stands where the object definition demands a date or time and there is none to move."""

OTHER = "OTHER"
"""Stands for a code string that is none, so that the others keep their places."""

OLDEST_YEARS = 89
"""Greater ages are written as 90 years (45 CFR 164.514(b)(2)(i)(C))."""

UNREADABLE = (
    ArithmeticError,
    AttributeError,
    BytesLengthException,
    EOFError,
    InvalidDicomError,
    LookupError,
    NotImplementedError,
    OSError,
    RecursionError,
    TypeError,
    ValueError,
    struct.error,
)
"""What pydicom lets out of broken values."""

_LONGEST = MappingProxyType({"CS": 16, "SH": 16, "LO": 64})
_GREATEST_FLOAT = 3.4028234663852886e38

_CODE_STRING = re.compile(r"[A-Z0-9 _]{0,16}")
_DECIMAL = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?")
_WHOLE = re.compile(r"[+-]?[0-9]{1,10}(\.0*)?")
_AGE = re.compile(r"([0-9]{3})([DWMY])")
_PLAIN_LABEL = re.compile(r"[0-9]{0,4}")

_TEXT_VRS = frozenset({"LO", "LT", "PN", "SH", "ST", "UC", "UT"})
_STRING_VRS = _TEXT_VRS | {"AE", "AS", "CS", "DA", "DS", "DT", "IS", "TM", "UI", "UR"}
_RANGES = MappingProxyType(
    {
        "US": (0, 0xFFFF),
        "SS": (-0x8000, 0x7FFF),
        "UL": (0, 0xFFFFFFFF),
        "SL": (-0x80000000, 0x7FFFFFFF),
        "UV": (0, 2**64 - 1),
        "SV": (-(2**63), 2**63 - 1),
        "AT": (0, 0xFFFFFFFF),
    }
)

Cleaner = Callable[[Any, Rule, "Replacements"], Any]


@dataclass(frozen=True, slots=True)
class Replacements:
    """What the values of one subject are replaced by.

    Attributes
    ----------
    uids
        Replacement of UIDs.
    days
        Days by which dates are moved.
    words
        Words that may stay.
    label
        Returns a short label that stands for another one, always the same.
    swapped
        Whether words of bytes stand in big-endian order and are to be turned.
    """

    uids: UidMap
    days: int
    words: Vocabulary
    label: Callable[[str], str]
    swapped: bool = False


def read(dataset: Dataset, tag: int) -> DataElement | None:
    """Return an element of a data set; ``None`` when it cannot be read."""
    try:
        return dataset[tag]
    except UNREADABLE:
        return None


def texts(element: DataElement | None) -> list[str]:
    """Return the values of an element as texts, none when it is missing or holds none."""
    if element is None or element.VR not in _STRING_VRS:
        return []
    return [_text(value) for value in _values(element)]


def cleaned(element: DataElement, rule: Rule, by: Replacements) -> list[Any] | None:
    """Return the cleaned values of an element that holds no items.

    Returns
    -------
    list or None
        Values to write; empty when the element is to be empty; ``None`` when nothing of it may
        stay, or when it is not what its value representation says.
    """
    if rule.action is Action.EMPTY:
        return []
    if (rule.vr in _STRING_VRS) != (element.VR in _STRING_VRS) or rule.action not in _CLEANERS:
        return None
    found = texts(element) if rule.vr in _STRING_VRS else _binary(element)
    if found is None:
        return None
    new = [_CLEANERS[rule.action](value, rule, by) for value in found]
    if rule.action is Action.WORDS:
        return [text for text in new if text] or None
    return None if any(value is None for value in new) else new


def stand_in(rule: Rule) -> list[Any] | None:
    """Return what stands where nothing of an element may stay; ``None`` to leave it out."""
    if rule.need.of_presence:
        return []
    if rule.need.of_value and rule.action in {Action.WORDS, Action.DUMMY}:
        return [UNKNOWN]
    if rule.need.of_value and rule.action is Action.MOVE:
        return [NO_DATE[rule.vr]]
    return None


def decided(rule: Rule, element: DataElement) -> Rule:
    """Return a rule with one value representation where the data dictionary leaves a choice."""
    if rule.vr == "US or SS":
        return replace(rule, vr="SS" if element.VR == "SS" else "US")
    if rule.vr == "US or OW":
        return replace(rule, vr="OW" if isinstance(element.value, bytes) else "US")
    return rule


def _values(element: DataElement) -> list[Any]:
    value = element.value
    if isinstance(value, Sequence) and not isinstance(value, str | bytes):
        return list(value)
    return [] if value is None or value in {"", b""} else [value]


def _text(value: object) -> str:
    original = getattr(value, "original_string", None)
    return str(value if original is None else original).strip(" \0")


def _binary(element: DataElement) -> list[Any] | None:
    """Return the values of a binary element; ``None`` when there are more than it may have."""
    values = _values(element)
    most = dictionary_VM(element.tag).rsplit("-", maxsplit=1)[-1]
    return None if most.isdigit() and len(values) > int(most) else values


def _uid(value: str, _: Rule, by: Replacements) -> str:
    return by.uids.replacement(value) if value else ""


def _standard_uid(value: str, rule: Rule, by: Replacements) -> str:
    return value if standard_name(value) else _uid(value, rule, by)


def _moved(value: str, rule: Rule, by: Replacements) -> str | None:
    if not value or rule.vr == "TM":
        return kept_time(value) if value else ""
    return (shifted_date if rule.vr == "DA" else shifted_moment)(value, by.days)


def _words(value: str, rule: Rule, by: Replacements) -> str:
    return by.words.rebuilt(value, rule.text)[: _LONGEST.get(rule.vr)].strip()


def _label(value: str, _: Rule, by: Replacements) -> str:
    return value if _PLAIN_LABEL.fullmatch(value) else by.label(value)


def _code_string(value: str, rule: Rule, by: Replacements) -> str:
    value = value.upper()
    if rule.keyword == "BodyPartExamined":
        return _words(value, rule, by)
    return value if _CODE_STRING.fullmatch(value) else OTHER


def _sex(value: str, _: Rule, __: Replacements) -> str | None:
    return value.upper() if value.upper() in {"M", "F", "O", ""} else None


def _age(value: str, _: Rule, __: Replacements) -> str | None:
    found = _AGE.fullmatch(value)
    if found and found[2] == "Y" and int(found[1]) > OLDEST_YEARS:
        return f"{OLDEST_YEARS + 1:03d}Y"
    return value if found else None


def _number(value: Any, rule: Rule, _: Replacements) -> Any:
    if rule.vr in {"DS", "IS"}:
        return _written_number(value, rule.vr) if value else ""
    if rule.vr in {"FL", "FD"}:
        fits = isinstance(value, int | float) and (rule.vr == "FD" or _fits_float(value))
        return float(value) if fits else None
    low, high = _RANGES[rule.vr]
    return value if isinstance(value, int) and low <= value <= high else None


def _fits_float(value: float) -> bool:
    return not isfinite(value) or abs(value) <= _GREATEST_FLOAT


def _written_number(value: str, vr: str) -> str | None:
    """Return a number of VR DS or IS as it is, shortened to what its VR may hold."""
    if vr == "IS":
        fits = _WHOLE.fullmatch(value) and abs(int(float(value))) < 2**31
        return str(int(float(value))) if fits else None
    if not _DECIMAL.fullmatch(value) or not isfinite(float(value)):
        return None
    return value if len(value) <= 16 else format_number_as_ds(float(value))


def _bytes(value: Any, rule: Rule, by: Replacements) -> Any:
    if rule.vr != "OW":
        return _number(value, rule, by)
    if not isinstance(value, bytes):
        return None
    return swapped(value) if by.swapped else value


def standard_name(uid: str) -> str:
    """Return the name the standard gives a UID of its own (PS3.6 annex A); empty for others."""
    name = UID(uid).name
    return "" if name == uid else name


def swapped(words: bytes) -> bytes:
    """Return bytes with the two of each 16-bit word exchanged."""
    turned = bytearray(words)
    even = len(words) // 2 * 2
    turned[0:even:2], turned[1:even:2] = words[1:even:2], words[0:even:2]
    return bytes(turned)


_CLEANERS: Mapping[Action, Cleaner] = MappingProxyType(
    {
        Action.UID: _uid,
        Action.STANDARD_UID: _standard_uid,
        Action.MOVE: _moved,
        Action.WORDS: _words,
        Action.LABEL: _label,
        Action.CODE_STRING: _code_string,
        Action.NUMBER: _number,
        Action.SEX: _sex,
        Action.AGE: _age,
        Action.BYTES: _bytes,
    }
)
