"""What is written into a de-identified image: whose it is, of which trial, and by what method."""

from __future__ import annotations

import re
from dataclasses import dataclass, fields
from types import MappingProxyType
from typing import TYPE_CHECKING

from pydicom.dataset import Dataset
from pydicom.sequence import Sequence

from imgtrack.dicom.deidentify.profile import profile
from imgtrack.domain.errors import Fault, InvalidInput

if TYPE_CHECKING:
    from collections.abc import Mapping

METHODS: Mapping[str, str] = MappingProxyType(
    {
        "113100": "Basic Application Confidentiality Profile",
        "113105": "Clean Descriptors Option",
        "113107": "Retain Longitudinal Temporal Information Modified Dates Option",
        "113108": "Retain Patient Characteristics Option",
    }
)
"""Codes of PS3.16 CID 7050 for what is always done."""

SAFE_PRIVATE_METHOD = ("113111", "Retain Safe Private Option")

_PLAIN = re.compile(r"[ -~]{0,64}")
_FORBIDDEN = frozenset("\\^=")


@dataclass(frozen=True, slots=True)
class TrialLabels:
    r"""What an image says of the study it was made for (PS3.3 sections C.7.1.3 and C.7.2.3).

    Attributes
    ----------
    protocol
        Code of the protocol.
    sponsor
        Who runs the study; the standard demands one.
    protocol_name, site, site_name
        Empty when there is nothing to say.
    timepoint, timepoint_description
        Name of the timepoint and what it means; empty while the scan waits to be placed.

    Raises
    ------
    InvalidInput
        If a text is not plain ASCII of at most 64 characters, or has ``\``, ``^`` or ``=``.
    """

    protocol: str
    sponsor: str = "not stated"
    protocol_name: str = ""
    site: str = ""
    site_name: str = ""
    timepoint: str = ""
    timepoint_description: str = ""

    def __post_init__(self) -> None:
        needed = {"protocol", "sponsor"}
        faults = [
            fault
            for each in fields(self)
            for fault in label_faults(
                each.name, getattr(self, each.name), needed=each.name in needed
            )
        ]
        if faults:
            raise InvalidInput(faults)


def label_faults(what: str, text: str, *, needed: bool) -> list[Fault]:
    """Return what is wrong with a text that is to be written into headers."""
    faults = []
    if needed and not text.strip():
        faults.append(Fault(f"{what} is empty", expected="a text"))
    if not _PLAIN.fullmatch(text) or set(text) & _FORBIDDEN:
        expected = "at most 64 plain ASCII characters, none of \\ ^ ="
        faults.append(Fault(f"{what} cannot be written into a header", "", expected, repr(text)))
    return faults


def write_labels(dataset: Dataset, subject: str, trial: TrialLabels, *, safe_private: bool) -> None:
    """Write subject, trial and method into a data set, in place.

    Parameters
    ----------
    dataset
        Cleaned data set.
    subject
        Subject code, written as Patient's Name, Patient ID and Clinical Trial Subject ID.
    trial
        What else it says of the study.
    safe_private
        Whether private attributes declared to be safe were kept.
    """
    dataset.PatientName = dataset.PatientID = dataset.ClinicalTrialSubjectID = subject
    dataset.ClinicalTrialSponsorName = trial.sponsor
    dataset.ClinicalTrialProtocolID = trial.protocol
    dataset.ClinicalTrialProtocolName = trial.protocol_name
    dataset.ClinicalTrialSiteID = trial.site
    dataset.ClinicalTrialSiteName = trial.site_name
    dataset.ClinicalTrialTimePointID = trial.timepoint
    if trial.timepoint_description:
        dataset.ClinicalTrialTimePointDescription = trial.timepoint_description
    dataset.PatientIdentityRemoved = "YES"
    dataset.LongitudinalTemporalInformationModified = "MODIFIED"
    dataset.DeidentificationMethod = _method()
    codes = dict(METHODS) | (dict([SAFE_PRIVATE_METHOD]) if safe_private else {})
    dataset.DeidentificationMethodCodeSequence = Sequence(
        [_code(value, meaning) for value, meaning in codes.items()]
    )


def _method() -> list[str]:
    return [
        f"imgtrack, {profile().edition} Table E.1-1",
        "dates moved by one number of days per subject, times kept",
        "of characteristics only sex, age, height and weight kept",
        "texts rebuilt from a list of known words",
    ]


def _code(value: str, meaning: str) -> Dataset:
    item = Dataset()
    item.CodeValue, item.CodingSchemeDesignator, item.CodeMeaning = value, "DCM", meaning
    return item
