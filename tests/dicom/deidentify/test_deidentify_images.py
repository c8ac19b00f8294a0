"""Which images are taken, what is written into them, and what a refusal tells."""

from __future__ import annotations

import copy

import pytest
from deidentify_samples import (
    SECRET,
    TRIAL,
    clean,
    deidentifier,
    from_bytes,
    image,
    to_bytes,
    with_meta,
)
from pydicom import uid
from pydicom.dataelem import RawDataElement
from pydicom.dataset import Dataset
from pydicom.sequence import Sequence
from pydicom.tag import Tag

from imgtrack.dicom.deidentify import Deidentifier, SafePrivate, TrialLabels
from imgtrack.dicom.deidentify.kinds import KIND_OF_SOP_CLASS, Kind
from imgtrack.dicom.sources import Refusal
from imgtrack.domain.errors import InvalidInput


def refusal(dataset: Dataset, **how: object) -> Refusal:
    result = deidentifier().clean(dataset, label="scan.dcm", **how)
    assert isinstance(result, Refusal), result
    assert result.source == "scan.dcm"
    assert result.fault.where == "scan.dcm"
    return result


@pytest.mark.parametrize(
    ("kind", "changes", "found"),
    [
        (Kind.MR, {"BurnedInAnnotation": "YES"}, "Burned In Annotation is YES"),
        (Kind.DX, {"BurnedInAnnotation": "YES"}, "Burned In Annotation is YES"),
        (Kind.SECONDARY_CAPTURE, {}, "it is a secondary capture"),
        (Kind.MR, {"ConversionType": "WSD"}, "it is a secondary capture"),
        (Kind.CR, {"BurnedInAnnotation": None}, "Burned In Annotation does not say NO"),
        (Kind.DX, {"BurnedInAnnotation": ""}, "Burned In Annotation does not say NO"),
        (
            Kind.MR,
            {"ImageType": ["DERIVED", "SECONDARY", "SCREEN SAVE"]},
            "Image Type says that a screen was kept",
        ),
        (Kind.MR, {"PhotometricInterpretation": "RGB"}, "it is in colour, as screens are"),
        (Kind.MR, {"RecognizableVisualFeatures": "YES"}, "Recognizable Visual Features is YES"),
    ],
)
def test_images_that_may_name_the_patient_wait_for_a_person(
    kind: Kind, changes: dict[str, object], found: str
) -> None:
    """PS3.15 sections E.1.1 and E.3.1: it is for the de-identifier to rule out burned-in names."""
    dataset = image(kind, **changes)
    result = refusal(dataset)
    assert (result.reason, result.found) == ("the patient may be named in the pixels", found)
    assert "say so" in result.next_step
    cleaned = deidentifier().clean(dataset, pixels_seen_clean=True)
    if "PhotometricInterpretation" not in changes:
        assert isinstance(cleaned, Dataset)
        assert cleaned.BurnedInAnnotation == "NO"


def test_mr_without_the_flag_is_taken_and_claims_nothing() -> None:
    dataset = image()
    del dataset.BurnedInAnnotation
    assert "BurnedInAnnotation" not in clean(dataset)


@pytest.mark.parametrize(
    ("sop_class", "found"),
    [
        (uid.CTImageStorage, "CT Image Storage"),
        (uid.EncapsulatedPDFStorage, "Encapsulated PDF Storage"),
        (uid.BasicTextSRStorage, "Basic Text SR Storage"),
        ("1.2.3.4.5", "an object the standard does not know"),
    ],
)
def test_other_objects_are_refused_by_their_name(sop_class: str, found: str) -> None:
    result = refusal(image(SOPClassUID=sop_class))
    assert (result.reason, result.found) == ("a study has no use for this", found)


@pytest.mark.parametrize("sop_class", KIND_OF_SOP_CLASS)
def test_every_kind_of_image_a_study_takes_in_is_cleaned(sop_class: str) -> None:
    cleaned = clean(image(SOPClassUID=sop_class), pixels_seen_clean=True)
    assert cleaned.SOPClassUID == sop_class


@pytest.mark.parametrize(
    ("keyword", "value", "reason", "found"),
    [
        ("SOPClassUID", None, "SOP Class UID is missing", "0 values"),
        ("SOPInstanceUID", "", "SOP Instance UID is missing", "0 values"),
        ("StudyInstanceUID", ["1.2", "1.3"], "Study Instance UID is missing", "2 values"),
        ("SeriesInstanceUID", "", "Series Instance UID is missing", "0 values"),
    ],
)
def test_images_without_identifiers_are_refused(
    keyword: str, value: object, reason: str, found: str
) -> None:
    result = refusal(image(**{keyword: value}))
    assert (result.reason, result.expected, result.found) == (reason, "one UID", found)


