"""Values of kept elements as text, numbers and dates, whatever VR they were written with."""

from __future__ import annotations

import math
import warnings
from datetime import date, datetime, time
from struct import Struct
from struct import error as StructError  # noqa: N812 - it is an exception class in lower case
from typing import TYPE_CHECKING

from pydicom.charset import convert_encodings, decode_bytes, python_encoding
from pydicom.datadict import dictionary_description, dictionary_VR, tag_for_keyword
from pydicom.valuerep import STR_VR, VR

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from imgtrack.dicom.elements import Elements

EARLIEST_YEAR = 1900
"""Dates before it are fillers: anonymisers write the year 1, and no patient is that old."""

CHARACTER_SETS = 0x00080005

_BINARY = {
    (vr.encode(), little): Struct(("<" if little else ">") + letter)
    for vr, letter in {
        "US": "H",
        "SS": "h",
        "UL": "L",
        "SL": "l",
        "FL": "f",
        "FD": "d",
        "UV": "Q",
        "SV": "q",
    }.items()
    for little in (True, False)
}
_TEXT = frozenset(str(vr).encode() for vr in STR_VR | {VR.DS, VR.IS})
_RESETTING = {0x09, 0x0A, 0x0C, 0x0D, 0x3D, 0x5C, 0x5E}
"""Bytes after which a text is back in its first character set (PS3.5 section 6.1.2.5.3)."""


class Vocabulary:
    """The attributes that are read, by the keywords of the standard's data dictionary.

    Parameters
    ----------
    keywords
        Keywords of DICOM PS3.6.

    Attributes
    ----------
    tags
        Tag of each keyword.
    vrs
        VR of each tag in the data dictionary.
    """

    def __init__(self, keywords: Iterable[str]) -> None:
        numbers = {keyword: tag_for_keyword(keyword) for keyword in keywords}
        self.tags: dict[str, int] = {word: tag for word, tag in numbers.items() if tag is not None}
        self.vrs: dict[int, str] = {tag: dictionary_VR(tag) for tag in self.tags.values()}
        if unknown := numbers.keys() - self.tags.keys():
            raise ValueError(f"expected keywords of the data dictionary, found {sorted(unknown)}")


