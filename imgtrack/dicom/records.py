"""What is kept of a header: identity apart, the series, and every image with its geometry."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import date, datetime

    from imgtrack.dicom.sources import Source
    from imgtrack.domain.imaging import Modality
    from imgtrack.measure.points import Vector


class Part(StrEnum):
    """What the pixels of an MR image show."""

    MAGNITUDE = "magnitude"
    PHASE = "phase"
    REAL = "real"
    IMAGINARY = "imaginary"
    WATER = "water"
    FAT = "fat"
    IN_PHASE = "in phase"
    OPPOSED_PHASE = "opposed phase"
    FAT_FRACTION = "fat fraction"
    OTHER = "other"


@dataclass(frozen=True, slots=True)
class Claim:
    """Who a header says the patient is; never leaves intake except into the key file.

    Attributes
    ----------
    patient_id, issuer
        Patient ID and who issued it; empty when absent.
    name
        Patient's Name, components parted by ``^`` and empty ones at the end left out.
    birth_date
        ``None`` when absent or not a date.
    sex
        ``M``, ``F``, ``O`` or empty.
    accession_number
        Number of the order.
    """

    patient_id: str = ""
    issuer: str = ""
    name: str = ""
    birth_date: date | None = None
    sex: str = ""
    accession_number: str = ""


@dataclass(frozen=True, slots=True)
class Frame:
    """One image: a classic object, or one frame of a multi-frame object.

    Attributes
    ----------
    source
        Where its bytes are.
    sop_instance_uid
        Object it belongs to.
    number
        Number of the frame, from 1; always 1 in a classic object.
    rows, columns
        Size of the image.
    position
        Image Position (Patient): centre of the first pixel, patient LPS mm; ``None`` in a
        radiograph.
    row, column
        Unit directions of growing column and row index, patient LPS; ``None`` in a radiograph.
    spacing
        Millimetres between rows and between columns; ``None`` when not stated.
    thickness_mm, stated_spacing_mm, stated_location_mm
        Slice Thickness; Spacing Between Slices and Slice Location, which are only compared with
        the positions and never used.
    part
        What the pixels show.
    echo_number, temporal_position, acquisition_number, instance_number
        Counters as stated; ``None`` when absent.
    echo_time_ms, repetition_time_ms, inversion_time_ms, flip_deg, trigger_time_ms, b_value
        Physics as stated; ``None`` when absent.
    acquired_at
        Date and time of the acquisition; ``None`` when not stated.
    rescale
        Slope and intercept from stored to real values.
    laterality
        Frame Laterality or Image Laterality as stated: ``L``, ``R``, ``B``, ``U`` or empty.
    """

    source: Source
    sop_instance_uid: str
    number: int
    rows: int
    columns: int
    position: Vector | None = None
    row: Vector | None = None
    column: Vector | None = None
    spacing: tuple[float, float] | None = None
    thickness_mm: float | None = None
    stated_spacing_mm: float | None = None
    stated_location_mm: float | None = None
    part: Part = Part.MAGNITUDE
    echo_number: int | None = None
    temporal_position: int | None = None
    acquisition_number: int | None = None
    instance_number: int | None = None
    echo_time_ms: float | None = None
    repetition_time_ms: float | None = None
    inversion_time_ms: float | None = None
    flip_deg: float | None = None
    trigger_time_ms: float | None = None
    b_value: float | None = None
    acquired_at: datetime | None = None
    rescale: tuple[float, float] = (1.0, 0.0)
    laterality: str = ""


@dataclass(frozen=True, slots=True)
class Header:
    """What intake needs of one DICOM object.

    Attributes
    ----------
    source
        Where it was read from.
    sop_class_uid, sop_instance_uid, study_uid, series_uid, frame_of_reference_uid
        As stated; the last is empty when absent (radiographs).
    transfer_syntax_uid
        How the data set is encoded, as stated or, without meta header, as found.
    claim
        Identity, kept apart.
    modality
        Kind of imaging, from the SOP class.
    study_date, series_date, acquisition_date
        ``None`` when absent or not a date.
    study_description, series_description, protocol_name, sequence_name
        Texts, hints only.
    series_number
        ``None`` when absent.
    manufacturer, body_part, patient_position, view_position
        As stated; empty when absent.
    laterality, region_modifier
        Laterality (0020,0060), and ``L`` or ``R`` from the modifier of the anatomic region.
    image_type, sequence_variant
        Values as stated.
    scanning_sequence
        Among ``SE``, ``GR``, ``IR``, ``EP`` and ``RM``; an Enhanced object's own attributes are
        told in these words.
    scan_options
        Values as stated; ``None`` when the attribute is absent.
    spectral_suppression, spectral_excitation
        What is suppressed (``FAT``, ``WATER``, ``FAT_AND_WATER``, ``SILICON_GEL``, ``NONE``) and
        excited selectively (``WATER``, ``FAT``, ``NONE``) in an Enhanced object; empty elsewhere.
    acquisition_contrast
        Acquisition Contrast of an Enhanced object; empty when absent or unknown.
    field_tesla, echo_train_length
        ``None`` when absent.
    burned_in
        Burned In Annotation: ``YES``, ``NO`` or empty.
    frames
        Its images in stored order.
    notes
        What was odd and mended on the way, in plain words.
    """

    source: Source
    sop_class_uid: str
    sop_instance_uid: str
    study_uid: str
    series_uid: str
    frame_of_reference_uid: str
    transfer_syntax_uid: str
    claim: Claim
    modality: Modality
    frames: tuple[Frame, ...]
    study_date: date | None = None
    series_date: date | None = None
    acquisition_date: date | None = None
    study_description: str = ""
    series_description: str = ""
    protocol_name: str = ""
    sequence_name: str = ""
    series_number: int | None = None
    manufacturer: str = ""
    body_part: str = ""
    patient_position: str = ""
    view_position: str = ""
    laterality: str = ""
    region_modifier: str = ""
    image_type: tuple[str, ...] = ()
    scanning_sequence: tuple[str, ...] = ()
    sequence_variant: tuple[str, ...] = ()
    scan_options: tuple[str, ...] | None = None
    spectral_suppression: str = ""
    spectral_excitation: str = ""
    acquisition_contrast: str = ""
    field_tesla: float | None = None
    echo_train_length: int | None = None
    burned_in: str = ""
    notes: tuple[str, ...] = ()
