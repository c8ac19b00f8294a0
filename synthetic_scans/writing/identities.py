"""Identities that do not exist, planted in DICOM headers so that their removal can be tested.

They are put where real ones are found: in patient, staff and institution attributes, in free
text, in nested sequences and in private elements, as text and as bytes (DICOM PS3.15 Annex E,
table E.1-1, lists the attributes of the basic profile).
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from datetime import date
from typing import TYPE_CHECKING, Literal

from pydicom.dataset import Dataset
from pydicom.sequence import Sequence

if TYPE_CHECKING:
    from collections.abc import Iterator

    import numpy as np
    from pydicom.dataelem import DataElement

Sex = Literal["F", "M", "O"]

PRIVATE_GROUP = 0x0029
PRIVATE_CREATOR = "SYNTHETIC PLANT"

_FAMILY = ("Fakenham", "Nobodyson", "Imaginari", "Planterfield", "Unpersonne", "Fictitia")
_GIVEN = ("Zzelda", "Qwertin", "Xanthippo", "Blankford", "Testabel", "Dummius")
_TOWN = ("Nowhereby", "Atlantisford", "Erewhon-on-Sea", "Fabricated Wells")
_MIN_SECRET = 4

_LONG = 64
_SHORT = {"accession_number": 16, "station_name": 16, "telephone": 16}
"""Longest text of the value representations LO and PN, and of SH (PS3.5 table 6.2-1)."""


@dataclass(frozen=True, slots=True)
class Identity:
    """One invented person and the invented hospital that saw them.

    Attributes
    ----------
    patient_name, other_name, mother_birth_name
        Names in DICOM form, ``Family^Given``.
    patient_id, other_id
        Hospital and insurance numbers.
    birth_date
        Day of birth.
    sex
        Sex by DICOM code.
    address, telephone
        Where the person lives and is called.
    institution, institution_address, department
        The hospital.
    referring_physician, performing_physician, operator
        Staff.
    accession_number, station_name, device_serial
        The order and the machine.
    """

    patient_name: str
    other_name: str
    mother_birth_name: str
    patient_id: str
    other_id: str
    birth_date: date
    sex: Sex
    address: str
    telephone: str
    institution: str
    institution_address: str
    department: str
    referring_physician: str
    performing_physician: str
    operator: str
    accession_number: str
    station_name: str
    device_serial: str

    def __post_init__(self) -> None:
        faults = [
            f"{name} must have at most {_SHORT.get(name, _LONG)} characters, found {text!r}"
            for name, text in self.secrets().items()
            if len(text) > _SHORT.get(name, _LONG)
        ]
        if faults:
            raise ValueError("identity: " + "; ".join(faults))

    def secrets(self) -> dict[str, str]:
        """Return every text that must not survive de-identification, by attribute name.

        The sex is not among them: PS3.15 lets a study keep it.
        """
        texts = {f.name: getattr(self, f.name) for f in fields(self) if f.name != "sex"}
        texts["birth_date"] = self.birth_date.strftime("%Y%m%d")
        return texts


def invent(rng: np.random.Generator) -> Identity:
    """Return an identity that is plainly invented, different for every draw.

    Parameters
    ----------
    rng
        Source of the draw.

    Returns
    -------
    Identity
        Every text carries a number of its own, so that a trace of it cannot be a coincidence.
    """
    town = _TOWN[rng.integers(len(_TOWN))]

    def person(role: str) -> str:
        family, given = _FAMILY[rng.integers(len(_FAMILY))], _GIVEN[rng.integers(len(_GIVEN))]
        return f"{family}{role}{rng.integers(1000, 10000)}^{given}"

    def coded(prefix: str) -> str:
        return f"{prefix}{rng.integers(1_000_000, 10_000_000)}"

    return Identity(
        patient_name=person("Patient"),
        other_name=person("Alias"),
        mother_birth_name=person("Mother"),
        patient_id=coded("FAKE-"),
        other_id=coded("INS-"),
        birth_date=date.fromordinal(date(1941, 1, 1).toordinal() + int(rng.integers(15000))),
        sex=("F", "M")[int(rng.integers(2))],
        address=f"{rng.integers(100, 1000)} Invented Lane, {town}",
        telephone=coded("+00 555 "),
        institution=f"No Such Hospital {rng.integers(100, 1000)} of {town}",
        institution_address=f"{rng.integers(100, 1000)} Mirage Street, {town}",
        department=f"Imaginary Radiology {rng.integers(100, 1000)}",
        referring_physician=person("Referrer"),
        performing_physician=person("Performer"),
        operator=person("Operator"),
        accession_number=coded("ACC"),
        station_name=coded("STATION"),
        device_serial=coded("SERIAL"),
    )


def plant(dataset: Dataset, identity: Identity) -> None:
    """Write an identity into a dataset, openly and in hidden places.

    Parameters
    ----------
    dataset
        Changed in place; its study date must be set.  Stays valid as a composite image object.
    identity
        What to plant.
    """
    _plant_patient(dataset, identity)
    _plant_visit(dataset, identity)
    _plant_request(dataset, identity)
    _plant_history(dataset, identity)
    _plant_private(dataset, identity)


def traces(dataset: Dataset, identity: Identity) -> list[str]:
    """Return where an identity can still be read in a dataset.

    Parameters
    ----------
    dataset
        Any dataset, file meta information not included.
    identity
        What was planted.

    Returns
    -------
    list of str
        ``path of the element: name of the secret``, nested and private elements included; a
        personal name counts by its family name.  Empty when nothing is left.
    """
    needles = {name: text.split("^", maxsplit=1)[0] for name, text in identity.secrets().items()}
    return [
        f"{path}: {name}"
        for path, value in _texts(dataset, "")
        for name, needle in needles.items()
        if len(needle) >= _MIN_SECRET and needle.casefold() in value
    ]


def _texts(dataset: Dataset, prefix: str) -> Iterator[tuple[str, str]]:
    """Yield the path and casefolded text of every element but pixels, items included."""
    for element in dataset:
        path = f"{prefix}{element.tag}"
        if element.VR == "SQ":
            for number, item in enumerate(element.value):
                yield from _texts(item, f"{path}[{number}].")
        elif element.keyword != "PixelData":
            yield path, _text(element).casefold()


def _text(element: DataElement) -> str:
    value = element.value
    return value.decode("latin-1") if isinstance(value, bytes) else str(value)


def _plant_patient(dataset: Dataset, who: Identity) -> None:
    dataset.PatientName = who.patient_name
    dataset.PatientID = who.patient_id
    dataset.PatientBirthDate = who.birth_date.strftime("%Y%m%d")
    dataset.PatientSex = who.sex
    dataset.OtherPatientNames = who.other_name
    dataset.PatientMotherBirthName = who.mother_birth_name
    dataset.PatientAddress = who.address
    dataset.PatientTelephoneNumbers = who.telephone
    dataset.PatientComments = f"Known here as {who.other_name}, call {who.telephone}"
    other = Dataset()
    other.PatientID = who.other_id
    other.TypeOfPatientID = "TEXT"
    dataset.OtherPatientIDsSequence = Sequence([other])


def _plant_visit(dataset: Dataset, who: Identity) -> None:
    dataset.AccessionNumber = who.accession_number
    dataset.InstitutionName = who.institution
    dataset.InstitutionAddress = who.institution_address
    dataset.InstitutionalDepartmentName = who.department
    dataset.ReferringPhysicianName = who.referring_physician
    dataset.PerformingPhysicianName = who.performing_physician
    dataset.OperatorsName = who.operator
    dataset.StationName = who.station_name
    dataset.DeviceSerialNumber = who.device_serial
    dataset.ImageComments = f"Images of {who.patient_name} for {who.referring_physician}"


def _plant_request(dataset: Dataset, who: Identity) -> None:
    """Hide the patient, staff and order two sequences deep, as worklist software does."""
    reason = Dataset()
    reason.CodeValue = "RC001"
    reason.CodingSchemeDesignator = "99SYNTH"
    reason.CodeMeaning = f"Check repair of {who.patient_name}"[:64]
    request = Dataset()
    request.AccessionNumber = who.accession_number
    request.RequestedProcedureID = "RP1"
    request.RequestedProcedureDescription = f"MR shoulder {who.other_id}"
    request.ScheduledProcedureStepDescription = f"Shoulder of {who.patient_id}"
    request.ScheduledProcedureStepID = "SPS1"
    request.ReasonForRequestedProcedureCodeSequence = Sequence([reason])
    dataset.RequestAttributesSequence = Sequence([request])


def _plant_history(dataset: Dataset, who: Identity) -> None:
    """Hide the alias among the values an archive says it corrected (PS3.3 C.12.1)."""
    before = Dataset()
    before.PatientName = who.other_name
    before.PatientID = who.other_id
    change = Dataset()
    change.SourceOfPreviousValues = who.institution
    change.AttributeModificationDateTime = f"{dataset.StudyDate}235900"
    change.ModifyingSystem = who.station_name
    change.ReasonForTheAttributeModification = "CORRECT"
    change.ModifiedAttributesSequence = Sequence([before])
    dataset.OriginalAttributesSequence = Sequence([change])


def _plant_private(dataset: Dataset, who: Identity) -> None:
    """Hide the patient in private text, private bytes and a private sequence."""
    block = dataset.private_block(PRIVATE_GROUP, PRIVATE_CREATOR, create=True)
    block.add_new(0x01, "LO", who.patient_name)
    block.add_new(0x02, "OB", f"operator={who.operator};id={who.patient_id};".encode().ljust(96))
    inner = Dataset()
    inner_block = inner.private_block(PRIVATE_GROUP, PRIVATE_CREATOR, create=True)
    inner_block.add_new(0x10, "PN", who.mother_birth_name)
    inner_block.add_new(0x11, "ST", f"{who.address}; {who.telephone}")
    block.add_new(0x03, "SQ", Sequence([inner]))
