"""The walk along encoded elements, against pydicom and against what PS3.5 lets bytes be."""

from __future__ import annotations

import struct
from io import BytesIO
from pathlib import Path

import mr_objects as objects
import pydicom
import pytest
from pydicom.data import get_testdata_files
from pydicom.dataset import Dataset
from pydicom.multival import MultiValue
from pydicom.sequence import Sequence
from pydicom.uid import (
    DeflatedExplicitVRLittleEndian,
    ExplicitVRBigEndian,
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
)

from imgtrack.dicom import elements
from imgtrack.dicom.elements import EVERYTHING, Encoding, Opening, Unreadable, Walk
from imgtrack.dicom.envelope import unseal
from imgtrack.dicom.headers import BEFORE_PIXELS
from imgtrack.dicom.values import Values
from imgtrack.dicom.vocabulary import VOCABULARY

FILES = sorted(
    path
    for path in map(Path, get_testdata_files())
    if path.is_file()
    and path.read_bytes()[128:132] == b"DICM"
    and "TINY_ALPHA" not in path.parts  # a hundred like the first
)
PLAIN = [word for word, tag in VOCABULARY.tags.items() if VOCABULARY.vrs[tag] != "SQ"]
NUMBERS = {"DS", "IS", "US", "FD", "UL"}
UNREADABLE = {
    "rtplan_truncated.dcm": "ends within",
    "meta_missing_tsyntax.dcm": "cannot be made out",
}
"""Cut off in the header; a private element first and no transfer syntax stated."""


def read_all(raw: bytes) -> Values:
    """Walk a whole file up to its pixels."""
    envelope = unseal(BytesIO(raw).read, VOCABULARY)
    kept = dict(envelope.meta)
    envelope.walk.until(BEFORE_PIXELS, kept)
    return Values(kept, VOCABULARY, envelope.notes)


def expected(value: object, vr: str) -> tuple[object, ...]:
    """Return pydicom's value in our form: no padding, and nothing for what is no number."""
    values = value if isinstance(value, MultiValue | list) else [value]
    if vr not in NUMBERS:
        return tuple(str(v).strip(" \0") for v in values)
    try:
        return tuple(float(v) for v in values)
    except ValueError:
        return ()


@pytest.mark.filterwarnings("ignore::UserWarning:pydicom")
@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_every_value_is_what_pydicom_reads(path: Path) -> None:
    """Files bundled with pydicom 3 and in pydicom-data: implicit, big endian, deflated, odd VRs."""
    theirs = pydicom.dcmread(path)
    if path.name in UNREADABLE:
        with pytest.raises(Unreadable, match=UNREADABLE[path.name]):
            read_all(path.read_bytes())
        return
    ours = read_all(path.read_bytes())
    for word in PLAIN:
        if word in theirs and not theirs[word].is_empty:
            vr = VOCABULARY.vrs[VOCABULARY.tags[word]]
            found = ours.numbers(word) if vr in NUMBERS else ours.texts(word)
            assert found == expected(theirs[word].value, vr), word


@pytest.mark.parametrize(
    "syntax",
    [
        ImplicitVRLittleEndian,
        ExplicitVRLittleEndian,
        ExplicitVRBigEndian,
        DeflatedExplicitVRLittleEndian,
    ],
)
@pytest.mark.parametrize("undefined", [False, True])
def test_nested_sequences_in_every_encoding(syntax: str, undefined: bool) -> None:
    ds = objects.mr()
    region, modifier, aside = Dataset(), Dataset(), Dataset()
    modifier.CodeValue = "7771000"
    region.AnatomicRegionModifierSequence = Sequence([modifier])
    ds.AnatomicRegionSequence = Sequence([region])
    aside.ReferencedImageSequence = objects.item(ReferencedSOPInstanceUID="1.2.3")
    ds.SourceImageSequence = Sequence([aside])
    for sequence in (ds, region, aside):
        for element in sequence:
            if element.VR == "SQ":
                element.is_undefined_length = undefined
                for nested in element.value:
                    nested.is_undefined_length_sequence_item = undefined
    values = read_all(objects.encoded(ds, syntax))
    found = values.item("AnatomicRegionSequence")
    assert found is not None
    assert found.item("AnatomicRegionModifierSequence").text("CodeValue") == "7771000"
    assert values.numbers("ImagePositionPatient") == (-120, 0, 80)
    assert values.whole("Rows") == 4


def explicit(tag: int, vr: bytes, value: bytes, length: int | None = None) -> bytes:
    """Encode one element, explicit VR little endian, with a short or long length field."""
    size = len(value) if length is None else length
    head = struct.pack("<HH", tag >> 16, tag & 0xFFFF) + vr
    long = vr in {b"SQ", b"UN", b"OB", b"OW"}
    return head + (struct.pack("<HL", 0, size) if long else struct.pack("<H", size)) + value


def walk_along(raw: bytes) -> tuple[elements.Elements, Walk]:
    """Walk bare elements, explicit VR little endian."""
    opening = Opening(BytesIO(raw).read)
    walk = Walk(opening, VOCABULARY.vrs, Encoding(implicit=False, little=True), 0)
    kept: elements.Elements = {}
    walk.until(EVERYTHING, kept)
    return kept, walk


