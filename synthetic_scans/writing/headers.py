"""What all objects of one examination share: identity, UIDs, dates, side, equipment.

Every UID is a function of the seed and of names (PS3.5 Annex B.2, a UUID under 2.25; the UUID
is the name-based version 5 of RFC 9562), so that a study is the same on every run.
"""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from typing import TYPE_CHECKING, get_args

from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.filewriter import dcmwrite
from pydicom.sequence import Sequence
from pydicom.uid import UID, ExplicitVRLittleEndian
from pydicom.valuerep import format_number_as_ds

from synthetic_scans.spec import Side
from synthetic_scans.writing.identities import plant

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import date, time
    from pathlib import Path

    from synthetic_scans.writing.identities import Identity

_NAMESPACE = uuid.uuid5(uuid.NAMESPACE_URL, "urn:synthetic-shoulder-scans")

SOFTWARE = "synthetic scans"

SIDE_CODES: dict[Side, tuple[str, str, str]] = {
    "right": ("R", "24028007", "Right"),
    "left": ("L", "7771000", "Left"),
}
"""Laterality (0020,0060) and SNOMED CT code and meaning (PS3.16 CID 244)."""


def uid(*names: object) -> UID:
    """Return the UID that belongs to names, such as a seed, a repair, a timepoint and a kind."""
    text = "\x1f".join(map(str, names))
    return UID(f"2.25.{uuid.uuid5(_NAMESPACE, text).int}")


@dataclass(frozen=True, slots=True)
class StudyHeader:
    """One examination.

    Attributes
    ----------
    seed
        Seed of the whole data set.
    key
        Name of the examination within it, such as ``H07-R/m06``; seed and key give the UIDs.
    side
        Side that was examined.
    day, at
        Date and time of the examination.
    identity
        The invented person and hospital planted in every header.
    description
        Study description.
    study_id
        Study ID of the hospital.
    """

    seed: int
    key: str
    side: Side
    day: date
    at: time
    identity: Identity
    description: str = "MR shoulder"
    study_id: str = "1"

    def __post_init__(self) -> None:
        _check_side(self.side)

    @property
    def study_uid(self) -> UID:
        """Study Instance UID."""
        return self.uid("study")

    @property
    def frame_of_reference_uid(self) -> UID:
        """Frame of Reference UID, one for all series of the study."""
        return self.uid("frame of reference")

    def uid(self, *names: object) -> UID:
        """Return a UID of this study."""
        return uid(self.seed, self.key, *names)


@dataclass(frozen=True, slots=True)
class SeriesHeader:
    """One series, and the label errors it carries.

    Attributes
    ----------
    number
        Series number within the study; gives the series UID.
    description
        Series description; None states plane and contrast as they are.  A wrong plane label is
        made by giving another one.
    labelled_side
        Side stated in the header; None states the examined one.  A wrong side label is made by
        giving the other.
    burned_in
        Whether the header admits annotation burned into the pixels; the pixels stay clean.
    """

    number: int
    description: str | None = None
    labelled_side: Side | None = None
    burned_in: bool = False

    def __post_init__(self) -> None:
        if self.labelled_side is not None:
            _check_side(self.labelled_side)
        if self.number < 1:
            raise ValueError(f"series number must be at least 1, found {self.number}")


@dataclass(frozen=True, slots=True)
class Written:
    """What was written to disk for one series.

    Attributes
    ----------
    series_uid
        Series Instance UID.
    sop_uids
        SOP Instance UIDs in the order of the slices; one for a multi-frame object.
    paths
        Files in the same order.
    """

    series_uid: str
    sop_uids: tuple[str, ...]
    paths: tuple[Path, ...]


def decimal(value: float) -> str:
    """Return a number as a DICOM decimal string of at most 16 characters."""
    return format_number_as_ds(value)


def decimals(values: Iterable[float]) -> list[str]:
    """Return numbers as DICOM decimal strings."""
    return [decimal(float(value)) for value in values]


def code(value: str, scheme: str, meaning: str) -> Dataset:
    """Return one coded concept (PS3.3 section 8.8)."""
    item = Dataset()
    item.CodeValue = value
    item.CodingSchemeDesignator = scheme
    item.CodeMeaning = meaning
    return item


def shoulder(side: Side) -> Dataset:
    """Return the code of the shoulder region, with its side as modifier."""
    region = code("16982005", "SCT", "Shoulder")
    _, value, meaning = SIDE_CODES[side]
    region.AnatomicRegionModifierSequence = Sequence([code(value, "SCT", meaning)])
    return region


def start(
    sop_class: UID, modality: str, study: StudyHeader, series: SeriesHeader, description: str
) -> Dataset:
    """Return a dataset with the modules that all image objects share.

    Parameters
    ----------
    sop_class
        SOP Class UID.
    modality
        Modality code.
    study, series
        Headers.
    description
        Series description stated when `series` gives none.

    Returns
    -------
    pydicom.Dataset
        Patient, study, series and equipment, with the identity planted.
    """
    dataset = Dataset()
    dataset.SpecificCharacterSet = "ISO_IR 192"
    dataset.SOPClassUID = sop_class
    dataset.Modality = modality
    _add_study(dataset, study)
    dataset.SeriesInstanceUID = study.uid(modality, series.number)
    dataset.SeriesNumber = series.number
    dataset.SeriesDescription = series.description or description
    dataset.Manufacturer = "Phantom Works"
    dataset.ManufacturerModelName = "Analytic Shoulder"
    dataset.SoftwareVersions = SOFTWARE
    dataset.BodyPartExamined = "SHOULDER"
    dataset.BurnedInAnnotation = "YES" if series.burned_in else "NO"
    plant(dataset, study.identity)
    return dataset


def stated_side(study: StudyHeader, series: SeriesHeader) -> Side:
    """Return the side the header states, right or wrong."""
    return series.labelled_side or study.side


def save(dataset: Dataset, path: Path) -> None:
    """Write a dataset as a DICOM file, explicit VR little endian.

    Parameters
    ----------
    dataset
        With SOP class and instance UID set.
    path
        File to write; its folder must exist.
    """
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = dataset.SOPClassUID
    meta.MediaStorageSOPInstanceUID = dataset.SOPInstanceUID
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    meta.ImplementationClassUID = uid("implementation")
    meta.ImplementationVersionName = "SYNTHETIC_1"
    dataset.file_meta = meta
    dcmwrite(path, dataset, enforce_file_format=True)


def _add_study(dataset: Dataset, study: StudyHeader) -> None:
    day, at = study.day.strftime("%Y%m%d"), study.at.strftime("%H%M%S")
    dataset.StudyInstanceUID = study.study_uid
    dataset.StudyID = study.study_id
    dataset.StudyDescription = study.description
    for stage in ("Study", "Series", "Content"):
        setattr(dataset, f"{stage}Date", day)
        setattr(dataset, f"{stage}Time", at)
    born = study.identity.birth_date
    years = study.day.year - born.year - ((study.day.month, study.day.day) < (born.month, born.day))
    dataset.PatientAge = f"{years:03d}Y"


def _check_side(side: str) -> None:
    if side not in get_args(Side):
        raise ValueError(f"side must be one of {get_args(Side)}, found {side!r}")