@pytest.mark.parametrize(
    ("syntax", "found"),
    [
        (uid.MPEG2MPML, "MPEG2 Main Profile / Main Level"),
        ("1.2.3.4.5", "one the standard does not know"),
    ],
)
def test_other_transfer_syntaxes_are_refused_by_their_name(syntax: str, found: str) -> None:
    result = refusal(with_meta(image(), syntax))
    assert result.reason == "images are not taken in this transfer syntax"
    assert result.found == found


def test_an_image_without_file_meta_information_is_taken_as_it_was_read() -> None:
    dataset = image()
    del dataset.file_meta
    assert clean(dataset).PixelData == bytes(range(48))
    read = from_bytes(to_bytes(with_meta(image(), uid.ExplicitVRBigEndian)))
    del read.file_meta
    assert clean(read).PixelData[:4] == bytes([1, 0, 3, 2])


def test_sequences_deeper_than_the_standards_are_refused() -> None:
    dataset = item = image()
    for _ in range(20):
        inner = Dataset()
        item.ReferencedImageSequence = Sequence([inner])
        inner.PurposeOfReferenceCodeSequence = Sequence([Dataset()])
        item = inner
    assert isinstance(deidentifier().clean(dataset), Dataset)  # unknown below the first level

    from imgtrack.dicom.deidentify.items import DEEPEST, Rebuilding
    from imgtrack.dicom.deidentify.rules import rules
    from imgtrack.dicom.deidentify.uncleanable import Uncleanable

    rebuilding = Rebuilding(rules(Kind.MR), None, ())  # type: ignore[arg-type] # not reached
    with pytest.raises(Uncleanable, match="nested too deep"):
        rebuilding.dataset(Dataset(), depth=DEEPEST + 1)


def test_pixel_data_that_cannot_be_read_is_refused() -> None:
    dataset = image()
    dataset["PixelData"].value = None
    assert refusal(dataset).reason == "the pixel data is no pixel data"
    tag = Tag(0x7FE00010)
    dataset[tag] = RawDataElement(tag, "FD", 3, b"abc", 0, False, True)
    assert refusal(dataset).reason == "the pixel data cannot be read"


def test_subject_trial_and_method_are_written() -> None:
    """Codes and meanings: PS3.16 CID 7050; attributes: PS3.3 tables C.7-1, C.7-2b and C.7-4b."""
    trial = TrialLabels("P1", "Sponsor", "Name", "A", "Site", "m06", "6 months")
    result = deidentifier(trial=trial).clean(image(PatientName="Miller^A", PatientID="4711"))
    assert isinstance(result, Dataset)
    assert (result.PatientName, result.PatientID) == ("S014", "S014")
    assert result.ClinicalTrialSubjectID == "S014"
    assert result.ClinicalTrialProtocolID == "P1"
    assert result.ClinicalTrialProtocolName == "Name"
    assert (result.ClinicalTrialSiteID, result.ClinicalTrialSiteName) == ("A", "Site")
    assert result.ClinicalTrialSponsorName == "Sponsor"
    assert result.ClinicalTrialTimePointID == "m06"
    assert result.ClinicalTrialTimePointDescription == "6 months"
    assert result.PatientIdentityRemoved == "YES"
    assert all(len(text) <= 64 for text in result.DeidentificationMethod)
    assert "2026c" in result.DeidentificationMethod[0]
    codes = [
        (item.CodeValue, item.CodingSchemeDesignator)
        for item in result.DeidentificationMethodCodeSequence
    ]
    assert codes == [(each, "DCM") for each in ("113100", "113105", "113107", "113108")]


def test_method_codes_mean_what_the_standard_says() -> None:
    """Reference: PS3.16 as pydicom holds it."""
    from pydicom.sr.codedict import codes

    from imgtrack.dicom.deidentify.labels import METHODS, SAFE_PRIVATE_METHOD

    standard = {code.value: code.meaning for code in codes.cid7050.concepts.values()}
    for value, meaning in [*METHODS.items(), SAFE_PRIVATE_METHOD]:
        assert standard[value] == meaning


