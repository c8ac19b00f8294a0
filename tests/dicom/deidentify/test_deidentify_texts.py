"""Texts rebuilt from known words, coded concepts, code strings, ages and numbers."""

from __future__ import annotations

import pytest
from deidentify_samples import clean, deidentifier, image
from hypothesis import given
from hypothesis import strategies as st
from pydicom.dataset import Dataset
from pydicom.sequence import Sequence

from imgtrack.dicom.deidentify.kinds import Kind
from imgtrack.dicom.deidentify.words import Text, Vocabulary

WORDS = Vocabulary.load()


@pytest.mark.parametrize(
    ("text", "left"),
    [
        ("COR PD FS", "COR PD FS"),
        ("t2_tse_fs_cor_320 Miller", "t2 tse fs cor"),
        ("Épaule droite T1", "Epaule droite T1"),
        ("*tse2d1_15", "tse2d1"),
        ("CT chest abdomen pelvis - 55F Dr. Smith", "chest abdomen pelvis"),  # PS3.15 E.3.5 note 2
        ("SAG OBL 3mm 0123456789", "SAG OBL 3mm"),
        ("3 months after repair, retear?", ""),
        ("pd12345 t2 19570412", "t2"),
        ("MRN:12.345.678", ""),
        ("", ""),
        ("肩 shoulder 左", "shoulder"),
    ],
)
def test_only_known_words_of_a_description_stay(text: str, left: str) -> None:
    assert WORDS.rebuilt(text, Text.DESCRIPTION) == left


@pytest.mark.parametrize(
    ("text", "kind", "left"),
    [
        ("SIEMENS", Text.EQUIPMENT, "SIEMENS"),
        ("GE MEDICAL SYSTEMS", Text.EQUIPMENT, "GE MEDICAL SYSTEMS"),
        ("Optima MR450w", Text.EQUIPMENT, "Optima MR450w"),
        ("Scanner of Dr Miller", Text.EQUIPMENT, ""),
        ("syngo MR E11", Text.VERSION, "syngo MR E11"),
        ("5.3.0", Text.VERSION, "5.3.0"),
        ("555-0123 2024-03-05 12345678 Miller", Text.VERSION, ""),
        ("Shoulder", Text.MEANING, "Shoulder"),
        ("Check repair of Miller", Text.MEANING, "of"),
    ],
)
def test_each_kind_of_text_has_its_words(text: str, kind: Text, left: str) -> None:
    assert WORDS.rebuilt(text, kind) == left


def test_makers_and_models_named_like_people_stand_only_where_equipment_is_named() -> None:
    assert WORDS.rebuilt("Max Vida Sola", Text.DESCRIPTION) == ""
    assert WORDS.rebuilt("Max Vida Sola", Text.EQUIPMENT) == "Max Vida Sola"


def test_time_and_course_are_not_told_by_words() -> None:
    """Readers are blind to the timepoint: no description may give it away."""
    text = "pre post op preop postop follow-up baseline month year repair retear surgery control"
    assert WORDS.rebuilt(text, Text.DESCRIPTION) == ""


@given(st.text())
def test_rebuilding_is_idempotent_ascii_and_no_longer_than_the_text(text: str) -> None:
    for kind in Text:
        once = WORDS.rebuilt(text, kind)
        assert once.isascii()
        assert WORDS.rebuilt(once, kind) == once
        assert all(word.casefold() in once.casefold() for word in once.split())


def test_a_study_may_add_its_own_words() -> None:
    dataset = image(SeriesDescription="COR mystudy PD", ManufacturerModelName="Phantomatic")
    assert clean(dataset).SeriesDescription == "COR PD"
    own = deidentifier(extra_words=["MyStudy", "phantomatic"]).clean(dataset)
    assert isinstance(own, Dataset)
    assert own.SeriesDescription == "COR mystudy PD"
    assert own.ManufacturerModelName == "Phantomatic"


def test_descriptors_are_rebuilt_and_comments_removed() -> None:
    cleaned = clean(
        image(
            SeriesDescription="COR PD Miller",
            ProtocolName="shoulder^Miller",
            StudyDescription="Miller",
            ImageComments="shoulder",
            PatientComments="shoulder",
            SequenceName="*tse2d1_15",
            SoftwareVersions=["syngo MR E11", "Miller"],
            Manufacturer="Nobody knows",
        )
    )
    assert cleaned.SeriesDescription == "COR PD"
    assert cleaned.ProtocolName == "shoulder"
    assert cleaned.SequenceName == "tse2d1"
    assert cleaned.SoftwareVersions == "syngo MR E11"
    assert cleaned.Manufacturer == ""  # type 2, PS3.3 table C.7-8
    for keyword in ("StudyDescription", "ImageComments", "PatientComments"):
        assert keyword not in cleaned


def test_a_text_that_must_be_there_is_replaced_when_nothing_of_it_may_stay() -> None:
    """Types: PS3.3 table C.7-8b."""
    cleaned = clean(image(Kind.ENHANCED_MR, Manufacturer="Nobody", DeviceSerialNumber="4711"))
    assert (cleaned.Manufacturer, cleaned.DeviceSerialNumber) == ("UNKNOWN", "UNKNOWN")


def code(value: str, scheme: str, meaning: str, **more: object) -> Dataset:
    item = Dataset()
    item.CodeValue, item.CodingSchemeDesignator, item.CodeMeaning = value, scheme, meaning
    for keyword, each in more.items():
        setattr(item, keyword, each)
    return item


