"""Pixel data with nothing in it but pixels, the pixels themselves untouched."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
import SimpleITK
from deidentify_samples import (
    Plants,
    clean,
    deidentifier,
    from_bytes,
    image,
    to_bytes,
    with_meta,
)
from pydicom import dcmread, uid
from pydicom.data import get_testdata_file
from pydicom.dataset import Dataset
from pydicom.encaps import encapsulate, generate_frames

from imgtrack.dicom.sources import Refusal

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

STORED = np.arange(24, dtype="<u2").reshape(6, 4) * 170  # 12 bits


def refused(dataset: Dataset) -> str:
    result = deidentifier().clean(dataset, label="here", pixels_seen_clean=True)
    assert isinstance(result, Refusal), result
    assert result.source == "here"
    return result.reason


def with_overlay_bit(bit: int, **attributes: object) -> Dataset:
    overlay = (np.indices((6, 4)).sum(axis=0) % 2).astype("<u2") << bit
    dataset = image(PixelData=(STORED | overlay).tobytes(), **attributes)
    dataset.add_new(0x60000100, "US", 16)
    dataset.add_new(0x60000102, "US", bit)
    return dataset


def test_native_pixels_are_the_same() -> None:
    cleaned = clean(image(PixelData=STORED.tobytes()))
    assert np.array_equal(cleaned.pixel_array, STORED)
    assert cleaned["PixelData"].VR == "OW"


def test_big_endian_pixels_are_turned() -> None:
    """Reference: pydicom's reading of its own big-endian file."""
    dataset = dcmread(get_testdata_file("MR_small_bigendian.dcm"))
    assert np.array_equal(clean(dataset).pixel_array, dataset.pixel_array)


def test_an_overlay_in_the_bits_above_the_pixels_is_cleared() -> None:
    """PS3.3 section C.9.2, use of unused bits, retired 2004."""
    dataset = with_overlay_bit(15)
    assert not np.array_equal(np.frombuffer(dataset.PixelData, "<u2").reshape(6, 4), STORED)
    cleaned = clean(dataset)
    assert cleaned.PixelData == STORED.tobytes()
    assert not [each for each in cleaned if each.tag.group == 0x6000]


def test_an_overlay_of_8_bit_pixels_is_cleared() -> None:
    dataset = image(BitsAllocated=8, BitsStored=7, HighBit=6, PixelData=bytes([0x81, 0x02] * 12))
    dataset.add_new(0x60000102, "US", 7)
    assert clean(dataset).PixelData == bytes([0x01, 0x02] * 12)


@pytest.mark.parametrize("bit", [3, 11, 16])
def test_an_overlay_said_to_lie_in_the_pixels_is_refused(bit: int) -> None:
    dataset = image()
    dataset.add_new(0x60000102, "US", bit)
    assert refused(dataset) == "an overlay lies in bits it cannot lie in"


def test_an_overlay_with_data_of_its_own_or_at_bit_0_lies_elsewhere() -> None:
    dataset = image(PixelData=STORED.tobytes())
    dataset.add_new(0x60000102, "US", 0)
    dataset.add_new(0x60020102, "US", 15)
    dataset.add_new(0x60023000, "OW", bytes(4))
    assert clean(dataset).PixelData == STORED.tobytes()


def test_bytes_after_the_last_pixel_are_cut() -> None:
    dataset = image(PixelData=STORED.tobytes() + b"MILLER")
    assert clean(dataset).PixelData == STORED.tobytes()


def test_an_odd_number_of_bytes_is_padded() -> None:
    odd = image(Rows=3, Columns=1, BitsAllocated=8, BitsStored=8, HighBit=7, PixelData=b"\1\2\3\4")
    assert clean(odd).PixelData == b"\1\2\3\0"


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({"PixelData": bytes(40)}, "the pixel data is cut"),
        ({"NumberOfFrames": "2"}, "the pixel data is cut"),
        ({"NumberOfFrames": ""}, "Number of Frames is no number"),
        ({"Rows": None}, "the pixels are not described"),
        ({"BitsAllocated": 7}, "pixels of no such size"),
        ({"BitsStored": 0}, "pixels of no such size"),
        ({"BitsStored": 17}, "pixels of no such size"),
    ],
)
def test_pixels_that_cannot_be_told_from_the_rest_are_refused(
    changes: dict[str, object], reason: str
) -> None:
    assert refused(image(**changes)) == reason


def test_big_endian_pixels_of_more_than_16_bits_are_refused() -> None:
    dataset = image(BitsAllocated=32, BitsStored=32, HighBit=31, PixelData=bytes(96))
    assert refused(with_meta(dataset, uid.ExplicitVRBigEndian)) == "big-endian pixels of this size"


def test_pixels_of_one_bit_and_of_bytes_are_not_turned() -> None:
    bits = image(BitsAllocated=1, BitsStored=1, HighBit=0, PixelData=b"\1\2\3\4")
    big = from_bytes(to_bytes(with_meta(bits, uid.ExplicitVRBigEndian)))
    assert clean(big).PixelData == b"\1\2\3\0"