def test_a_scan_that_waits_to_be_placed_has_an_empty_timepoint() -> None:
    cleaned = clean(image())
    assert cleaned.ClinicalTrialTimePointID == ""
    assert "ClinicalTrialTimePointDescription" not in cleaned


def test_labels_of_an_earlier_trial_do_not_stay() -> None:
    cleaned = clean(image(ClinicalTrialCoordinatingCenterName="Miller", ClinicalTrialSeriesID="7"))
    assert "ClinicalTrialCoordinatingCenterName" not in cleaned
    assert "ClinicalTrialSeriesID" not in cleaned


SAFE = SafePrivate("MAKER HEADER", 0x0019, 0x0C)


def with_private(creator: str = "MAKER HEADER") -> Dataset:
    dataset = image()
    block = dataset.private_block(0x0019, creator, create=True)
    block.add_new(0x0C, "IS", "800")
    block.add_new(0x0D, "LO", "Miller")
    block.add_new(0x0E, "UI", "1.2.3.4")
    return dataset


def test_declared_private_attributes_stay_with_their_creator_and_no_other() -> None:
    """PS3.15 section E.3.10; code 113111 of CID 7050."""
    names = [SafePrivate("MAKER HEADER", 0x0019, each) for each in (0x0C, 0x0E, 0x0F)]
    result = deidentifier(safe_private=names).clean(with_private())
    assert isinstance(result, Dataset)
    private = [element for element in result if element.tag.is_private]
    assert [element.value for element in private] == ["MAKER HEADER", 800]
    assert result.private_block(0x0019, "MAKER HEADER")[0x0C].value == 800
    last = result.DeidentificationMethodCodeSequence[-1]
    assert last.CodeValue == "113111"


@pytest.mark.parametrize(
    "dataset",
    [
        with_private("ANOTHER"),
        image(),
    ],
)
def test_a_declaration_holds_for_its_creator_only(dataset: Dataset) -> None:
    result = deidentifier(safe_private=[SAFE]).clean(dataset)
    assert isinstance(result, Dataset)
    assert not [element for element in result if element.tag.is_private]


def test_private_attributes_are_removed_by_default() -> None:
    assert not [element for element in clean(with_private()) if element.tag.is_private]


def test_the_original_is_not_altered() -> None:
    dataset = with_private()
    dataset.PatientName, dataset.SeriesDescription = "Miller^A", "COR Miller"
    before, elements = to_bytes(dataset), copy.deepcopy(dataset)
    assert isinstance(deidentifier().clean(dataset), Dataset)
    assert to_bytes(dataset) == before
    assert dataset == elements
    assert dataset.file_meta == elements.file_meta


def test_a_cleaned_image_is_clean() -> None:
    """Cleaned again it changes in nothing but UIDs and dates, which are replaced once more."""
    first = clean(image(SeriesDescription="COR Miller", PatientAge="045Y", Manufacturer="SIEMENS"))
    second = clean(first)
    changed = {element.keyword for element in first if element != second[element.tag]}
    assert changed == {
        "SOPInstanceUID", "StudyInstanceUID", "SeriesInstanceUID", "FrameOfReferenceUID",
        "StudyDate",
    }  # fmt: skip
    assert [element.tag for element in first] == [element.tag for element in second]


def test_all_faults_of_the_parameters_are_told_together() -> None:
    bad = [SafePrivate("X", 0x0018, 0x0C), SafePrivate("X", 0x0019, 0x100), SafePrivate("", 9, 1)]
    with pytest.raises(InvalidInput) as caught:
        Deidentifier(b"short", "S\\014", TRIAL, safe_private=bad)
    text = str(caught.value)
    assert len(caught.value.faults) == 5
    assert "secret" in text
    assert "subject" in text
    assert "b'short'" not in text


@pytest.mark.parametrize("subject", ["", " ", "a^b", "x" * 65, "Müller", "a\nb"])
def test_subject_codes_that_cannot_be_written_are_refused(subject: str) -> None:
    with pytest.raises(InvalidInput, match="subject"):
        Deidentifier(SECRET, subject, TRIAL)


def test_labels_that_cannot_be_written_are_refused_together() -> None:
    with pytest.raises(InvalidInput) as caught:
        TrialLabels("", site="A=B", timepoint="größer")
    assert [fault.what.split()[0] for fault in caught.value.faults] == [
        "protocol",
        "site",
        "timepoint",
    ]