def test_codes_of_public_schemes_stay_with_their_modifiers() -> None:
    """Codes: PS3.16 CID 4031 and CID 244."""
    side = code("24028007", "SCT", "Right")
    region = code("16982005", "SCT", "Shoulder", AnatomicRegionModifierSequence=Sequence([side]))
    cleaned = clean(image(AnatomicRegionSequence=Sequence([region])))
    kept = cleaned.AnatomicRegionSequence[0]
    assert (kept.CodeValue, kept.CodeMeaning) == ("16982005", "Shoulder")
    assert kept.AnatomicRegionModifierSequence[0].CodeMeaning == "Right"


@pytest.mark.parametrize(
    ("item", "meaning"),
    [
        (code("16982005", "SCT", "Shoulder of Miller"), "Shoulder of"),
        (code("16982005", "SCT", "Miller"), "UNKNOWN"),
        (code("T-12345", "SRT", "Shoulder", CodingSchemeVersion="20020904"), "Shoulder"),
        (code("T-12345", "SRT", "Shoulder", CodingSchemeVersion="by Miller"), "Shoulder"),
        (code("16982005", "99HOSPITAL", "Shoulder"), None),
        (code("Miller", "SCT", "Shoulder"), None),
        (code("", "SCT", "Shoulder"), None),
        (Dataset(), None),
    ],
)
def test_codes_say_nothing_but_known_words(item: Dataset, meaning: str | None) -> None:
    cleaned = clean(image(AnatomicRegionSequence=Sequence([item])))
    if meaning is None:
        assert "AnatomicRegionSequence" not in cleaned
        return
    kept = cleaned.AnatomicRegionSequence[0]
    assert kept.CodeMeaning == meaning
    assert kept.get("CodingSchemeVersion", "20020904") == "20020904"


@pytest.mark.parametrize(
    ("keyword", "value", "left"),
    [
        ("PatientAge", "045Y", "045Y"),
        ("PatientAge", "089Y", "089Y"),
        ("PatientAge", "094Y", "090Y"),  # 45 CFR 164.514(b)(2)(i)(C)
        ("PatientAge", "006M", "006M"),
        ("PatientAge", "MILL", None),
        ("PatientSex", "F", "F"),
        ("PatientSex", "m", "M"),
        ("PatientSex", "MILLER", ""),
        ("PatientWeight", "81.5", "81.5"),
        ("PatientSize", "1.84", "1.84"),
        ("EthnicGroup", "any", None),
        ("PregnancyStatus", 1, None),
        ("SmokingStatus", "NO", None),
        ("BodyPartExamined", "SHOULDER", "SHOULDER"),
        ("BodyPartExamined", "MILLER", ""),
        ("ScanOptions", ["FS", "lower", "a text that is too long"], ["FS", "LOWER", "OTHER"]),
        ("StudyID", "4711", ""),
        ("AccessionNumber", "4711", ""),
        ("PatientBirthDate", "19570412", ""),
        ("ReferringPhysicianName", "Miller^A", ""),
        ("InstitutionName", "Miller Clinic", None),
        ("StationName", "MR1", None),
        ("AcquisitionMatrix", [0, 256, 192, 0], [0, 256, 192, 0]),
    ],
)
@pytest.mark.filterwarnings("ignore::UserWarning")
def test_values_are_kept_only_when_they_are_well_formed(
    keyword: str, value: object, left: object
) -> None:
    cleaned = clean(image(**{keyword: value}))
    found = cleaned.get(keyword)
    assert (list(found) if isinstance(left, list) else found) == left


@pytest.mark.parametrize(
    ("keyword", "value", "left"),
    [
        ("EchoNumbers", "1.0", 1),
        ("EchoNumbers", "99999999999", None),
        ("EchoNumbers", "one", None),
        ("RepetitionTime", "1e400", None),
        ("RepetitionTime", "2000.", 2000),
        ("RepetitionTime", "0.123456789012345678", 0.12345678901235),
        ("RepetitionTime", "12 or so", None),
        ("EchoTrainLength", "", None),
    ],
)
@pytest.mark.filterwarnings("ignore::UserWarning")
def test_numbers_written_as_text_are_numbers(keyword: str, value: str, left: object) -> None:
    from pydicom.datadict import dictionary_VR, tag_for_keyword
    from pydicom.dataelem import RawDataElement
    from pydicom.tag import Tag

    dataset, tag, raw = image(), Tag(tag_for_keyword(keyword)), value.encode()
    dataset[tag] = RawDataElement(tag, dictionary_VR(tag), len(raw), raw, 0, False, True)
    found = clean(dataset).get(keyword)
    assert found is None if left is None else found == pytest.approx(left)


def test_labels_of_frame_groups_stay_apart_without_telling_anything() -> None:
    content = [Dataset() for _ in range(3)]
    for item, name in zip(content, ["1", "Miller", "Miller"], strict=True):
        item.StackID = name
    frames = [Dataset() for _ in content]
    for frame, item in zip(frames, content, strict=True):
        frame.FrameContentSequence = Sequence([item])
    cleaned = clean(image(Kind.ENHANCED_MR, PerFrameFunctionalGroupsSequence=Sequence(frames)))
    stacks = [
        each.FrameContentSequence[0].StackID for each in cleaned.PerFrameFunctionalGroupsSequence
    ]
    assert stacks[0] == "1"
    assert stacks[1] == stacks[2]
    assert stacks[1] not in {"1", "Miller"}
    assert len(stacks[1]) == 12
