"""Signed readings as DICOM: a structured report of the answers, a segmentation of the outlines."""

from pydicom.dataset import Dataset

from imgtrack.dicom.structured.context import Context, Place, faults_of, save, stored_header
from imgtrack.dicom.structured.definitions import defined
from imgtrack.dicom.structured.outlines import outlines_of
from imgtrack.dicom.structured.reading_back import Reported, read_report
from imgtrack.dicom.structured.report import report_of
from imgtrack.dicom.structured.scheme import SCHEME, Defined

__all__ = [
    "SCHEME",
    "Context",
    "Dataset",
    "Defined",
    "Place",
    "Reported",
    "defined",
    "faults_of",
    "outlines_of",
    "read_report",
    "report_of",
    "save",
    "stored_header",
]
