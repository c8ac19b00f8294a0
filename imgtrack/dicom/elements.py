"""Walk the elements of an encoded data set and keep only the wanted ones.

Reading whole headers with a general library takes most of the time of a large intake; walking
the bytes takes a tenth of it, reads nothing past the last wanted element, and has one way to
fail. Encoding as in DICOM PS3.5 section 7; what departs from it ends in :class:`Unreadable`.
"""

from __future__ import annotations

from struct import Struct
from struct import error as StructError  # noqa: N812 - it is an exception class in lower case
from typing import TYPE_CHECKING, NamedTuple

from pydicom.valuerep import EXPLICIT_VR_LENGTH_32

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

FIRST_BYTES = 12 * 1024
"""Read at once: holds the header of nearly every classic image up to its pixel description."""

HEADER_LIMIT = 256 * 1024**2
"""Bytes after which a header without end is given up."""

ELEMENT_LIMIT = 2_000_000
"""Elements after which a header without end is given up."""

DEPTH_LIMIT = 24
"""Sequences within sequences; the standard's own objects stay below ten."""

UNDEFINED = 0xFFFFFFFF
ITEM, ITEM_END, SEQUENCE_END = 0xFFFEE000, 0xFFFEE00D, 0xFFFEE0DD
EVERYTHING = 0xFFFFFFFF
"""Tag to walk up to when nothing should end the walk early."""

_LONG = frozenset(str(vr).encode() for vr in EXPLICIT_VR_LENGTH_32)


class Unreadable(Exception):  # noqa: N818 - becomes a refusal and never leaves this room
    """The bytes are not what the standard lets them be."""

    def __init__(self, reason: str, expected: str = "", found: str = "") -> None:
        self.reason, self.expected, self.found = reason, expected, found
        super().__init__(reason)


class Encoding(NamedTuple):
    """How the elements of a data set are written."""

    implicit: bool
    little: bool


class Element(NamedTuple):
    """One element as it stands.

    ``vr`` is empty where the encoding does not state it; ``value`` holds the bytes, or the items
    of a sequence.
    """

    vr: bytes
    value: bytes | list[Elements]
    little: bool


Elements = dict[int, Element]
"""Elements by tag, a tag being ``0xGGGGEEEE``."""


class Found(NamedTuple):
    """An element found: its tag and VR, the length of its value and where the value starts."""

    tag: int
    vr: bytes
    length: int
    value: int


Head = tuple[int, bytes, int, int]
"""The same, before it is known to be of interest."""


def _explicit(order: str) -> Callable[[bytes, int], Head]:
    """Return how to read the head of an element with explicit VR (PS3.5 section 7.1.2)."""
    unpack, long = Struct(f"{order}HH2sH").unpack_from, Struct(f"{order}L").unpack_from
    implicit = _implicit(order)

    def head(data: bytes, place: int) -> Head:
        group, number, vr, length = unpack(data, place)
        if vr in _LONG:
            return group << 16 | number, vr, long(data, place + 8)[0], place + 12
        if vr.isalpha():
            return group << 16 | number, vr, length, place + 8
        return implicit(data, place)  # so are items, and parts that some writers add

    return head


def _implicit(order: str) -> Callable[[bytes, int], Head]:
    """Return how to read the head of an element with implicit VR (PS3.5 section 7.1.3)."""
    unpack = Struct(f"{order}HHL").unpack_from

    def head(data: bytes, place: int) -> Head:
        group, number, length = unpack(data, place)
        return group << 16 | number, b"", length, place + 8

    return head


_HEADS = {
    Encoding(implicit, little): (_implicit if implicit else _explicit)("<" if little else ">")
    for implicit in (True, False)
    for little in (True, False)
}


class Opening:
    """The beginning of a stream, read further when more of it is needed.

    Parameters
    ----------
    read
        Returns up to so many further bytes, none at the end.
    """

    def __init__(self, read: Callable[[int], bytes]) -> None:
        self._read = read
        self.data = read(FIRST_BYTES)

    def reach(self, end: int) -> bool:
        """Read on until the bytes up to ``end`` are there; return whether they are."""
        if end > HEADER_LIMIT:
            raise Unreadable("the header does not end", f"at most {HEADER_LIMIT} bytes", str(end))
        while len(self.data) < end:
            more = self._read(max(end - len(self.data), len(self.data)))
            if not more:
                return False
            self.data += more
        return True


