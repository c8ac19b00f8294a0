"""No token planted anywhere in an image can be read anywhere in the bytes of its cleaned copy."""

from __future__ import annotations

import numpy as np
import pytest
from deidentify_samples import (
    BYTE_VRS,
    TEXT_VRS,
    Plants,
    deidentifier,
    from_bytes,
    image,
    plant,
    to_bytes,
    with_meta,
)
from pydicom import uid
from pydicom.datadict import DicomDictionary, tag_for_keyword
from pydicom.dataelem import RawDataElement
from pydicom.dataset import Dataset
from pydicom.sequence import Sequence
from pydicom.tag import Tag

from imgtrack.dicom.deidentify import encode
from imgtrack.dicom.deidentify.kinds import Kind
from imgtrack.dicom.deidentify.profile import profile
from imgtrack.dicom.deidentify.rules import CHARACTERISTICS, Action, rules
from synthetic_scans.writing.identities import invent, traces
from synthetic_scans.writing.identities import plant as plant_identity

LOOKED_AT = {
    "SOPClassUID", "TransferSyntaxUID", "SOPInstanceUID", "StudyInstanceUID", "SeriesInstanceUID",
    "BurnedInAnnotation", "PixelData",
}  # fmt: skip
"""Attributes that decide whether an image is taken at all; their own tests are elsewhere."""

TABLE = [
    (tag, vr, keyword)
    for tag, row in profile().by_tag().items()
    if tag in DicomDictionary and tag >> 16 not in {0x0000, 0x0002, 0x0004}
    for vr, keyword in [(DicomDictionary[tag][0], row.keyword)]
    if keyword not in LOOKED_AT | CHARACTERISTICS
]


def cleaned_bytes(dataset: Dataset) -> bytes:
    result = deidentifier(date_shift_days=-11000).clean(dataset, pixels_seen_clean=True)
    assert isinstance(result, Dataset), result
    return encode(result)


def plant_table(dataset: Dataset, plants: Plants) -> None:
    for tag, vr, _ in TABLE:
        plant(dataset, tag, vr, plants)


@pytest.mark.parametrize("kind", Kind)
def test_nothing_of_what_the_standards_table_lists_survives(kind: Kind) -> None:
    """Reference: the attributes of PS3.15 table E.1-1, in the data set itself."""
    dataset, plants = image(kind), Plants()
    plant_table(dataset, plants)
    before = to_bytes(dataset)
    assert len(TABLE) > 600
    assert len(plants.survivors(before)) == 2 + len(plants.days) > 100
    assert plants.survivors(cleaned_bytes(dataset)) == []


@pytest.mark.parametrize("kind", [Kind.MR, Kind.ENHANCED_MR])
def test_nothing_of_it_survives_in_the_items_that_may_stay(kind: Kind) -> None:
    def item(parent: str, depth: int) -> Dataset:
        new = Dataset()
        for tag, vr, _ in TABLE:
            if vr != "SQ" or not depth:
                plant(new, tag, vr, plants)
        for place, rule in rules(kind).items():
            if place.parent == parent and rule.vr == "SQ" and depth < 4:
                new.add_new(place.tag, "SQ", Sequence([item(rule.keyword, depth + 1)]))
        return new

    plants = Plants()
    dataset = item("", 0)
    for element in image(kind):
        dataset.add(element)
    assert plants.number > 10_000
    assert plants.survivors(cleaned_bytes(with_meta(dataset))) == []


@pytest.mark.parametrize("kind", Kind)
def test_no_text_name_uid_date_or_bytes_of_the_whole_data_dictionary_survive(kind: Kind) -> None:
    """Reference: PS3.6 as pydicom holds it; attributes the table does not list included.

    Code strings (VR CS) are not: PS3.15 section E.3.5, note 3, takes them for safe, and those of
    the image's own object definition stay when they are well formed.
    """
    kept_bytes = {place.tag for place, rule in rules(kind).items() if rule.action is Action.BYTES}
    wanted = TEXT_VRS | BYTE_VRS | {"UI", "DA", "DT"}
    dataset, plants = image(kind), Plants()
    for tag, (vr, _, _, _, keyword) in DicomDictionary.items():
        looked_at = keyword in LOOKED_AT or tag in kept_bytes
        if vr in wanted and tag >> 16 > 0x0004 and not looked_at:
            plant(dataset, tag, vr, plants)
    assert plants.number > 1000
    assert plants.survivors(cleaned_bytes(with_meta(dataset))) == []


