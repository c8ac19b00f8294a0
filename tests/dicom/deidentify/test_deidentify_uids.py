"""UIDs replaced the same way everywhere, in a form the standard allows."""

from __future__ import annotations

from uuid import RFC_4122, UUID

from deidentify_samples import SECRET, clean, deidentifier, from_bytes, image
from hypothesis import given
from hypothesis import strategies as st
from pydicom import uid
from pydicom.dataset import Dataset
from pydicom.sequence import Sequence

from imgtrack.dicom.deidentify import KeyedUids, RememberingUids, encode
from imgtrack.dicom.deidentify.deidentifier import IMPLEMENTATION_NAME, IMPLEMENTATION_UID
from imgtrack.dicom.deidentify.kinds import Kind

ORIGINALS = st.from_regex(r"[1-9]\d{0,5}(\.(0|[1-9]\d{0,8})){1,6}", fullmatch=True)


def reference(sop_uid: str) -> Dataset:
    item = Dataset()
    item.ReferencedSOPClassUID = uid.MRImageStorage
    item.ReferencedSOPInstanceUID = sop_uid
    return item


@given(ORIGINALS)
def test_replacements_are_uuids_of_version_8_under_2_25(original: str) -> None:
    """Reference: PS3.5 section B.2, RFC 9562 sections 4.1 and 5.8; validity as pydicom sees it."""
    replacement = KeyedUids(SECRET).replacement(original)
    assert uid.UID(replacement).is_valid
    assert len(replacement) <= 64
    uuid = UUID(int=int(replacement.removeprefix("2.25.")))
    assert uuid.variant == RFC_4122
    assert uuid.version == 8


@given(st.sets(ORIGINALS, min_size=2, max_size=2))
def test_replacements_depend_on_the_original_and_on_the_secret_only(originals: set[str]) -> None:
    one, other = originals
    uids = KeyedUids(SECRET)
    assert uids.replacement(one) == KeyedUids(bytes(SECRET)).replacement(one)
    assert uids.replacement(one) != uids.replacement(other)
    assert uids.replacement(one) != KeyedUids(SECRET[::-1]).replacement(one)


def test_references_across_files_stay_consistent() -> None:
    scout = image(SOPInstanceUID="1.2.3.77", SeriesInstanceUID="1.2.3.70")
    slice_ = image(ReferencedImageSequence=Sequence([reference("1.2.3.77")]))
    scout, slice_ = clean(scout), clean(slice_)
    pointed_at = slice_.ReferencedImageSequence[0]
    assert pointed_at.ReferencedSOPInstanceUID == scout.SOPInstanceUID
    assert pointed_at.ReferencedSOPClassUID == uid.MRImageStorage
    assert slice_.StudyInstanceUID == scout.StudyInstanceUID
    assert slice_.FrameOfReferenceUID == scout.FrameOfReferenceUID
    assert slice_.SeriesInstanceUID != scout.SeriesInstanceUID


def test_references_within_functional_groups_and_evidence_stay_consistent() -> None:
    group, series, study = Dataset(), Dataset(), Dataset()
    group.ReferencedImageSequence = Sequence([reference("1.2.3.77")])
    series.SeriesInstanceUID = "1.2.3.3"
    series.ReferencedSOPSequence = Sequence([reference("1.2.3.77")])
    study.StudyInstanceUID = "1.2.3.2"
    study.ReferencedSeriesSequence = Sequence([series])
    dataset = image(
        Kind.ENHANCED_MR,
        SharedFunctionalGroupsSequence=Sequence([group]),
        ReferencedImageEvidenceSequence=Sequence([study]),
    )
    cleaned = clean(dataset)
    shared = cleaned.SharedFunctionalGroupsSequence[0].ReferencedImageSequence[0]
    evidence = cleaned.ReferencedImageEvidenceSequence[0]
    assert evidence.StudyInstanceUID == cleaned.StudyInstanceUID
    assert evidence.ReferencedSeriesSequence[0].SeriesInstanceUID == cleaned.SeriesInstanceUID
    instance = evidence.ReferencedSeriesSequence[0].ReferencedSOPSequence[0]
    assert instance.ReferencedSOPInstanceUID == shared.ReferencedSOPInstanceUID
    assert shared.ReferencedSOPInstanceUID == KeyedUids(SECRET).replacement("1.2.3.77")


def test_uids_of_the_standard_itself_stay_and_others_do_not() -> None:
    dataset = image(RelatedGeneralSOPClassUID=[uid.MRImageStorage, "1.2.3.4.5"])
    cleaned = clean(dataset)
    kept, replaced = cleaned.RelatedGeneralSOPClassUID
    assert kept == uid.MRImageStorage
    assert replaced == KeyedUids(SECRET).replacement("1.2.3.4.5")


def test_several_and_empty_uids_are_replaced_one_by_one() -> None:
    cleaned = clean(image(IrradiationEventUID=["1.2.3.5", "1.2.3.6"], InstanceCreatorUID=""))
    expected = [KeyedUids(SECRET).replacement(each) for each in ("1.2.3.5", "1.2.3.6")]
    assert list(cleaned.IrradiationEventUID) == expected
    assert cleaned.InstanceCreatorUID == ""


def test_what_is_no_uid_is_replaced_by_one() -> None:
    replacement = KeyedUids(SECRET).replacement("Miller \udcff ²")
    assert uid.UID(replacement).is_valid


def test_pairs_are_remembered_until_they_are_taken() -> None:
    uids = RememberingUids(KeyedUids(SECRET))
    cleaned = deidentifier(uid_map=uids).clean(image())
    assert isinstance(cleaned, Dataset)
    pairs = uids.take()
    assert pairs["1.2.3.1"] == cleaned.SOPInstanceUID
    assert set(pairs) == {"1.2.3.1", "1.2.3.2", "1.2.3.3", "1.2.3.4"}
    assert uids.take() == {}


def test_file_meta_information_is_of_the_new_object_and_of_this_program() -> None:
    """Reference: PS3.10 section 7.1."""
    result = deidentifier().clean(image())
    assert isinstance(result, Dataset)
    cleaned = from_bytes(encode(result))
    meta = cleaned.file_meta
    assert meta.MediaStorageSOPInstanceUID == cleaned.SOPInstanceUID
    assert meta.MediaStorageSOPClassUID == cleaned.SOPClassUID
    assert meta.TransferSyntaxUID == uid.ExplicitVRLittleEndian
    assert meta.ImplementationClassUID == IMPLEMENTATION_UID
    assert meta.ImplementationVersionName == IMPLEMENTATION_NAME
    assert uid.UID(IMPLEMENTATION_UID).is_valid
