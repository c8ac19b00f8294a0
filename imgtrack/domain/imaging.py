"""Scans: one imaging study of one repair, and how far its reading has come."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from enum import StrEnum


class Modality(StrEnum):
    """Kind of imaging, by its DICOM code."""

    MR = "MR"
    COMPUTED_RADIOGRAPHY = "CR"
    DIGITAL_RADIOGRAPHY = "DX"
    ULTRASOUND = "US"


class Stage(StrEnum):
    """How far the reading of a scan has come, in the words of the follow-up board."""

    SCAN_IN = "scan in"
    BEING_READ = "being read"
    READERS_DIFFER = "readers differ"
    FINAL = "final"


@dataclass(frozen=True, slots=True)
class Scan:
    """One imaging study of one repair.

    Attributes
    ----------
    uid
        Study Instance UID after de-identification; a radiograph has its modality added to it
        (``2.25.1-DX``), since one study may hold it together with MR.
    repair
        Code of the repair it shows.
    timepoint
        Name of the timepoint it answers; empty when it lies outside every window (unscheduled)
        or waits for a person to place it.
    acquired_on
        Day of the examination.
    modality
        Kind of imaging.
    stage
        How far its reading has come.
    """

    uid: str
    repair: str
    timepoint: str
    acquired_on: date
    modality: Modality
    stage: Stage = Stage.SCAN_IN

    @property
    def key(self) -> str:
        """The study UID."""
        return self.uid

    @property
    def study_uid(self) -> str:
        """Study Instance UID of its images."""
        return study_of(self.uid)


def scan_uid(study_uid: str, modality: Modality) -> str:
    """Return the UID of the scan that the images of one modality of a study make."""
    return study_uid if modality is Modality.MR else f"{study_uid}-{modality.value}"


def study_of(scan: str) -> str:
    """Return the Study Instance UID in the UID of a scan."""
    return scan.partition("-")[0]
