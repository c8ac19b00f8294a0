"""What is read of each kind of object, what is mended, and what is refused with which reason."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime
from io import BytesIO

import mr_objects as objects
import pytest
from pydicom.dataset import Dataset
from pydicom.filebase import DicomBytesIO
from pydicom.filewriter import write_dataset
from pydicom.sequence import Sequence
from pydicom.uid import (
    ComputedRadiographyImageStorage,
    DeflatedExplicitVRLittleEndian,
    DigitalXRayImageStorageForProcessing,
    ExplicitVRBigEndian,
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
    LegacyConvertedEnhancedMRImageStorage,
)

from imgtrack.dicom.headers import Claim, Header, Part, read_header
from imgtrack.dicom.sources import Refusal, Source
from imgtrack.domain.imaging import Modality


def read(raw: bytes) -> Header:
    """Read bytes that must be taken."""
    found = read_header(Source.of_bytes("thing", raw))
    assert isinstance(found, Header), found
    return found


def bare(ds: Dataset, syntax: str) -> bytes:
    """Return a data set without preamble and meta header."""
    stream = DicomBytesIO()
    stream.is_implicit_VR = syntax == ImplicitVRLittleEndian
    stream.is_little_endian = syntax != ExplicitVRBigEndian
    write_dataset(stream, ds)
    return stream.getvalue()


def test_a_classic_slice() -> None:
    ds = objects.mr(
        StudyDate="20240229",
        AcquisitionDate="20240229",
        AcquisitionTime="101112",
        SeriesDescription="COR T1",
        SliceLocation=7.5,
        EchoNumbers=1,
        TemporalPositionIdentifier=2,
        AcquisitionNumber=3,
        InversionTime=150,
        FlipAngle=90,
        TriggerTime=4.5,
        RescaleSlope=2,
        RescaleIntercept=-1,
        ImageLaterality="L",
        Laterality="R",
        BodyPartExamined="SHOULDER",
        PatientSex="F",
        AccessionNumber="A1",
        IssuerOfPatientID="HOSP",
    )
    header = objects.header(ds)
    assert header.claim == Claim("P-17", "HOSP", "Rehn^Mara", date(1961, 4, 7), "F", "A1")
    assert header.modality is Modality.MR
    assert header.study_date == header.acquisition_date == date(2024, 2, 29)
    assert (header.laterality, header.body_part) == ("R", "SHOULDER")
    assert header.scan_options == ()
    assert header.notes == ()
    (frame,) = header.frames
    assert frame.position == (-120, 0, 80)
    assert (frame.row, frame.column) == ((1, 0, 0), (0, 0, -1))
    assert (frame.rows, frame.columns, frame.spacing) == (4, 6, (0.5, 0.5))
    assert (frame.thickness_mm, frame.stated_location_mm) == (3, 7.5)
    assert (frame.repetition_time_ms, frame.echo_time_ms, frame.inversion_time_ms) == (600, 12, 150)
    assert (frame.echo_number, frame.temporal_position, frame.acquisition_number) == (1, 2, 3)
    assert frame.acquired_at == datetime(2024, 2, 29, 10, 11, 12)
    assert (frame.rescale, frame.laterality) == ((2, -1), "L")


def test_a_claim_has_no_empty_ends() -> None:
    """PS3.5 section 6.2.1.1: trailing null components and groups may be left out."""
    names = ("Rehn^Mara^^^", "Rehn^Mara", "Rehn^Mara==", "Rehn^Mara^^^==")
    claims = {objects.header(objects.mr(PatientName=name)).claim.name for name in names}
    assert claims == {"Rehn^Mara"}


def test_scan_options_that_are_absent_are_not_empty_ones() -> None:
    assert objects.header(objects.mr(ScanOptions=None)).scan_options is None


def test_enhanced_frames_take_their_own_groups_before_shared_ones() -> None:
    ds = objects.enhanced([(-120, 0, 80), (-120, 3, 80), (-120, 6, 80)])
    own = ds.PerFrameFunctionalGroupsSequence[1]
    own.MREchoSequence = objects.item(EffectiveEchoTime=80.0)
    own.PixelValueTransformationSequence = objects.item(RescaleSlope=3, RescaleIntercept=1)
    own.MRImageFrameTypeSequence = objects.item(ComplexImageComponent="PHASE")
    own.FrameContentSequence = objects.item(
        FrameAcquisitionDateTime="20240229101112",
        TemporalPositionIndex=4,
        FrameAcquisitionNumber=5,
        InStackPositionNumber=6,
    )
    shared = ds.SharedFunctionalGroupsSequence[0]
    shared.MRModifierSequence = objects.item(InversionRecovery="YES", InversionTimes=160.0)
    region = objects.item(AnatomicRegionModifierSequence=objects.item(CodeValue="24028007"))
    shared.FrameAnatomySequence = objects.item(FrameLaterality="R", AnatomicRegionSequence=region)
    header = objects.header(ds)
    first, second, third = header.frames
    assert [frame.number for frame in header.frames] == [1, 2, 3]
    assert [frame.position for frame in header.frames] == [(-120, y, 80) for y in (0, 3, 6)]
    assert (first.echo_time_ms, second.echo_time_ms, third.echo_time_ms) == (12, 80, 12)
    assert (first.part, second.part) == (Part.MAGNITUDE, Part.PHASE)
    assert (first.rescale, second.rescale) == ((1, 0), (3, 1))
    assert (second.temporal_position, second.acquisition_number, second.instance_number) == (
        4,
        5,
        6,
    )
    assert first.inversion_time_ms == 160
    assert first.laterality == "R"
    assert header.region_modifier == "R"
    assert header.scanning_sequence == ("SE", "IR")
    assert header.acquisition_date == date(2024, 2, 29)
    assert header.sop_instance_uid == ds.SOPInstanceUID


def test_legacy_converted_objects_and_gradient_echoes() -> None:
    ds = objects.enhanced(
        [(0, 0, 0)],
        SOPClassUID=LegacyConvertedEnhancedMRImageStorage,
        EchoPulseSequence="BOTH",
        EchoPlanarPulseSequence="YES",
        SpacingBetweenSlices=4,
    )
    header = objects.header(ds)
    assert header.scanning_sequence == ("SE", "GR", "EP")
    assert header.frames[0].stated_spacing_mm == 4


@pytest.mark.parametrize(
    ("sop_class", "modality"),
    [
        (ComputedRadiographyImageStorage, Modality.COMPUTED_RADIOGRAPHY),
        (DigitalXRayImageStorageForProcessing, Modality.DIGITAL_RADIOGRAPHY),
    ],
)
def test_radiographs_have_no_place_in_the_patient(sop_class: str, modality: Modality) -> None:
    header = objects.header(objects.radiograph(sop_class, ViewPosition="AP"))
    (frame,) = header.frames
    assert header.modality is modality
    assert (frame.position, frame.row, frame.column) == (None, None, None)
    assert frame.spacing == (0.2, 0.2)
    assert header.view_position == "AP"


def test_the_spacing_of_a_radiograph() -> None:
    """PS3.3 section 10.7.1.3: Pixel Spacing is calibrated, that of the detector is not."""
    calibrated = objects.header(objects.radiograph(PixelSpacing=[0.17, 0.17])).frames[0]
    assert calibrated.spacing == (0.17, 0.17)
    for useless in ([0, 0], None, [1]):
        assert (
            objects.header(objects.radiograph(ImagerPixelSpacing=useless)).frames[0].spacing is None
        )


@pytest.mark.parametrize(
    "syntax",
    [
        ImplicitVRLittleEndian,
        ExplicitVRLittleEndian,
        ExplicitVRBigEndian,
        DeflatedExplicitVRLittleEndian,
    ],
)
def test_every_encoding_gives_the_same_header(syntax: str) -> None:
    ds = objects.mr()
    header = read(objects.encoded(ds, syntax))
    assert header.transfer_syntax_uid == syntax
    plain = read(objects.encoded(ds))
    assert replace(header.frames[0], source=plain.source) == plain.frames[0]
    assert header.notes == ()


@pytest.mark.parametrize(
    "syntax", [ImplicitVRLittleEndian, ExplicitVRLittleEndian, ExplicitVRBigEndian]
)
def test_without_preamble_and_meta_header_the_bytes_tell(syntax: str) -> None:
    header = read(bare(objects.mr(), syntax))
    assert header.transfer_syntax_uid == syntax
    assert header.notes == ("the file has no preamble", "the file has no meta header")


def test_without_preamble_alone() -> None:
    header = read(objects.encoded(objects.mr())[132:])
    assert header.notes == ("the file has no preamble",)


def test_bytes_are_believed_where_the_meta_header_lies() -> None:
    ds = objects.mr()
    whole = objects.encoded(ds)
    raw = whole[: whole.index(b"\x08\x00\x08\x00CS")] + bare(ds, ImplicitVRLittleEndian)
    header = read(raw)
    assert header.transfer_syntax_uid == ExplicitVRLittleEndian
    assert header.notes == (f"the data set is written in {ImplicitVRLittleEndian}",)


def test_elements_out_of_order_and_behind_private_ones_are_found() -> None:
    """PS3.5 section 7.1 asks for ascending tags; some writers append what they forgot."""
    ds = objects.mr()
    late = Dataset()
    late.PixelSpacing = ds.PixelSpacing
    del ds.PixelSpacing
    ds.private_block(0x0029, "MAKER", create=True).add_new(1, "LO", "private")
    del ds.PixelData
    header = read(objects.encoded(ds) + bare(late, ExplicitVRLittleEndian))
    assert header.frames[0].spacing == (0.5, 0.5)
    assert header.notes == ("elements are not in the order of their tags",)


def test_class_and_uid_may_stand_in_the_meta_header_alone() -> None:
    ds = objects.mr()
    raw = objects.encoded(ds)
    for keyword in ("SOPClassUID", "SOPInstanceUID"):
        element = ds[keyword]
        value = element.value.encode() + b"\0" * (len(element.value) % 2)
        raw = raw.replace(
            b"\x08\x00"
            + element.tag.element.to_bytes(2, "little")
            + b"UI"
            + len(value).to_bytes(2, "little")
            + value,
            b"",
        )
    header = read(raw)
    assert header.sop_instance_uid == ds.SOPInstanceUID
    assert header.sop_class_uid == ds.SOPClassUID


def test_odd_values_are_noted_and_count_as_absent() -> None:
    raw = objects.encoded(objects.mr(EchoTime="12.5", Modality="OT"))
    header = read(raw.replace(b"12.5", b"12,5"))
    assert header.frames[0].echo_time_ms is None
    assert header.notes == (
        "Echo Time is not a number",
        "Modality is not MR, which the class of the object is",
    )


@pytest.mark.parametrize(
    ("thickness", "slope", "expected"),
    [(0, 0, (None, 1.0)), (-3, 2, (None, 2.0)), (3, None, (3, 1.0))],
)
def test_useless_thickness_and_slope(
    thickness: float, slope: float | None, expected: tuple[float | None, float]
) -> None:
    (frame,) = objects.header(objects.mr(SliceThickness=thickness, RescaleSlope=slope)).frames
    assert (frame.thickness_mm, frame.rescale[0]) == expected


def test_contradicting_region_modifiers_say_nothing() -> None:
    region = Dataset()
    region.AnatomicRegionModifierSequence = Sequence(
        [objects.item(CodeValue=code)[0] for code in ("7771000", "24028007", "other")]
    )
    ds = objects.mr(AnatomicRegionSequence=Sequence([region]))
    assert objects.header(ds).region_modifier == ""


PARTS = {
    ("ORIGINAL", "PRIMARY", "M", "ND"): Part.MAGNITUDE,
    ("ORIGINAL", "PRIMARY", "M_SE", "M", "SE"): Part.MAGNITUDE,
    ("ORIGINAL", "PRIMARY"): Part.MAGNITUDE,
    ("ORIGINAL", "PRIMARY", "P", "ND"): Part.PHASE,
    ("DERIVED", "PRIMARY", "M", "DIXON", "WATER"): Part.WATER,
    ("DERIVED", "PRIMARY", "W", "W", "DERIVED"): Part.WATER,
    ("DERIVED", "PRIMARY", "DIXON", "FAT"): Part.FAT,
    ("ORIGINAL", "PRIMARY", "DIXON", "IN_PHASE"): Part.IN_PHASE,
    ("ORIGINAL", "PRIMARY", "M", "OPP_PHASE"): Part.OPPOSED_PHASE,
    ("DERIVED", "PRIMARY", "FF"): Part.FAT_FRACTION,
    ("DERIVED", "PRIMARY", "WATER_FRACTION"): Part.OTHER,
    ("DERIVED", "PRIMARY", "T2_MAP"): Part.OTHER,
    ("ORIGINAL", "PRIMARY", "R"): Part.REAL,
    ("ORIGINAL", "PRIMARY", "I"): Part.IMAGINARY,
}
"""Image Types of several makers (from memory) and of PS3.3 C.8.3.1.1.1 and C.8.13.3.1.1."""


@pytest.mark.parametrize(("image_type", "part"), PARTS.items(), ids="-".join)
def test_parts(image_type: tuple[str, ...], part: Part) -> None:
    assert objects.header(objects.mr(ImageType=list(image_type))).frames[0].part is part


WRONG = {
    "no image position": ({"ImagePositionPatient": None}, "no place in the patient"),
    "short position": ({"ImagePositionPatient": [1, 2]}, "no place in the patient"),
    "far position": ({"ImagePositionPatient": [1e9, 0, 0]}, "no place in the patient"),
    "no orientation": ({"ImageOrientationPatient": None}, "no orientation"),
    "long vector": ({"ImageOrientationPatient": [2, 0, 0, 0, 1, 0]}, "no orientation"),
    "not square": ({"ImageOrientationPatient": [1, 0, 0, 0.1, 1, 0]}, "no orientation"),
    "no spacing": ({"PixelSpacing": None}, "no pixel size"),
    "zero spacing": ({"PixelSpacing": [0, 0.5]}, "no pixel size"),
    "no rows": ({"Rows": None}, "no size"),
    "zero columns": ({"Columns": 0}, "no size"),
    "colour": ({"SamplesPerPixel": 3, "PhotometricInterpretation": "RGB"}, "in colour"),
    "palette": ({"PhotometricInterpretation": "PALETTE COLOR"}, "in colour"),
    "several frames": ({"NumberOfFrames": 2}, "holds one image"),
    "no instance UID": ({"StudyInstanceUID": None}, "StudyInstanceUID"),
    "no series UID": ({"SeriesInstanceUID": ""}, "SeriesInstanceUID"),
}


@pytest.mark.parametrize(("attributes", "reason"), WRONG.values(), ids=WRONG)
def test_slices_that_cannot_be_placed_are_refused(
    attributes: dict[str, object], reason: str
) -> None:
    refusal = objects.refusal(objects.mr(**attributes))
    assert reason in refusal.reason
    assert refusal.source == "thing"
    assert refusal.fault.where == "thing"


def test_a_uid_of_other_characters_is_refused() -> None:
    raw = objects.encoded(objects.mr(StudyInstanceUID="1.22.333"))
    refusal = objects.refusal(raw.replace(b"1.22.333", b"1.2x.333"))
    assert refusal.reason == "StudyInstanceUID is missing or no UID"


def test_frames_that_are_not_described_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    ds = objects.enhanced([(0, 0, 0), (0, 3, 0)])
    assert (
        "not described" in objects.refusal(objects.enhanced([(0, 0, 0)], NumberOfFrames=2)).reason
    )
    assert "not described" in objects.refusal(objects.enhanced([])).reason
    del ds.PerFrameFunctionalGroupsSequence[1].PlanePositionSequence
    assert "no place" in objects.refusal(ds).reason
    monkeypatch.setattr("imgtrack.dicom.enhanced.FRAME_LIMIT", 1)
    assert "too many frames" in objects.refusal(objects.enhanced([(0, 0, 0), (0, 3, 0)])).reason


@pytest.mark.parametrize(
    ("content", "reason", "found"),
    [
        (b"", "the file is empty", ""),
        (b"%PDF-1.7 and more", "not a DICOM file", "a PDF document"),
        (b"just text", "not a DICOM file", ""),
        (b"\x08\0", "not a DICOM file", ""),
        (bytes(128) + b"DICM", "the file holds no data set", ""),
        (bytes(128) + b"DICM" + b"\xff" * 20, "the data set cannot be made out", ""),
    ],
)
def test_what_is_no_object_is_refused(content: bytes, reason: str, found: str) -> None:
    refusal = objects.refusal(content)
    assert (refusal.reason, refusal.found) == (reason, found)


def test_other_objects_are_refused_by_name() -> None:
    """Names of PS3.6 table A-1."""
    other = objects.base("1.2.840.10008.5.1.4.1.1.2", "CT")
    assert objects.refusal(other).found == "CT Image Storage (modality CT)"
    assert objects.refusal(objects.base("1.2.3.4", "")).found == "1.2.3.4"
    none = bare(objects.mr(SOPClassUID=None), ImplicitVRLittleEndian)
    assert objects.refusal(none).found == "no SOP class (modality MR)"


def test_a_header_cut_anywhere_is_refused_and_whole_it_is_read() -> None:
    ds = objects.mr()
    del ds.PixelData
    raw = objects.encoded(ds)
    last_needed = raw.index(b"0.5\\0.5") + 7
    for end in range(0, last_needed, 3):
        assert isinstance(read_header(Source.of_bytes("cut", raw[:end])), Refusal), end
    read(raw)
    read(raw + bytes(6))
    assert objects.refusal(raw + b"\x28\0\0").reason == "the file ends within its header"


def test_a_damaged_deflated_data_set_is_refused() -> None:
    raw = bytearray(objects.encoded(objects.mr(), DeflatedExplicitVRLittleEndian))
    raw[-100:] = bytes(100)
    objects.refusal(bytes(raw))
    cut = objects.encoded(objects.mr(), DeflatedExplicitVRLittleEndian)[:-150]
    assert objects.refusal(cut).reason == "the file ends within its header"


def test_a_deflated_data_set_much_longer_than_its_packed_form_is_read() -> None:
    ds = objects.mr()
    ds.private_block(0x0009, "MAKER", create=True).add_new(1, "OB", bytes(300_000))
    header = read(objects.encoded(ds, DeflatedExplicitVRLittleEndian))
    assert header.frames[0].spacing == (0.5, 0.5)


@pytest.mark.parametrize("syntax", [ExplicitVRLittleEndian, DeflatedExplicitVRLittleEndian])
def test_a_stream_that_gives_a_byte_at_a_time_is_read(
    syntax: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Dribble(BytesIO):
        def read(self, _size: int | None = -1) -> bytes:
            return super().read(1)

    source = Source.of_bytes("thing", objects.encoded(objects.mr(), syntax))
    whole = read_header(source)
    monkeypatch.setattr(Source, "open", lambda source: Dribble(source.content))
    assert read_header(source) == whole


def test_a_deflated_data_set_is_read_to_its_end_for_what_it_lacks() -> None:
    ds = objects.mr(PixelSpacing=None, PixelData=None)
    refusal = objects.refusal(objects.encoded(ds, DeflatedExplicitVRLittleEndian))
    assert refusal.reason == "the image has no pixel size"
