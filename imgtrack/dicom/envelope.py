"""What stands around a data set: preamble, file meta information and transfer syntax."""

from __future__ import annotations

import zlib
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from pydicom.uid import (
    DeflatedExplicitVRLittleEndian,
    ExplicitVRBigEndian,
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
)
from pydicom.valuerep import STANDARD_VR

from imgtrack.dicom.elements import Encoding, Opening, Unreadable, Walk

if TYPE_CHECKING:
    from collections.abc import Callable

    from imgtrack.dicom.elements import Elements
    from imgtrack.dicom.values import Vocabulary

PREAMBLE = 128
PREFIX = b"DICM"
META_END = 0x0002FFFF
LAST_GROUP = 0x00FF
"""A data set begins in a group below it; in the wrong byte order its number is above."""

FIRST_GROUPS = frozenset({0x0002, 0x0004, 0x0008})
"""Groups a file without prefix must begin with to be taken for DICOM."""

SYNTAXES = {
    Encoding(implicit=True, little=True): str(ImplicitVRLittleEndian),
    Encoding(implicit=False, little=True): str(ExplicitVRLittleEndian),
    Encoding(implicit=False, little=False): str(ExplicitVRBigEndian),
}
"""Transfer syntax of each encoding of a data set that is not compressed."""

OTHER_FILES = {
    b"%PDF": "a PDF document",
    b"\xff\xd8\xff": "a JPEG picture",
    b"\x89PNG": "a PNG picture",
    b"GIF8": "a GIF picture",
    b"PK\x03\x04": "a zip archive whose name does not end in .zip",
    b"\x1f\x8b": "a gzip archive",
    b"7z\xbc\xaf": "a 7-Zip archive",
    b"Rar!": "a RAR archive",
}
"""First bytes of what else lies on media."""

_KNOWN = frozenset(str(vr).encode() for vr in STANDARD_VR)


@dataclass(slots=True)
class Envelope:
    """A file opened up to the start of its data set.

    Attributes
    ----------
    transfer_syntax
        UID as stated; as found where no meta header states it.
    meta
        Wanted elements of the file meta information.
    walk
        Stands at the first element of the data set.
    notes
        What was odd and mended.
    """

    transfer_syntax: str
    meta: Elements
    walk: Walk
    notes: list[str] = field(default_factory=list)


def unseal(read: Callable[[int], bytes], vocabulary: Vocabulary) -> Envelope:
    """Open a DICOM file up to the start of its data set.

    Parameters
    ----------
    read
        Returns up to so many further bytes of the file, none at its end.
    vocabulary
        The attributes to keep; must hold Transfer Syntax UID.

    Raises
    ------
    Unreadable
        If it is no DICOM file, or its encoding cannot be told.

    Notes
    -----
    Files without preamble or without meta header (PS3.10 section 7.1 demands both) are read when
    their first element tells how they are encoded. Where it contradicts the stated transfer
    syntax, the bytes are believed and the contradiction is noted.
    """
    opening = Opening(read)
    opening.reach(PREAMBLE + 12)
    place = _start(opening.data)
    notes = [] if place else ["the file has no preamble"]
    meta: Elements = {}
    place = _read_meta(opening, place, vocabulary, meta)
    stated = _stated_syntax(meta, vocabulary)
    if not meta:
        notes.append("the file has no meta header")
    if stated == DeflatedExplicitVRLittleEndian:
        opening, place = Opening(_inflating(opening, place, read)), 0
    encoding = _encoding(opening, place, stated, notes)
    syntax = stated or SYNTAXES[encoding]
    return Envelope(syntax, meta, Walk(opening, vocabulary.vrs, encoding, place), notes)


def _start(data: bytes) -> int:
    """Return where the first element stands, or say why this is no DICOM file."""
    if data[PREAMBLE : PREAMBLE + 4] == PREFIX:
        return PREAMBLE + 4
    found = _sniffed(data, 0)
    if found is not None and _group(data, 0, little=found.little) in FIRST_GROUPS:
        return 0
    if not data:
        raise Unreadable("the file is empty")
    other = next((name for head, name in OTHER_FILES.items() if data.startswith(head)), "")
    raise Unreadable("not a DICOM file", "DICM after 128 bytes", other)


def _read_meta(opening: Opening, place: int, vocabulary: Vocabulary, meta: Elements) -> int:
    """Keep the file meta information; return where the data set starts."""
    found = _sniffed(opening.data, place)
    if found is None or _group(opening.data, place, little=found.little) != 0x0002:
        return place
    walk = Walk(opening, vocabulary.vrs, found, place)
    walk.until(META_END, meta)
    return walk.place


def _stated_syntax(meta: Elements, vocabulary: Vocabulary) -> str:
    element = meta.get(vocabulary.tags["TransferSyntaxUID"])
    if element is None or not isinstance(element.value, bytes):
        return ""
    return element.value.decode("latin-1").strip(" \0")


def _encoding(opening: Opening, place: int, stated: str, notes: list[str]) -> Encoding:
    """Return how the data set is written, by its first element and by what is stated."""
    if stated == ImplicitVRLittleEndian:
        declared = Encoding(implicit=True, little=True)
    else:
        declared = Encoding(implicit=False, little=stated != ExplicitVRBigEndian)
    if not opening.reach(place + 8):
        raise Unreadable("the file holds no data set")
    found = _sniffed(opening.data, place)
    if found is None and not stated:
        raise Unreadable("the data set cannot be made out", "an element of group 0008")
    if found is None or found == declared:
        return declared
    if stated:
        notes.append(f"the data set is written in {SYNTAXES[found]}")
    return found


def _sniffed(data: bytes, place: int) -> Encoding | None:
    """Return how the element at an offset is written, when it looks like one."""
    if len(data) < place + 8:
        return None
    for little in (True, False):
        if _group(data, place, little=little) <= LAST_GROUP:
            implicit = data[place + 4 : place + 6] not in _KNOWN
            return Encoding(implicit, little) if little or not implicit else None
    return None


def _group(data: bytes, place: int, *, little: bool) -> int:
    return int.from_bytes(data[place : place + 2], "little" if little else "big")


def _inflating(
    opening: Opening, place: int, read: Callable[[int], bytes]
) -> Callable[[int], bytes]:
    """Return a reader of the deflated data set that starts at an offset (PS3.5 section A.5)."""
    inflater = zlib.decompressobj(-zlib.MAX_WBITS)
    waiting = opening.data[place:]

    def inflated(size: int) -> bytes:
        nonlocal waiting
        while not inflater.eof:
            data = waiting or read(size)
            if not data:
                break
            more = inflater.decompress(data, size)
            waiting = inflater.unconsumed_tail
            if more:
                return more
        return b""

    return inflated
