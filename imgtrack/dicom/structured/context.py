"""What a reading must be written together with: its images, its questions, its shoulder."""

from __future__ import annotations

import hashlib
import warnings
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, timedelta
from typing import TYPE_CHECKING
from uuid import UUID

from pydicom import dcmread
from pydicom.dataset import Dataset

from imgtrack.dicom.structured.findings import Finding, Image, findings_of
from imgtrack.domain.errors import Fault

if TYPE_CHECKING:
    from datetime import datetime
    from pathlib import Path

    from imgtrack.dicom.sources import Source
    from imgtrack.domain.form import Form
    from imgtrack.domain.reading import Reading
    from imgtrack.domain.subjects import Side
    from imgtrack.measure.plane import PlaneGeometry

LAYOUT = "1"
"""Raised when the same reading is written otherwise, so that its files get other UIDs."""

_VERSION_8, _VARIANT = 0x8 << 76, 0b10 << 62
_FREE = ~(0xF << 76 | 0b11 << 62)


@dataclass(frozen=True, slots=True)
class Place:
    """Where an image lies.

    Attributes
    ----------
    plane
        In patient LPS mm; ``None`` for a radiograph.
    spacing
        Millimetres between rows and between columns; ``None`` when not stated.
    """

    plane: PlaneGeometry | None
    spacing: tuple[float, float] | None


@dataclass(frozen=True, slots=True, eq=False)
class Context:
    """What is needed to write the readings of one scan.

    Attributes
    ----------
    form
        What was asked.
    side
        The shoulder that was read.
    stored
        Headers of all de-identified images of the scan, by SOP Instance UID.
    places
        Geometry of the images that were measured on.
    moved
        By how much the dates of the de-identified images were moved; dates of the reading are
        moved with them, so that neither tells the true day of the scan.
    software
        Version of the program that writes.
    with_notes
        Whether free texts are written: nobody has looked for names or dates in them.
    """

    form: Form
    side: Side
    stored: Mapping[str, Dataset]
    places: Mapping[Image, Place]
    moved: timedelta
    software: str
    with_notes: bool = False

    def moved_moment(self, moment: datetime) -> datetime:
        """Return a moment of the reading, whole seconds of UTC, moved as the images' dates are."""
        return moment.astimezone(UTC).replace(microsecond=0, tzinfo=None) + self.moved

    def uid(self, what: str, reading: str) -> str:
        """Return a UID that is the same whenever the same thing of a reading is written.

        A UUID of version 8 (RFC 9562 section 5.8) under ``2.25`` (PS3.5 section B.2).
        """
        notes = "with notes" if self.with_notes else "without"
        study = min(str(image.StudyInstanceUID) for image in self.stored.values())
        parts = ("imgtrack", LAYOUT, self.software, notes, study, reading, what)
        digest = hashlib.sha256("\0".join(parts).encode()).digest()
        number = int.from_bytes(digest[:16], "big") & _FREE | _VERSION_8 | _VARIANT
        return f"2.25.{UUID(int=number).int}"


NEEDED = (
    *("PatientName", "PatientID", "PatientBirthDate", "PatientSex", "AccessionNumber", "StudyID"),
    *("StudyDate", "StudyTime", "ReferringPhysicianName"),
)
"""What a report takes over from its images, empty where they do not say (type 2)."""


def stored_header(source: Source) -> Dataset:
    """Return everything but the pixels of a de-identified image, with all that is `NEEDED`."""
    with source.open() as stream:
        found = dcmread(stream, stop_before_pixels=True)
    for keyword in NEEDED:
        if keyword not in found:
            setattr(found, keyword, "")
    return found


def faults_of(reading: Reading, context: Context) -> list[Fault]:
    """Return why a reading cannot be written: what its images lack.

    Returns
    -------
    list of Fault
        One for each image that is not among those stored, whose place is not known, or which
        has no frame of reference to give points in.
    """
    faults = []
    for finding in findings_of(reading.answers):
        for image in finding.images:
            what = _lacks(image, finding, context)
            if what:
                faults.append(Fault(what, f"{reading.key}, {finding.name}", found=image[0]))
    return faults


def _lacks(image: Image, finding: Finding, context: Context) -> str:
    stored, place = context.stored.get(image[0]), context.places.get(image)
    if stored is None:
        return "an image it was measured on is not here any more"
    if not finding.points:
        return ""
    if place is None:
        return "it does not say where an image lies that it was measured on"
    if place.plane is None:
        return "" if place.spacing is not None else "the radiograph does not say its spacing"
    return "" if stored.get("FrameOfReferenceUID") else "the image has no frame of reference"


@contextmanager
def codes_as_names() -> Iterator[None]:
    """Let the report writer take codes of people, without a warning that they are no names."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", "The string .* is unlikely to represent", UserWarning)
        yield


def save(dataset: Dataset, path: Path) -> None:
    """Write a DICOM file whole: under a passing name, then renamed.

    Raises
    ------
    OSError
        When the folder cannot be written.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(path.name + ".part")
    dataset.save_as(part, enforce_file_format=True)
    part.replace(path)
