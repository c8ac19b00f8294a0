"""De-identification of images (DICOM PS3.15 Annex E)."""

from imgtrack.dicom.deidentify.dates import date_shift
from imgtrack.dicom.deidentify.deidentifier import Deidentifier, encode
from imgtrack.dicom.deidentify.labels import TrialLabels
from imgtrack.dicom.deidentify.private import SafePrivate
from imgtrack.dicom.deidentify.uids import KeyedUids, RememberingUids, UidMap

__all__ = [
    "Deidentifier",
    "KeyedUids",
    "RememberingUids",
    "SafePrivate",
    "TrialLabels",
    "UidMap",
    "date_shift",
    "encode",
]
