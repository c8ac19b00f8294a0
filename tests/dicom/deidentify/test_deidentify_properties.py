"""Whatever a data set or a file holds, it is cleaned or refused, and what is cleaned is clean."""

from __future__ import annotations

import random
import warnings
from io import BytesIO

from deidentify_samples import (
    SECRET,
    Plants,
    deidentifier,
    from_bytes,
    image,
    to_bytes,
    with_meta,
)
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydicom import config, dcmread, uid
from pydicom.datadict import DicomDictionary, tag_for_keyword
from pydicom.dataelem import DataElement, RawDataElement
from pydicom.dataset import Dataset
from pydicom.sequence import Sequence
from pydicom.tag import Tag

from imgtrack.dicom.deidentify import encode
from imgtrack.dicom.deidentify.kinds import Kind, kept
from imgtrack.dicom.deidentify.profile import profile
from imgtrack.dicom.deidentify.values import UNREADABLE
from imgtrack.dicom.sources import Refusal

DEIDENTIFIER = deidentifier()
# The token has a sign no code string has: well-formed code strings may stay (PS3.15 E.3.5 note 3).
QUIET = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])

VRS = ["LO", "SH", "PN", "UI", "DA", "TM", "DT", "DS", "IS", "CS", "AS", "UT", "AE"]
VRS += ["US", "SS", "UL", "FL", "FD", "AT", "OB", "OW", "UN", "SV", "UV"]
TAGS = st.one_of(
    st.sampled_from(sorted({place.tag for kind in Kind for place in kept(kind)})),
    st.sampled_from(sorted(profile().by_tag())),
    st.sampled_from(sorted(DicomDictionary)),
    st.integers(0x00080000, 0xFFFFFFFE),
)
BYTES = st.one_of(
    st.binary(max_size=40),
    st.sampled_from([b"1.2.3", b"20240305", b"120000", b"COR PD", b"ZQ-TOK", b"1\\2\\3", b"M"]),
)
SYNTAXES = st.sampled_from(
    [
        uid.ImplicitVRLittleEndian, uid.ExplicitVRLittleEndian, uid.ExplicitVRBigEndian,
        uid.JPEGLosslessSV1, uid.JPEG2000Lossless, uid.RLELossless, uid.MPEG2MPML, "1.2.3", "",
    ]
)  # fmt: skip


@st.composite
def raw_elements(draw: st.DrawFn) -> RawDataElement:
    """An element as it could stand in a file."""
    value = draw(BYTES)
    vr = draw(st.sampled_from(VRS))
    return RawDataElement(Tag(draw(TAGS)), vr, len(value), value, 0, False, draw(st.booleans()))


@st.composite
def datasets(draw: st.DrawFn) -> Dataset:
    """An image with some of its elements broken, strange ones added, and items within."""
    dataset = image(draw(st.sampled_from(list(Kind))))
    for keyword in draw(st.sets(st.sampled_from([each.keyword for each in dataset]), max_size=2)):
        del dataset[keyword]
    for raw in draw(st.lists(raw_elements(), max_size=8)):
        dataset[raw.tag] = raw
    items = []
    for raws in draw(st.lists(st.lists(raw_elements(), max_size=4), max_size=2)):
        item = Dataset()
        for raw in raws:
            item[raw.tag] = raw
        items.append(item)
    keyword = draw(st.sampled_from(SEQUENCES))
    dataset.add(DataElement(Tag(keyword), "SQ", Sequence(items)))
    return with_meta(dataset, draw(SYNTAXES)) if draw(st.booleans()) else dataset


SEQUENCES = sorted(
    {place.tag for kind in Kind for place in kept(kind) if DicomDictionary[place.tag][0] == "SQ"}
)


