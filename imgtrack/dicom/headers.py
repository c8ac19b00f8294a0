"""Read of each object only what grouping, naming, checking and linking need."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from pydicom.config import IGNORE
from pydicom.uid import (
    UID,
    ComputedRadiographyImageStorage,
    DigitalXRayImageStorageForPresentation,
    DigitalXRayImageStorageForProcessing,
    EnhancedMRImageStorage,
    LegacyConvertedEnhancedMRImageStorage,
    MRImageStorage,
)

from imgtrack.dicom.archives import READ_FAULTS
from imgtrack.dicom.elements import Unreadable
from imgtrack.dicom.enhanced import enhanced_frames, frame_groups, pulse_sequence
from imgtrack.dicom.envelope import unseal
from imgtrack.dicom.frames import classic_frames, radiograph_frames
from imgtrack.dicom.records import Claim, Frame, Header, Part
from imgtrack.dicom.sources import Refusal
from imgtrack.dicom.values import Values
from imgtrack.dicom.vocabulary import NEEDED, VOCABULARY
from imgtrack.domain.imaging import Modality

if TYPE_CHECKING:
    from datetime import date

    from imgtrack.dicom.sources import Source

__all__ = ["Claim", "Frame", "Header", "Part", "read_header"]

DESCRIPTION_END = 0x0028FFFF
"""The last group a classic image is needed of; private data and pixels come after it."""

BEFORE_PIXELS = 0x7FDFFFFF
UID_TEXT = re.compile(r"[0-9.]{1,64}")

LEFT_OR_RIGHT = {"7771000": "L", "24028007": "R", "G-A101": "L", "G-A100": "R"}
"""Codes of CID 244 in SNOMED CT and in the older SNOMED RT style (PS3.16)."""


@dataclass(frozen=True, slots=True)
class Kind:
    """A class of objects that is taken in."""

    modality: Modality
    is_multiframe: bool = False


KINDS = {
    str(MRImageStorage): Kind(Modality.MR),
    str(EnhancedMRImageStorage): Kind(Modality.MR, is_multiframe=True),
    str(LegacyConvertedEnhancedMRImageStorage): Kind(Modality.MR, is_multiframe=True),
    str(ComputedRadiographyImageStorage): Kind(Modality.COMPUTED_RADIOGRAPHY),
    str(DigitalXRayImageStorageForPresentation): Kind(Modality.DIGITAL_RADIOGRAPHY),
    str(DigitalXRayImageStorageForProcessing): Kind(Modality.DIGITAL_RADIOGRAPHY),
}
"""SOP classes that are taken in."""


def read_header(source: Source) -> Header | Refusal:
    """Read one object up to its pixels, or say why it is not taken.

    Parameters
    ----------
    source
        Where its bytes are.

    Returns
    -------
    Header or Refusal
        Never raises for what the bytes hold. Values that cannot be understood count as absent
        and are told in the header's notes; what is needed to place an image is never guessed.
    """
    try:
        with source.open() as stream:
            envelope = unseal(stream.read, VOCABULARY)
            elements = dict(envelope.meta)
            envelope.walk.until(DESCRIPTION_END, elements)
            values = Values(elements, VOCABULARY, envelope.notes)
            kind = _kind(values)
            if kind.is_multiframe or not elements.keys() >= NEEDED[kind.modality]:
                envelope.walk.until(BEFORE_PIXELS, elements)
            if envelope.walk.out_of_order:
                envelope.notes.append("elements are not in the order of their tags")
        return _header(source, kind, values, envelope.transfer_syntax)
    except Unreadable as fault:
        return Refusal(source.label, fault.reason, fault.expected, fault.found)
    except READ_FAULTS as fault:
        return Refusal(source.label, "the file cannot be read", found=str(fault))


def _kind(values: Values) -> Kind:
    uid = values.text("SOPClassUID") or values.text("MediaStorageSOPClassUID")
    kind = KINDS.get(uid)
    if kind is None:
        raise Unreadable(
            "not an image this tool takes",
            "an MR image, classic or Enhanced, or a CR or DX radiograph",
            _name_of_class(uid) + _said_modality(values),
        )
    return kind


def _header(source: Source, kind: Kind, values: Values, transfer_syntax: str) -> Header:
    uid = _uid(values, "SOPInstanceUID", values.text("MediaStorageSOPInstanceUID"))
    if kind.is_multiframe:
        groups = frame_groups(values)
        frames = enhanced_frames(values, groups, source, uid)
        pulse = pulse_sequence(values, groups[0])
    else:
        read = classic_frames if kind.modality is Modality.MR else radiograph_frames
        frames = read(values, source, uid)
        pulse = _classic_pulse(values)
    if values.text("Modality") != kind.modality:
        values.notes.append(f"Modality is not {kind.modality}, which the class of the object is")
    region = values if not kind.is_multiframe else groups[0].of("FrameAnatomySequence")
    return Header(
        source=source,
        sop_class_uid=values.text("SOPClassUID") or values.text("MediaStorageSOPClassUID"),
        sop_instance_uid=uid,
        study_uid=_uid(values, "StudyInstanceUID"),
        series_uid=_uid(values, "SeriesInstanceUID"),
        frame_of_reference_uid=values.text("FrameOfReferenceUID"),
        transfer_syntax_uid=transfer_syntax,
        claim=_claim(values),
        modality=kind.modality,
        frames=frames,
        study_date=values.day("StudyDate"),
        series_date=values.day("SeriesDate"),
        acquisition_date=_acquisition_date(values, frames),
        study_description=values.text("StudyDescription"),
        series_description=values.text("SeriesDescription"),
        protocol_name=values.text("ProtocolName"),
        series_number=values.whole("SeriesNumber"),
        manufacturer=values.text("Manufacturer"),
        body_part=values.text("BodyPartExamined"),
        patient_position=values.text("PatientPosition"),
        view_position=values.text("ViewPosition"),
        laterality=values.text("Laterality"),
        region_modifier=_region_modifier(region),
        image_type=values.texts("ImageType"),
        field_tesla=values.number("MagneticFieldStrength"),
        burned_in=values.text("BurnedInAnnotation"),
        notes=tuple(values.notes),
        **pulse,
    )


def _uid(values: Values, keyword: str, otherwise: str = "") -> str:
    uid = values.text(keyword) or otherwise
    if not UID_TEXT.fullmatch(uid):
        raise Unreadable(f"{keyword} is missing or no UID", "digits and dots", repr(uid[:64]))
    return uid


def _claim(values: Values) -> Claim:
    return Claim(
        patient_id=values.text("PatientID"),
        issuer=values.text("IssuerOfPatientID"),
        name=_without_trailing(values.text("PatientName")),
        birth_date=values.day("PatientBirthDate"),
        sex=values.text("PatientSex"),
        accession_number=values.text("AccessionNumber"),
    )


def _without_trailing(name: str) -> str:
    """Return a person name without empty components at its ends, which PS3.5 lets one omit."""
    groups = [group.rstrip("^ ") for group in name.split("=")]
    return "=".join(groups).rstrip("=")


def _classic_pulse(values: Values) -> dict[str, Any]:
    return {
        "scanning_sequence": values.texts("ScanningSequence"),
        "sequence_variant": values.texts("SequenceVariant"),
        "sequence_name": values.text("SequenceName"),
        "scan_options": values.texts("ScanOptions") if "ScanOptions" in values else None,
        "echo_train_length": values.whole("EchoTrainLength"),
    }


def _acquisition_date(values: Values, frames: tuple[Frame, ...]) -> date | None:
    stated = values.day("AcquisitionDate") or values.day("AcquisitionDateTime")
    moments = [frame.acquired_at for frame in frames if frame.acquired_at is not None]
    return stated or (min(moments).date() if moments else None)


def _region_modifier(values: Values) -> str:
    """Return the side that the coded anatomic region states, ``L``, ``R`` or nothing."""
    region = values.item("AnatomicRegionSequence")
    modifiers = region.items("AnatomicRegionModifierSequence") if region is not None else ()
    sides = {LEFT_OR_RIGHT.get(modifier.text("CodeValue"), "") for modifier in modifiers} - {""}
    return sides.pop() if len(sides) == 1 else ""


def _name_of_class(uid: str) -> str:
    if not UID_TEXT.fullmatch(uid):
        return "no SOP class"
    return UID(uid, validation_mode=IGNORE).name


def _said_modality(values: Values) -> str:
    stated = values.text("Modality")
    return f" (modality {stated})" if stated else ""
