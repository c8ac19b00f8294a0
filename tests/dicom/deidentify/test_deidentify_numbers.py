"""Numbers and look-up tables: kept as they are, left out when they are none."""

from __future__ import annotations

import numpy as np
import pytest
from deidentify_samples import clean, from_bytes, image, to_bytes, with_meta
from pydicom import config, uid
from pydicom.datadict import dictionary_VR, tag_for_keyword
from pydicom.dataelem import DataElement, RawDataElement
from pydicom.dataset import Dataset
from pydicom.sequence import Sequence
from pydicom.tag import Tag

from imgtrack.dicom.deidentify.kinds import Kind


def put(dataset: Dataset, keyword: str, vr: str, value: object) -> None:
    """Set an element with a VR of choice, unchecked."""
    tag = tag_for_keyword(keyword)
    assert tag is not None
    dataset.add(DataElement(tag, vr, value, validation_mode=config.IGNORE))


@pytest.mark.parametrize(
    ("keyword", "vr", "value", "left"),
    [
        ("SmallestImagePixelValue", "US", 65535, 65535),
        ("SmallestImagePixelValue", "SS", -32768, -32768),
        ("AcquisitionMatrix", "US", [0, 256, 192, 0], [0, 256, 192, 0]),
        ("AcquisitionMatrix", "US", [0, 256, 192, 0, 7], None),  # VM 4
        ("AcquisitionMatrix", "FD", [0.5], None),
        ("Rows", "UL", 70000, None),  # VR US
        ("AcquisitionDuration", "FD", float("inf"), float("inf")),
        ("AcquisitionDuration", "FD", 12.5, 12.5),
        ("AcquisitionDuration", "LO", "12.5", None),
        ("B1rms", "FL", 1.5, 1.5),
        ("B1rms", "FD", 1e300, None),  # VR FL
        ("FrameIncrementPointer", "AT", 0x00181063, 0x00181063),
    ],
)
def test_binary_numbers_stay_when_their_value_representation_can_hold_them(
    keyword: str, vr: str, value: object, left: object
) -> None:
    dataset = image()
    del dataset.PixelData
    put(dataset, keyword, vr, value)
    found = clean(dataset).get(keyword)
    assert (list(found) if isinstance(left, list) else found) == left


@pytest.mark.parametrize("syntax", [uid.ExplicitVRLittleEndian, uid.ExplicitVRBigEndian])
def test_look_up_tables_stay(syntax: str) -> None:
    """Of VR OW as bytes of words in the order of the file, or of VR US as numbers."""
    order = ">u2" if syntax == uid.ExplicitVRBigEndian else "<u2"
    table = np.arange(256, dtype="u2") * 7
    words, numbers = Dataset(), Dataset()
    words.LUTDescriptor = numbers.LUTDescriptor = [256, 0, 16]
    put(words, "LUTData", "OW", table.astype(order).tobytes())
    put(numbers, "LUTData", "US", table.tolist())
    dataset = image(VOILUTSequence=Sequence([words, numbers]))
    cleaned = clean(from_bytes(to_bytes(with_meta(dataset, syntax))))
    first, second = cleaned.VOILUTSequence
    assert np.array_equal(np.frombuffer(first.LUTData, "<u2"), table)
    assert list(second.LUTData) == table.tolist()


def test_look_up_tables_that_are_none_are_left_out() -> None:
    wrong, text = Dataset(), Dataset()
    put(wrong, "LUTData", "US", [1, 70000])
    put(text, "LUTData", "LT", "Miller")
    cleaned = clean(image(VOILUTSequence=Sequence([wrong, text])))
    assert all("LUTData" not in item for item in cleaned.VOILUTSequence)


def test_palettes_are_bytes_or_nothing() -> None:
    dataset = image(RedPaletteColorLookupTableData=bytes(4))
    put(dataset, "GreenPaletteColorLookupTableData", "US", 1)
    cleaned = clean(dataset)
    assert cleaned.RedPaletteColorLookupTableData == bytes(4)
    assert "GreenPaletteColorLookupTableData" not in cleaned


def test_scanners_may_add_numbers_and_code_strings_of_other_kinds_of_image() -> None:
    """Standard extended classes, PS3.2 section 7.3: classic MR with slope and diffusion weight."""
    dataset = image(RescaleSlope="2", RescaleIntercept="0", RescaleType="US", KVP="60")
    dataset.DiffusionBValue, dataset.ComplexImageComponent = 800.0, "MAGNITUDE"
    cleaned = clean(dataset)
    assert (cleaned.RescaleSlope, cleaned.RescaleIntercept, cleaned.RescaleType) == (2, 0, "US")
    assert (cleaned.DiffusionBValue, cleaned.ComplexImageComponent) == (800, "MAGNITUDE")


@pytest.mark.parametrize("keyword", ["ImageType", "StudyDate", "ReferencedImageSequence", "Rows"])
def test_what_cannot_be_read_is_left_out_or_empty(keyword: str) -> None:
    dataset = image(Kind.MR)
    del dataset.PixelData
    tag = Tag(tag_for_keyword(keyword))
    dataset[tag] = RawDataElement(tag, "FD", 3, b"abc", 0, False, True)
    assert dictionary_VR(tag) != "FD"
    assert clean(dataset).get(keyword) == ("" if keyword == "StudyDate" else None)
