"""Pixel data with nothing in it but pixels.

Bytes can hide before, after and between pixels: overlays in bits the pixels do not use, bytes
after the last pixel, comments and application segments of compressed streams.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from pydicom.uid import UID, RLELossless

from imgtrack.dicom.deidentify.uncleanable import Uncleanable
from imgtrack.dicom.deidentify.values import read, swapped, texts

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pydicom.dataset import Dataset

_PIXELS = 0x7FE00010
_ROWS, _COLUMNS, _SAMPLES, _ALLOCATED = 0x00280010, 0x00280011, 0x00280002, 0x00280100
_STORED, _HIGH_BIT, _FRAMES, _PHOTOMETRIC = 0x00280101, 0x00280102, 0x00280008, 0x00280004
_OVERLAY_GROUPS = range(0x6000, 0x6020, 2)
_OVERLAY_BIT, _OVERLAY_DATA = 0x0102, 0x3000

_ITEM, _SEQUENCE_END = 0xFFFEE000, 0xFFFEE0DD
_SOI, _SOC = b"\xff\xd8", b"\xff\x4f"
_END_OF_IMAGE = b"\xff\xd9"
_NO_LENGTH = frozenset({0x01, 0x4F, 0x92, 0x93, *range(0xD0, 0xDA), *range(0x30, 0x40)})
"""Markers without a segment: JPEG (ISO 10918-1 table B.1), JPEG 2000 (ISO 15444-1 table A.2)."""
_JPEG_SCAN, _J2K_DATA = 0xDA, 0x93
_JPEG_COMMENTS = frozenset({0xFE, *range(0xE0, 0xF0)})
_J2K_COMMENTS = frozenset({0x64})


@dataclass(frozen=True, slots=True)
class Layout:
    """How many bytes the pixels of an image take, and how."""

    rows: int
    columns: int
    samples: int
    frames: int
    allocated: int
    stored: int
    high_bit: int

    @property
    def length(self) -> int:
        """Bytes of all pixels, uncompressed."""
        bits = self.rows * self.columns * self.samples * self.frames * self.allocated
        return (bits + 7) // 8


def pure_pixels(dataset: Dataset, syntax: UID, *, little: bool) -> bytes | None:
    """Return the pixel data of an image with nothing else in it; ``None`` when it has none.

    Parameters
    ----------
    dataset
        The image, not altered.
    syntax
        Its transfer syntax.
    little
        Whether it is encoded in little-endian order; the result always is.

    Returns
    -------
    bytes or None
        Native pixels, cut after the last one and padded to an even length, or the encapsulated
        fragments with comments blanked, of the same length as before.

    Raises
    ------
    Uncleanable
        If the pixels cannot be told from the rest.
    """
    element = read(dataset, _PIXELS) if _PIXELS in dataset else None
    if element is None:
        if _PIXELS in dataset:
            raise Uncleanable("the pixel data cannot be read")
        return None
    if not isinstance(element.value, bytes):
        raise Uncleanable("the pixel data is no pixel data", "bytes")
    overlays = list(_bits_of_overlays(dataset))
    if syntax.is_encapsulated:
        if overlays:
            raise Uncleanable("an overlay is compressed together with the pixels")
        return _without_comments(element.value, syntax)
    if element.is_undefined_length:
        raise Uncleanable("it is not stated how the pixels are compressed")
    layout = _layout(dataset)
    pixels = element.value if little else _little(element.value, element.VR, layout)
    if len(pixels) < layout.length:
        expected, found = f"{layout.length} bytes", f"{len(pixels)} bytes"
        raise Uncleanable("the pixel data is cut", expected, found)
    pixels = pixels[: layout.length]
    for bit in overlays:
        pixels = _without_bit(pixels, bit, layout)
    return pixels + b"\0" * (len(pixels) % 2)


def _layout(dataset: Dataset) -> Layout:
    tags = (_ROWS, _COLUMNS, _SAMPLES, _ALLOCATED, _STORED, _HIGH_BIT)
    rows, columns, samples, allocated, stored, high = (_whole(dataset, tag) for tag in tags)
    frames = texts(read(dataset, _FRAMES)) if _FRAMES in dataset else ["1"]
    if len(frames) != 1 or not (frames[0].isascii() and frames[0].isdigit()):
        raise Uncleanable("Number of Frames is no number")
    if "YBR_FULL_422" in texts(read(dataset, _PHOTOMETRIC)):
        samples = 2
    if allocated not in {1, 8, 16, 32, 64} or not 0 < stored <= allocated:
        raise Uncleanable("pixels of no such size", "1, 8, 16, 32 or 64 bits", f"{allocated} bits")
    return Layout(rows, columns, samples, int(frames[0]), allocated, stored, high)


def _whole(dataset: Dataset, tag: int) -> int:
    element = read(dataset, tag)
    if element is None or not isinstance(element.value, int):
        raise Uncleanable("the pixels are not described", f"a number in ({tag:08x})")
    return element.value


def _little(pixels: bytes, vr: str, layout: Layout) -> bytes:
    """Return big-endian pixels in little-endian order (PS3.5 section 8.1.1)."""
    if vr == "OB" or layout.allocated == 1:
        return pixels
    if layout.allocated > 16:
        raise Uncleanable("big-endian pixels of this size", "at most 16 bits")
    return swapped(pixels)


def _bits_of_overlays(dataset: Dataset) -> Iterator[int]:
    """Yield the bits of pixels that hold overlays (PS3.3 section C.9.2, retired use)."""
    for group in _OVERLAY_GROUPS:
        bit, data = group << 16 | _OVERLAY_BIT, group << 16 | _OVERLAY_DATA
        if bit not in dataset or data in dataset:
            continue
        position = _whole(dataset, bit)
        if position:
            yield position


def _without_bit(pixels: bytes, bit: int, layout: Layout) -> bytes:
    """Return pixels with one bit of each cleared, one that does not belong to their values."""
    values = range(layout.high_bit + 1 - layout.stored, layout.high_bit + 1)
    if layout.allocated not in {8, 16} or bit in values or bit >= layout.allocated:
        raise Uncleanable("an overlay lies in bits it cannot lie in", found=f"bit {bit}")
    kind = np.dtype("<u2" if layout.allocated == 16 else "u1")
    whole = len(pixels) // kind.itemsize * kind.itemsize
    cleared = np.frombuffer(pixels[:whole], kind).copy()
    cleared &= (1 << layout.allocated) - 1 - (1 << bit)
    return bytes(cleared)


def _without_comments(encapsulated: bytes, syntax: UID) -> bytes:
    """Return fragments with the comments of their streams blanked, lengths unchanged."""
    pure = bytearray(encapsulated)
    for start, end in _fragments(encapsulated):
        if syntax == RLELossless:
            continue
        opening = encapsulated[start : start + 2]
        if opening == _SOI:
            _blank(pure, start + 2, end, _JPEG_COMMENTS, _JPEG_SCAN)
        elif opening == _SOC:
            _blank(pure, start + 2, end, _J2K_COMMENTS, _J2K_DATA)
    return bytes(pure)


def _fragments(encapsulated: bytes) -> Iterator[tuple[int, int]]:
    """Yield where each fragment starts and ends, after the offset table (PS3.5 section A.4)."""
    place, first = 0, True
    while place + 8 <= len(encapsulated):
        group, number, length = struct.unpack_from("<HHL", encapsulated, place)
        tag = group << 16 | number
        if tag == _SEQUENCE_END:
            return
        end = place + 8 + length
        if tag != _ITEM or end > len(encapsulated):
            break
        if not first:
            yield place + 8, end
        place, first = end, False
    if first or place != len(encapsulated):
        raise Uncleanable("compressed pixel data is not in fragments")


def _blank(stream: bytearray, place: int, end: int, comments: frozenset[int], last: int) -> None:
    """Blank the comment segments of a stream up to its first coded data, and what follows it."""
    while place + 4 <= end and stream[place] == 0xFF:
        marker = stream[place + 1]
        if marker in _NO_LENGTH:
            place += 2
            if marker == last:
                break
            continue
        following = place + 2 + int.from_bytes(stream[place + 2 : place + 4], "big")
        if following > end:
            raise Uncleanable("a compressed image is cut within its header")
        if marker in comments:
            stream[place + 4 : following] = bytes(following - place - 4)
        place = following
        if marker == last:
            break
    finish = stream.rfind(_END_OF_IMAGE, place, end)
    if finish >= 0:
        stream[finish + 2 : end] = bytes(end - finish - 2)