def test_colour_with_shared_chroma_takes_two_samples() -> None:
    """PS3.3 section C.7.6.3.1.2, YBR_FULL_422."""
    pixels = bytes(range(48))
    dataset = image(
        SamplesPerPixel=3, PhotometricInterpretation="YBR_FULL_422", PlanarConfiguration=0,
        BitsAllocated=8, BitsStored=8, HighBit=7, PixelData=pixels + b"MILLER",
    )  # fmt: skip
    assert clean(dataset, pixels_seen_clean=True).PixelData == pixels


def test_a_header_without_pixels_is_cleaned() -> None:
    dataset = image()
    del dataset.PixelData
    assert "PixelData" not in clean(dataset)


def with_segment(stream: bytes, marker: int, text: bytes) -> bytes:
    """A compressed stream with a segment inserted after its opening marker."""
    return (
        stream[:2] + bytes([0xFF, marker]) + (len(text) + 2).to_bytes(2, "big") + text + stream[2:]
    )


def in_main_header(stream: bytes, marker: int, text: bytes) -> bytes:
    """A JPEG 2000 stream with a segment inserted after SIZ, which must come first."""
    end = 4 + int.from_bytes(stream[4:6], "big")
    segment = bytes([0xFF, marker]) + (len(text) + 2).to_bytes(2, "big") + text
    return stream[:end] + segment + stream[end:]


def decoded(dataset: Dataset, folder: Path) -> np.ndarray:
    """Pixels as GDCM within SimpleITK reads them."""
    path = folder / "image.dcm"
    path.write_bytes(to_bytes(dataset))
    return SimpleITK.GetArrayFromImage(SimpleITK.ReadImage(path))


@pytest.mark.parametrize(
    ("name", "insert", "marker"),
    [
        # Markers: ISO 10918-1 table B.1 (COM FE, APP0 to APP15 E0 to EF), ISO 15444-1 table A.2.
        ("MR_small_jpeg_ls_lossless.dcm", with_segment, 0xFE),
        ("JPEG-LL.dcm", with_segment, 0xFE),
        ("JPEG-LL.dcm", with_segment, 0xED),
        ("MR_small_jp2klossless.dcm", in_main_header, 0x64),
        ("MR_small_RLE.dcm", lambda stream, *_: stream, 0),
    ],
)
def test_comments_of_compressed_images_are_blanked_and_pixels_stay(
    name: str, insert: Callable[[bytes, int, bytes], bytes], marker: int, tmp_path: Path
) -> None:
    dataset, plants = dcmread(get_testdata_file(name)), Plants()
    dataset.SOPClassUID = uid.MRImageStorage
    pixels = decoded(dataset, tmp_path)
    (stream,) = generate_frames(dataset.PixelData, number_of_frames=1)
    stream = insert(stream, marker, plants.value("OB"))
    if marker:
        stream = stream.rstrip(b"\0") + plants.value("OB")
        assert plants.survivors(stream) == [plants.text]
    dataset.PixelData = encapsulate([stream])
    cleaned = clean(dataset, pixels_seen_clean=True)
    assert plants.survivors(cleaned.PixelData) == []
    assert len(cleaned.PixelData) == len(dataset.PixelData)
    assert cleaned.file_meta.TransferSyntaxUID == dataset.file_meta.TransferSyntaxUID
    assert np.array_equal(decoded(cleaned, tmp_path), pixels)


def compressed(pixel_data: bytes, **attributes: object) -> Dataset:
    return with_meta(image(PixelData=pixel_data, **attributes), uid.JPEGLosslessSV1)


@pytest.mark.parametrize(
    "pixel_data",
    [
        b"",
        b"no items",
        bytes(48),
        b"\xfe\xff\x00\xe0\x08\x00\x00\x00cut",
        encapsulate([b"ab"])[:-3],
    ],
)
def test_compressed_pixel_data_without_fragments_is_refused(pixel_data: bytes) -> None:
    assert refused(compressed(pixel_data)) == "compressed pixel data is not in fragments"


def test_compressed_pixel_data_under_a_native_syntax_is_refused() -> None:
    """PS3.5 section A.4: only encapsulated pixel data has no length of its own."""
    dataset = image(PixelData=encapsulate([b"ab" * 40]))
    dataset["PixelData"].is_undefined_length = True
    assert refused(dataset) == "it is not stated how the pixels are compressed"


def test_a_compressed_image_cut_in_its_header_is_refused() -> None:
    stream = b"\xff\xd8\xff\xfe\xff\xffcut"
    assert refused(compressed(encapsulate([stream]))) == (
        "a compressed image is cut within its header"
    )


def test_a_stream_that_is_none_and_one_without_an_end_are_left_alone() -> None:
    delimiter = b"\xfe\xff\xdd\xe0\x00\x00\x00\x00"
    for stream in (b"no stream.", b"\xff\xd8\xff\xd9", b"\xff\xd8\xff\x01ab"):
        data = encapsulate([stream]) + delimiter
        result = deidentifier().clean(compressed(data))
        assert isinstance(result, Dataset)
        assert result.PixelData == data


def test_an_overlay_compressed_with_the_pixels_is_refused() -> None:
    dataset = compressed(encapsulate([b"ab"]))
    dataset.add_new(0x60000102, "US", 15)
    assert refused(dataset) == "an overlay is compressed together with the pixels"