def check(dataset: Dataset, *, seen: bool) -> None:
    """Clean a data set and look at what becomes of it."""
    result = DEIDENTIFIER.clean(dataset, label="x", pixels_seen_clean=seen)
    if isinstance(result, Refusal):
        assert result.reason
        assert "ZQ-TOK" not in str(result.fault)
        return
    data = encode(result)
    assert b"ZQ-TOK" not in data
    with warnings.catch_warnings():
        warnings.simplefilter("error")  # what is written is valid, as far as the reader looks
        again = from_bytes(data)
        assert len(list(again.iterall())) > 10
    assert again.PatientName == "S014"
    assert again.file_meta.MediaStorageSOPInstanceUID == again.SOPInstanceUID


@QUIET
@given(datasets(), st.booleans())
def test_any_data_set_is_cleaned_or_refused(dataset: Dataset, seen: bool) -> None:
    check(dataset, seen=seen)


@QUIET
@given(st.text(st.characters(codec="utf-8"), max_size=20), st.sampled_from(Kind))
def test_any_text_in_memory_is_cleaned_or_refused(text: str, kind: Kind) -> None:
    """Digits of other scripts and signs of any sort, in attributes of every form of text."""
    dataset = image(kind)
    for keyword in ("StudyDate", "StudyTime", "AcquisitionDateTime", "PatientAge", "ImageType",
                    "SeriesDescription", "SeriesInstanceUID", "RepetitionTime", "EchoNumbers",
                    "NumberOfFrames", "PatientSex", "StackID"):  # fmt: skip
        tag = tag_for_keyword(keyword)
        assert tag is not None
        dataset.add(DataElement(tag, "LO", text, validation_mode=config.IGNORE))
    result = DEIDENTIFIER.clean(dataset, pixels_seen_clean=True)
    assert isinstance(result, Refusal) or encode(result)


def damaged(data: bytes, chance: random.Random) -> bytes:
    """A file with a few bytes changed, a stretch doubled, or its end cut off."""
    bytes_ = bytearray(data)
    for _ in range(chance.randint(1, 8)):
        bytes_[chance.randrange(len(bytes_))] = chance.choice([0, 0xFF, chance.randrange(256)])
    if chance.random() < 0.3:
        start = chance.randrange(len(bytes_))
        bytes_[start:start] = bytes_[start : start + chance.randrange(64)]
    return bytes(bytes_[: chance.randrange(len(bytes_))] if chance.random() < 0.3 else bytes_)


def test_any_damaged_file_is_cleaned_or_refused() -> None:
    chance, cleaned, refused = random.Random(SECRET), 0, 0
    syntaxes = (uid.ImplicitVRLittleEndian, uid.ExplicitVRLittleEndian)
    planted = {"SeriesDescription": "COR PD ZQ-TOK", "PatientName": "ZQ-TOK^A"}
    originals = [
        to_bytes(with_meta(image(kind, **planted), each)) for kind in Kind for each in syntaxes
    ]
    for number in range(1500):
        data = damaged(originals[number % len(originals)], chance)
        with config.disable_value_validation(), warnings.catch_warnings():
            warnings.simplefilter("ignore")
            try:
                dataset = dcmread(BytesIO(data), force=True)
            except UNREADABLE:
                continue
        result = DEIDENTIFIER.clean(dataset, pixels_seen_clean=number % 2 == 0)
        if isinstance(result, Refusal):
            refused += 1
            continue
        cleaned += 1
        assert b"ZQ-TOK" not in encode(result)
    assert cleaned > 200
    assert refused > 200


def test_a_token_in_every_text_of_a_random_image_does_not_survive() -> None:
    plants = Plants()
    text = [tag for tag, entry in DicomDictionary.items() if entry[0] in {"LO", "SH", "ST", "PN"}]
    chance = random.Random(1)
    for kind in Kind:
        dataset = image(kind)
        for tag in chance.sample(text, 200):
            if tag >> 16 > 4:
                value = plants.value("LO")
                dataset.add(DataElement(tag, "LO", value, validation_mode=config.IGNORE))
        result = DEIDENTIFIER.clean(dataset, pixels_seen_clean=True)
        assert isinstance(result, Dataset)
        assert plants.survivors(encode(result)) == []
