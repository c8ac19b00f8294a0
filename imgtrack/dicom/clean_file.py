"""One original file in, the bytes of its de-identified image out."""

from __future__ import annotations

import warnings
from typing import TYPE_CHECKING

from pydicom import dcmread
from pydicom.errors import InvalidDicomError
from pydicom.uid import UID

from imgtrack.dicom.archives import READ_FAULTS
from imgtrack.dicom.deidentify import encode
from imgtrack.dicom.deidentify.uncleanable import Uncleanable
from imgtrack.dicom.deidentify.values import UNREADABLE
from imgtrack.dicom.sources import Refusal

if TYPE_CHECKING:
    from pydicom.dataset import Dataset

    from imgtrack.dicom.deidentify import Deidentifier
    from imgtrack.dicom.records import Header
    from imgtrack.dicom.sources import Source

UNWRITABLE = (*UNREADABLE, InvalidDicomError, MemoryError)


def cleaned_file(
    header: Header, deidentifier: Deidentifier, *, pixels_seen_clean: bool = False
) -> bytes | Refusal:
    """Read an original once more, whole, and return its de-identified form.

    Parameters
    ----------
    header
        Header of the original, which says where its bytes are and how they are encoded.
    deidentifier
        Of the subject it shows.
    pixels_seen_clean
        Whether a person has looked at the pixels and found nobody named in them.

    Returns
    -------
    bytes or Refusal
        A DICOM file; the original is not altered. Never raises for what the bytes hold.
    """
    source = header.source
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # they quote what they read
            original = _whole(source, header.transfer_syntax_uid)
            clean = deidentifier.clean(
                original, label=source.label, pixels_seen_clean=pixels_seen_clean
            )
            return clean if isinstance(clean, Refusal) else encode(clean)
    except Uncleanable as fault:
        return fault.refusal(source.label)
    except READ_FAULTS as fault:
        return Refusal(source.label, "the file cannot be read", found=type(fault).__name__)
    except UNWRITABLE as fault:
        return Refusal(source.label, "the image cannot be rewritten", found=type(fault).__name__)


def _whole(source: Source, transfer_syntax: str) -> Dataset:
    """Return a whole object; without meta header it gets the syntax its bytes showed."""
    with source.open() as stream:
        dataset = dcmread(stream, force=True)
    if not dataset.file_meta.get("TransferSyntaxUID"):
        dataset.file_meta.TransferSyntaxUID = UID(transfer_syntax)
    return dataset