class Walk:
    """A walk along one encoded data set.

    Parameters
    ----------
    opening
        The bytes.
    wanted
        Tags to keep at every depth, with the VR the data dictionary gives them.
    encoding
        How the data set is written.
    place
        Offset of its first element.

    Attributes
    ----------
    out_of_order
        Whether a tag came later than a greater one, which PS3.5 section 7.1 forbids.
    """

    def __init__(
        self, opening: Opening, wanted: Mapping[int, str], encoding: Encoding, place: int
    ) -> None:
        self.place = place
        self.encoding = encoding
        self.out_of_order = False
        self._opening = opening
        self._wanted = wanted
        self._left = ELEMENT_LIMIT

    def until(self, stop: int, kept: Elements) -> None:
        """Keep wanted elements up to the first one beyond the tag ``stop``, or to the end.

        The first of several elements with one tag stands.

        Raises
        ------
        Unreadable
            If the bytes are no data set.
        """
        try:
            self._top_level(stop, kept)
        except StructError:
            raise Unreadable("the file ends within its header") from None

    def _top_level(self, stop: int, kept: Elements) -> None:
        opening, wanted, head = self._opening, self._wanted, _HEADS[self.encoding]
        data, place, last, little = opening.data, self.place, 0, self.encoding.little
        for _ in range(ELEMENT_LIMIT):
            if place + 12 > len(data):
                opening.reach(place + 12)
                data = opening.data
                if place <= len(data) < place + 8 and not any(data[place:]):  # but for padding
                    break
            tag, vr, length, value = head(data, place)
            if tag > stop:
                break
            self.out_of_order |= tag <= last
            last, place, known = tag, value + length, wanted.get(tag)
            if length == UNDEFINED or known == "SQ":
                place = self._sequence(Found(tag, vr, length, value), self.encoding, kept, depth=0)
                data = opening.data
            elif known is not None:
                raw = data[value:place] if place <= len(data) else self._value(tag, value, place)
                kept.setdefault(tag, Element(vr, raw, little))
                data = opening.data
        else:
            raise Unreadable("the header does not end", "", f"over {ELEMENT_LIMIT} elements")
        self.place = place

    def _value(self, tag: int, start: int, end: int) -> bytes:
        """Return the bytes of a value."""
        if not self._opening.reach(end):
            expected = f"{end - start} bytes of ({tag >> 16:04x},{tag & 0xFFFF:04x})"
            left = str(len(self._opening.data) - start)
            raise Unreadable("the file ends within its header", expected, left)
        return self._opening.data[start:end]

    def _sequence(self, found: Found, encoding: Encoding, kept: Elements, *, depth: int) -> int:
        """Keep a sequence if it is wanted; return where the next element starts."""
        inner = Encoding(implicit=True, little=True) if found.vr == b"UN" else encoding
        items, after = self._items(found, inner, depth + 1)
        if found.tag in self._wanted:
            kept.setdefault(found.tag, Element(found.vr, items, encoding.little))
        return after

    def _items(self, found: Found, encoding: Encoding, depth: int) -> tuple[list[Elements], int]:
        """Return the items of a sequence, and where the element after it starts."""
        if depth > DEPTH_LIMIT:
            raise Unreadable("sequences are nested too deep", "", f"over {DEPTH_LIMIT} levels")
        head = _HEADS[Encoding(implicit=True, little=encoding.little)]
        place = found.value
        end = None if found.length == UNDEFINED else place + found.length
        items: list[Elements] = []
        while end is None or place < end:
            self._opening.reach(place + 8)
            tag, _, length, place = head(self._opening.data, place)
            if tag == SEQUENCE_END and end is None:
                return items, place
            if tag != ITEM:
                raise Unreadable("a sequence holds something else than items")
            if length != UNDEFINED and found.tag not in self._wanted:
                place += length
                continue
            items.append({})
            item_end = None if length == UNDEFINED else place + length
            place = self._item(items[-1], place, item_end, encoding, depth=depth)
        if place != end:
            raise Unreadable("an item reaches beyond the sequence that holds it")
        return items, place

    def _item(
        self, kept: Elements, place: int, end: int | None, encoding: Encoding, *, depth: int
    ) -> int:
        """Keep the wanted elements of an item; return where the next one starts."""
        head = _HEADS[encoding]
        while end is None or place < end:
            self._opening.reach(place + 12)
            tag, vr, length, value = head(self._opening.data, place)
            if tag == ITEM_END:
                return value
            self._left -= 1
            if self._left < 0:
                raise Unreadable("the header does not end", "", f"over {ELEMENT_LIMIT} elements")
            known, place = self._wanted.get(tag), value + length
            if length == UNDEFINED or known == "SQ":
                place = self._sequence(Found(tag, vr, length, value), encoding, kept, depth=depth)
            elif known is not None:
                raw = self._value(tag, value, place)
                kept.setdefault(tag, Element(vr, raw, encoding.little))
        if place != end:
            raise Unreadable("an element reaches beyond the item that holds it")
        return place
