"""Whatever the bytes are: an image is taken with all it needs, or refused with a reason."""

from __future__ import annotations

import struct
from contextlib import suppress

import mr_objects as objects
from hypothesis import example, given, settings
from hypothesis import strategies as st

from imgtrack.dicom.checking import shortfalls
from imgtrack.dicom.headers import Header, read_header
from imgtrack.dicom.naming import name_stack
from imgtrack.dicom.pixels import load_volume
from imgtrack.dicom.sources import Refusal, Source
from imgtrack.dicom.stacks import stacks
from imgtrack.dicom.vocabulary import VOCABULARY
from imgtrack.domain.errors import InvalidInput
from imgtrack.domain.protocol import ExpectedScan

VRS = [
    *(b"AE", b"AS", b"AT", b"CS", b"DA", b"DS", b"DT", b"FD", b"FL", b"IS", b"LO", b"LT", b"OB"),
    *(b"OW", b"PN", b"SH", b"SL", b"SQ", b"SS", b"ST", b"TM", b"UC", b"UI", b"UL", b"UN", b"UR"),
    *(b"US", b"UT", b"XX"),
]
LONG = {b"OB", b"OW", b"SQ", b"UC", b"UN", b"UR", b"UT"}
EXPECTED = ExpectedScan.model_validate(
    {
        "modality": "MR",
        "series": [{"plane": "axial", "weighting": "fluid sensitive"}],
        "max_slice_thickness_mm": 3,
        "max_slice_gap_mm": 1,
        "max_pixel_mm": 1,
        "min_field_tesla": 1.5,
        "min_coverage_mm": 60,
    }
)


def element(tag: int, vr: bytes, value: bytes) -> bytes:
    """Encode one element, explicit VR little endian."""
    head = struct.pack("<HH", tag >> 16, tag & 0xFFFF) + vr
    if vr in LONG:
        return head + struct.pack("<HL", 0, len(value)) + value
    return head + struct.pack("<H", len(value)) + value


numbers = st.one_of(
    st.floats(width=32),
    st.integers(-(10**6), 10**6),
    st.sampled_from(["", "abc", "1,5", "1e400", "NaN"]),
)
decimal_strings = st.lists(numbers, max_size=7).map(lambda v: "\\".join(map(str, v)).encode())
values = st.one_of(
    decimal_strings,
    st.binary(max_size=24),
    st.text(max_size=24).map(lambda text: text.encode("utf-8", "replace")),
    st.sampled_from([b"MR", b"SE", b"FS", b"20240229", b"MONOCHROME2", b"1", b"0"]),
)
elements = st.builds(
    element,
    st.one_of(
        st.sampled_from(sorted(VOCABULARY.vrs)),
        st.integers(0x00080000, 0x7FE00010),
    ),
    st.sampled_from(VRS),
    values,
)
WHOLE = objects.encoded(objects.mr())
ENHANCED = objects.encoded(objects.enhanced([(0, 0, 0), (0, 3, 0)]))
START = WHOLE.index(b"\x08\x00\x08\x00CS")
META = WHOLE[:START]


def take_in(*contents: bytes) -> None:
    """Take in files as far as this room goes, and hold what must always hold."""
    headers = []
    for number, content in enumerate(contents):
        found = read_header(Source.of_bytes(f"{number}", content))
        if isinstance(found, Refusal):
            assert found.reason
            assert found.source == f"{number}"
        else:
            assert isinstance(found, Header)
            headers.append(found)
    made = stacks(headers)
    images = [(f.sop_instance_uid, f.number) for stack in made for f in stack.frames]
    assert len(set(images)) == len(images)
    named = [name_stack(stack) for stack in made]
    shortfalls(named, EXPECTED)
    for stack in made:
        with suppress(InvalidInput):  # which holds its faults, or it could not be made
            assert len(load_volume(stack).values) == len(stack.frames)


@settings(deadline=None, derandomize=True)
@given(st.binary(max_size=400))
@example(b"")
@example(bytes(132))
def test_any_bytes(content: bytes) -> None:
    take_in(content, bytes(128) + b"DICM" + content, META + content)


@settings(deadline=None, derandomize=True)
@given(st.lists(elements, max_size=12))
def test_any_elements(parts: list[bytes]) -> None:
    take_in(META + b"".join(sorted(parts, key=lambda part: (part[1], part[0], part[3], part[2]))))


@settings(deadline=None, derandomize=True)
@given(st.lists(elements, min_size=1, max_size=3), st.data())
def test_an_image_with_any_elements_instead_of_its_own(
    parts: list[bytes], data: st.DataObject
) -> None:
    """The first of two equal tags stands: what is put before the image's own replaces it."""
    position = data.draw(st.sampled_from([0, -1]))
    body = WHOLE[START:]
    contents = META + (b"".join(parts) + body if position == 0 else body + b"".join(parts))
    take_in(contents)


@settings(max_examples=150, deadline=None, derandomize=True)
@given(
    st.sampled_from([WHOLE, ENHANCED]),
    st.lists(st.tuples(st.integers(0, 5000), st.integers(0, 255)), min_size=1, max_size=6),
)
def test_an_image_with_any_bytes_changed(content: bytes, changes: list[tuple[int, int]]) -> None:
    raw = bytearray(content)
    for place, byte in changes:
        raw[place % len(raw)] = byte
    take_in(bytes(raw), content)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    st.lists(
        st.fixed_dictionaries(
            {},
            optional={
                "ImagePositionPatient": st.lists(
                    st.integers(-200, 200).map(lambda v: v / 7), min_size=3, max_size=3
                ),
                "ImageOrientationPatient": st.sampled_from(
                    [list(objects.CORONAL), list(objects.SAGITTAL), list(objects.AXIAL)]
                ),
                "EchoTime": st.sampled_from([10, 50, 90, None]),
                "RepetitionTime": st.sampled_from([500, 3000, None]),
                "InversionTime": st.sampled_from([0, 160, 2500]),
                "TemporalPositionIdentifier": st.integers(1, 3),
                "AcquisitionNumber": st.integers(1, 3),
                "InstanceNumber": st.integers(0, 5),
                "ScanningSequence": st.sampled_from(["SE", "GR", ["SE", "IR"], None]),
                "Laterality": st.sampled_from(["L", "R", ""]),
                "SliceThickness": st.sampled_from([1, 3, None]),
            },
        ),
        max_size=9,
    )
)
def test_any_mixture_of_slices_is_sorted_into_stacks(slices: list[dict[str, object]]) -> None:
    take_in(*(objects.encoded(objects.mr(**attributes)) for attributes in slices))