def test_nothing_survives_in_private_overlay_curve_and_padding_elements() -> None:
    dataset, plants = image(), Plants()
    for group in (0x0009, 0x0029, 0x7FE1):
        block = dataset.private_block(group, f"{plants.text} CREATOR {group}", create=True)
        for number, vr in enumerate(["LO", "UN", "OB", "UT", "PN", "DA", "UI"]):
            block.add_new(number, vr, plants.value(vr))
    for group in (0x5000, 0x5002, 0x6000, 0x6002, 0x601E):
        for number, vr in [(0x0022, "LO"), (0x1500, "LO"), (0x4000, "LT"), (0x3000, "OW")]:
            dataset.add_new(group << 16 | number, vr, plants.value(vr))
    dataset.add_new(0xFFFCFFFC, "OB", plants.value("OB"))
    dataset.PixelData += plants.value("OB")
    assert plants.survivors(to_bytes(dataset)) != []
    assert plants.survivors(cleaned_bytes(dataset)) == []


def test_nothing_survives_in_preamble_and_file_meta_information() -> None:
    """Reference: PS3.15 section E.1.1 point 7, both are to be replaced."""
    dataset, plants = image(), Plants()
    dataset.preamble = plants.value("OB").ljust(128)
    meta = dataset.file_meta
    meta.SourceApplicationEntityTitle = plants.value("AE")
    meta.ImplementationClassUID = plants.value("UI")
    meta.ImplementationVersionName = plants.value("SH")
    meta.PrivateInformationCreatorUID = plants.value("UI")
    meta.PrivateInformation = plants.value("OB")
    read = from_bytes(to_bytes(dataset))
    assert plants.survivors(to_bytes(read)) != []
    data = cleaned_bytes(read)
    assert plants.survivors(data) == []
    assert data[:132] == bytes(128) + b"DICM"


@pytest.mark.parametrize(
    "syntax",
    [
        uid.ImplicitVRLittleEndian,
        uid.ExplicitVRLittleEndian,
        uid.DeflatedExplicitVRLittleEndian,
        uid.ExplicitVRBigEndian,
    ],
)
def test_the_encoding_of_the_original_makes_no_difference(syntax: str) -> None:
    plain, dataset, plants = image(), image(), Plants()
    plant_table(dataset, plants)
    read = from_bytes(to_bytes(with_meta(dataset, syntax)))
    assert plants.survivors(cleaned_bytes(read)) == []
    if syntax == uid.ExplicitVRBigEndian:  # the writer takes the bytes of pixels as they are
        plain.PixelData = np.frombuffer(plain.PixelData, "<u2").byteswap().tobytes()
    assert cleaned_bytes(from_bytes(to_bytes(with_meta(plain, syntax)))) == cleaned_bytes(image())


def test_a_token_under_a_false_value_representation_does_not_survive() -> None:
    """Elements as they stand in a file that lies about what they are."""
    dataset, plants = image(), Plants()
    lies = {
        "RepetitionTime": "UN",  # a decimal string
        "EchoNumbers": "UN",  # a whole number as text
        "AcquisitionMatrix": "UN",  # four numbers of 16 bits
        "ImageOrientationPatient": "LO",
        "SpacingBetweenSlices": "LO",
        "AcquisitionDuration": "LO",  # a floating point number
        "ReferencedImageSequence": "LO",
        "SeriesDescription": "OB",
        "StudyDate": "PN",
        "SmallestImagePixelValue": "LT",
        "FrameTimeVector": "ST",
    }
    for keyword, vr in lies.items():
        tag = Tag(tag_for_keyword(keyword))
        value = plants.value("UN") * 2
        dataset[tag] = RawDataElement(tag, vr, len(value), value, 0, False, True)
    assert all(b"ZQTOK" in dataset.get_item(tag_for_keyword(keyword)).value for keyword in lies)
    assert plants.survivors(cleaned_bytes(dataset)) == []


def test_nothing_of_an_invented_identity_survives() -> None:
    """Reference: the identities planted by the phantom's own writer."""
    for seed in range(5):
        who = invent(np.random.default_rng(seed))
        dataset = image()
        plant_identity(dataset, who)
        assert traces(dataset, who) != []
        cleaned = from_bytes(cleaned_bytes(dataset))
        assert traces(cleaned, who) == []
        assert traces(cleaned.file_meta, who) == []
