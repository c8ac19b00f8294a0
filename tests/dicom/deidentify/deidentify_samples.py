"""Small images of every kind a study takes in, and tokens to plant in them."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import dataclass, field
from datetime import date, timedelta
from io import BytesIO
from pathlib import Path
from typing import Any

from pydicom import config, dcmread, dcmwrite, uid
from pydicom.datadict import dictionary_VR, tag_for_keyword
from pydicom.dataelem import DataElement
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.sequence import Sequence

from imgtrack.dicom.deidentify import Deidentifier, TrialLabels, encode
from imgtrack.dicom.deidentify.kinds import Kind

SECRET = bytes(range(32))
TRIAL = TrialLabels("CUFF-1", site="A")
SOP_CLASS = {
    Kind.MR: uid.MRImageStorage,
    Kind.ENHANCED_MR: uid.EnhancedMRImageStorage,
    Kind.CR: uid.ComputedRadiographyImageStorage,
    Kind.DX: uid.DigitalXRayImageStorageForPresentation,
    Kind.SECONDARY_CAPTURE: uid.SecondaryCaptureImageStorage,
}
TEXT_VRS = frozenset({"AE", "LO", "LT", "PN", "SH", "ST", "UC", "UR", "UT"})
BYTE_VRS = frozenset({"OB", "OB or OW", "OD", "OF", "OL", "OV", "OW", "UN"})


def deidentifier(**changes: Any) -> Deidentifier:
    return Deidentifier(**({"secret": SECRET, "subject": "S014", "trial": TRIAL} | changes))


def image(kind: Kind = Kind.MR, **attributes: Any) -> Dataset:
    """An image of 6 x 4 pixels with what the de-identifier looks at, then the attributes."""
    dataset = Dataset()
    dataset.SOPClassUID = SOP_CLASS[kind]
    dataset.SOPInstanceUID, dataset.StudyInstanceUID = "1.2.3.1", "1.2.3.2"
    dataset.SeriesInstanceUID, dataset.FrameOfReferenceUID = "1.2.3.3", "1.2.3.4"
    dataset.Modality = "MR"
    dataset.StudyDate, dataset.StudyTime = "20240305", "101112"
    dataset.Rows, dataset.Columns, dataset.SamplesPerPixel = 6, 4, 1
    dataset.PhotometricInterpretation = "MONOCHROME2"
    dataset.BitsAllocated, dataset.BitsStored, dataset.HighBit = 16, 12, 11
    dataset.PixelRepresentation = 0
    dataset.BurnedInAnnotation = "NO"
    dataset.PixelData = bytes(range(48))
    for keyword, value in attributes.items():
        setattr(dataset, keyword, value)
    return with_meta(dataset)


def with_meta(dataset: Dataset, syntax: str = uid.ExplicitVRLittleEndian) -> Dataset:
    dataset.file_meta = FileMetaDataset()
    dataset.file_meta.TransferSyntaxUID = uid.UID(syntax)
    return dataset


def to_bytes(dataset: Dataset) -> bytes:
    buffer = BytesIO()
    dcmwrite(buffer, dataset, enforce_file_format=True)
    return buffer.getvalue()


def from_bytes(data: bytes) -> Dataset:
    return dcmread(BytesIO(data))


def clean(dataset: Dataset, **how: Any) -> Dataset:
    """The cleaned image, written and read back; fails on a refusal."""
    result = deidentifier().clean(dataset, **how)
    assert isinstance(result, Dataset), result
    return from_bytes(encode(result))


def validator_errors(data: bytes, folder: Path) -> set[str]:
    """Errors by dciodvfy (dicom3tools), an independent validator of the standard."""
    path = folder / "image.dcm"
    path.write_bytes(data)
    program = Path(sys.executable).parent / "dciodvfy"
    command = [program, "-new", path]
    done = subprocess.run(command, capture_output=True, check=False)
    lines = (done.stdout + done.stderr).decode("latin-1").splitlines()
    assert any(line.split()[0].endswith(("Image", "Presentation")) for line in lines if line), lines
    return {line for line in lines if line.startswith("Error")}


@dataclass
class Plants:
    """Tokens that were planted, each once; their beginnings tell them from all else."""

    text: str = "ZQTOK"
    root: str = "1.2.826.0.1.3680043.8.999."
    first_day: date = date(1931, 1, 1)
    number: int = 0
    days: list[str] = field(default_factory=list)

    def value(self, vr: str) -> Any:
        """A new token of a value representation; None where it can hold none."""
        self.number += 1
        token = f"{self.text}{self.number:05d}"
        if vr in TEXT_VRS | {"CS"}:
            return f"{token}^{token}" if vr == "PN" else token
        if vr == "UI":
            return f"{self.root}{self.number}"
        if vr in {"DA", "DT"}:
            day = f"{self.first_day + timedelta(self.number):%Y%m%d}"
            self.days.append(day)
            return day if vr == "DA" else f"{day}101112"
        if vr in BYTE_VRS:
            return token.encode().ljust(16)
        return None

    def survivors(self, data: bytes) -> list[str]:
        """Tokens that can be read in bytes."""
        found = [token for token in (self.text, self.root) if token.encode() in data]
        return found + [day for day in self.days if day.encode() in data]


def plant(dataset: Dataset, tag: int, vr: str, plants: Plants) -> None:
    """Plant a token in one attribute, or in an item if it is a sequence."""
    value = plants.value(vr)
    if vr == "SQ":
        item = Dataset()
        for keyword in ("PatientName", "CodeMeaning", "ReferencedSOPInstanceUID", "TextValue"):
            inner = tag_for_keyword(keyword)
            item.add_new(inner, dictionary_VR(inner), plants.value(dictionary_VR(inner)))
        block = item.private_block(0x0029, f"{plants.text} CREATOR", create=True)
        block.add_new(0x10, "LO", plants.value("LO"))
        value = Sequence([item])
    if value is not None:
        vr = "OB" if vr == "OB or OW" else vr
        dataset.add(DataElement(tag, vr, value, validation_mode=config.IGNORE))