def walked(raw: bytes) -> elements.Elements:
    """Return what a walk along bare elements keeps."""
    return walk_along(raw)[0]


ITEM, ITEM_END, SEQUENCE_END = (struct.pack("<HH", 0xFFFE, n) for n in (0xE000, 0xE00D, 0xE0DD))
UNDEFINED = struct.pack("<L", 0xFFFFFFFF)
ZERO = bytes(4)
REGION = VOCABULARY.tags["AnatomicRegionSequence"]
CODE = VOCABULARY.tags["CodeValue"]
ROWS = VOCABULARY.tags["Rows"]


def test_a_sequence_of_unknown_vr_holds_implicit_elements() -> None:
    """PS3.5 section 6.2.2, note on UN of undefined length: implicit VR little endian inside."""
    inner = struct.pack("<HHL", CODE >> 16, CODE & 0xFFFF, 2) + b"AB"
    raw = explicit(REGION, b"UN", b"", 0xFFFFFFFF)
    raw += ITEM + UNDEFINED + inner + ITEM_END + ZERO + SEQUENCE_END + ZERO
    raw += explicit(ROWS, b"US", struct.pack("<H", 7))
    kept = walked(raw)
    assert kept[REGION].value[0][CODE].value == b"AB"
    assert kept[ROWS].value == struct.pack("<H", 7)


def test_elements_in_implicit_vr_within_explicit_ones_are_read() -> None:
    raw = struct.pack("<HHL", CODE >> 16, CODE & 0xFFFF, 2) + b"AB"
    assert walked(raw)[CODE].value == b"AB"


def test_fragments_of_an_icon_are_stepped_over() -> None:
    """Encapsulated pixels within a header (PS3.5 annex A.4)."""
    icon = explicit(0x7FE00010, b"OB", b"", 0xFFFFFFFF) + ITEM + ZERO
    icon += ITEM + struct.pack("<L", 4) + b"\xff\xd8\xff\xd9" + SEQUENCE_END + ZERO
    raw = explicit(0x00880200, b"SQ", b"", 0xFFFFFFFF) + ITEM + UNDEFINED + icon + ITEM_END + ZERO
    raw += SEQUENCE_END + ZERO + explicit(0x00281050, b"DS", b"1 ")
    raw += explicit(VOCABULARY.tags["RescaleSlope"], b"DS", b"2 ")
    assert walked(raw)[VOCABULARY.tags["RescaleSlope"]].value == b"2 "


def test_the_first_of_two_equal_tags_stands_and_the_order_is_noticed() -> None:
    raw = explicit(ROWS, b"US", b"\x01\x00") + explicit(ROWS, b"US", b"\x02\x00")
    assert walked(raw)[ROWS].value == b"\x01\x00"
    assert walk_along(raw)[1].out_of_order


@pytest.mark.parametrize(
    ("raw", "reason"),
    [
        (explicit(ROWS, b"US", b"\x01", 2), "ends within"),
        (explicit(CODE, b"UN", b"AB", 5000), "ends within"),
        (struct.pack("<HH2sH", 0x0008, 0x0100, b"OB", 0) + b"ab", "ends within"),
        (explicit(REGION, b"SQ", ITEM_END + ZERO), "something else than items"),
        (explicit(REGION, b"SQ", ITEM + struct.pack("<L", 50), 8), "ends within"),
        (
            explicit(
                REGION, b"SQ", ITEM + struct.pack("<L", 10) + explicit(CODE, b"SH", b"AB"), 12
            ),
            "beyond the sequence",
        ),
        (
            explicit(REGION, b"SQ", ITEM + struct.pack("<L", 9) + explicit(CODE, b"SH", b"AB")),
            "beyond the item",
        ),
        (explicit(REGION, b"SQ", b"", 0xFFFFFFFF) + ITEM + UNDEFINED, "ends within"),
    ],
)
def test_what_departs_from_the_standard_is_unreadable(raw: bytes, reason: str) -> None:
    with pytest.raises(Unreadable, match=reason):
        walked(raw)


def test_nesting_has_an_end() -> None:
    level = explicit(REGION, b"SQ", b"", 0xFFFFFFFF) + ITEM + UNDEFINED
    with pytest.raises(Unreadable, match="too deep"):
        walked(level * 100)


def test_a_header_without_end_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(elements, "ELEMENT_LIMIT", 10)
    one = explicit(0x00080000, b"SH", b"")
    with pytest.raises(Unreadable, match="does not end"):
        walked(one * 11)
    inside = explicit(REGION, b"SQ", ITEM + struct.pack("<L", len(one) * 11) + one * 11)
    with pytest.raises(Unreadable, match="does not end"):
        walked(inside)
    monkeypatch.setattr(elements, "HEADER_LIMIT", 100)
    with pytest.raises(Unreadable, match="does not end"):
        walked(explicit(CODE, b"UN", bytes(200)))