class Values:
    """Typed access to kept elements.

    What cannot be understood counts as absent and is noted; nothing raises. Notes never repeat
    a value: out of place, any of them may tell who the patient is.

    Parameters
    ----------
    elements
        The elements of one data set or item.
    vocabulary
        The attributes that can be asked for.
    notes
        Gets a sentence for every value that is not what it should be.
    encodings
        Python codecs of the text; those the elements themselves state come first.
    """

    def __init__(
        self,
        elements: Elements,
        vocabulary: Vocabulary,
        notes: list[str],
        encodings: Sequence[str] = ("iso8859",),
    ) -> None:
        self._elements = elements
        self._vocabulary = vocabulary
        self.notes = notes
        self._encodings = encodings
        if CHARACTER_SETS in elements:
            self._encodings = self._stated_encodings()

    def __contains__(self, keyword: str) -> bool:
        return self._vocabulary.tags[keyword] in self._elements

    def texts(self, keyword: str) -> tuple[str, ...]:
        """Return the values without their padding; none for an absent or empty element."""
        text = self.text(keyword)
        if "\\" not in text:
            return (text,) if text else ()
        return tuple(part.strip(" \0") for part in text.split("\\"))

    def text(self, keyword: str) -> str:
        """Return all values as one text, still parted by backslashes; empty when absent."""
        element = self._elements.get(self._vocabulary.tags[keyword])
        if element is None or not isinstance(element.value, bytes):
            return ""
        return self._decoded(element.value).strip(" \0")

    def numbers(self, keyword: str) -> tuple[float, ...]:
        """Return finite numbers; none when one of them is not."""
        tag = self._vocabulary.tags[keyword]
        element = self._elements.get(tag)
        if element is None or not element.value or not isinstance(element.value, bytes):
            return ()
        vr = element.vr
        if vr not in _TEXT and (vr, True) not in _BINARY:
            vr = self._vocabulary.vrs[tag].encode()
        layout = _BINARY.get((vr, element.little))
        try:
            if layout is not None:
                found = tuple(float(number) for (number,) in layout.iter_unpack(element.value))
            else:
                found = _decimals(element.value)
        except (ValueError, OverflowError, StructError):
            found = (math.nan,)
        if not all(map(math.isfinite, found)):
            self._note(keyword, "is not a number")
            return ()
        return found

    def number(self, keyword: str) -> float | None:
        """Return the first number; ``None`` when absent."""
        return next(iter(self.numbers(keyword)), None)

    def whole(self, keyword: str) -> int | None:
        """Return the first number when it is a whole one; ``None`` when absent."""
        number = self.number(keyword)
        if number is None:
            return None
        if number != int(number):
            self._note(keyword, "is not a whole number")
            return None
        return int(number)

    def day(self, keyword: str) -> date | None:
        """Return a date; ``None`` when absent, no date, or a filler before 1900."""
        text = self.text(keyword).replace(".", "").replace("-", "")
        if not text:
            return None
        try:
            day = date(int(text[:4]), int(text[4:6]), int(text[6:8]))
        except ValueError:
            self._note(keyword, "is not a date")
            return None
        return day if day.year >= EARLIEST_YEAR else None

    def moment(self, keyword: str) -> datetime | None:
        """Return the date and time of a date-time element, its zone left out."""
        text = self.text(keyword)
        day, clock = self.day(keyword), _clock(text[8:].partition("+")[0].partition("-")[0])
        return None if day is None else datetime.combine(day, clock)

    def moment_of(self, day_keyword: str, clock_keyword: str) -> datetime | None:
        """Return the date and time that two elements give; midnight without a time."""
        day = self.day(day_keyword)
        return None if day is None else datetime.combine(day, _clock(self.text(clock_keyword)))

    def items(self, keyword: str) -> tuple[Values, ...]:
        """Return the items of a sequence; none when absent or no sequence."""
        element = self._elements.get(self._vocabulary.tags[keyword])
        if element is None or isinstance(element.value, bytes):
            return ()
        return tuple(
            Values(item, self._vocabulary, self.notes, self._encodings) for item in element.value
        )

    def item(self, keyword: str) -> Values | None:
        """Return the first item of a sequence; ``None`` when there is none."""
        return next(iter(self.items(keyword)), None)

    def empty(self) -> Values:
        """Return an item without elements."""
        return Values({}, self._vocabulary, self.notes, self._encodings)

    def _stated_encodings(self) -> list[str]:
        """Return the Python codecs of Specific Character Set, with unknown ones noted."""
        element = self._elements[CHARACTER_SETS]
        raw = element.value if isinstance(element.value, bytes) else b""
        stated = [part.strip(" \0") for part in raw.decode("latin-1").split("\\")]
        known = [name for name in stated if name in python_encoding]
        if len(known) < len(stated):
            self._note("SpecificCharacterSet", "is unknown")
        if len(known) < 2:
            return [python_encoding[name] for name in known] or ["iso8859"]
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return convert_encodings(known)

    def _decoded(self, raw: bytes) -> str:
        if raw.isascii() and b"\x1b" not in raw:
            return raw.decode("ascii")
        if b"\x1b" not in raw:
            return raw.decode(self._encodings[0], errors="replace")
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return decode_bytes(raw, list(self._encodings), _RESETTING)

    def _note(self, keyword: str, what: str) -> None:
        said = f"{dictionary_description(self._vocabulary.tags[keyword])} {what}"
        if said not in self.notes:
            self.notes.append(said)


def _decimals(raw: bytes) -> tuple[float, ...]:
    """Return the numbers of a decimal or integer string; raise ValueError when it has others."""
    if b"_" in raw:
        raise ValueError(raw)
    parts = raw.strip(b" \0").split(b"\\")
    return tuple(map(float, parts)) if parts != [b""] else ()


def _clock(text: str) -> time:
    """Return the time of day a text begins with, midnight when it does not begin with one."""
    digits, _, fraction = text.replace(":", "").partition(".")
    try:
        hour, minute, second = (int(digits[place : place + 2] or 0) for place in (0, 2, 4))
        return time(hour, minute, second, int(fraction[:6].ljust(6, "0")))
    except ValueError:
        return time()
