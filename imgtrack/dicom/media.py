"""What the directory of a DICOM medium lists."""

from __future__ import annotations

from typing import TYPE_CHECKING

from imgtrack.dicom.elements import EVERYTHING, Unreadable
from imgtrack.dicom.envelope import unseal
from imgtrack.dicom.values import Values, Vocabulary

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from imgtrack.dicom.elements import Elements

VOCABULARY = Vocabulary(("TransferSyntaxUID", "DirectoryRecordSequence", "ReferencedFileID"))


def listed_files(read: Callable[[int], bytes]) -> Iterator[tuple[str, ...]]:
    """Yield the file ID of every directory record that refers to a file.

    Parameters
    ----------
    read
        Returns up to so many further bytes of the DICOMDIR, none at its end.

    Yields
    ------
    tuple of str
        Components of the path, relative to the folder of the DICOMDIR (PS3.10 section 8.2,
        PS3.3 section F.3.2.2).

    Raises
    ------
    Unreadable
        If it is no DICOM file, holds no records, or points out of its medium.
    """
    envelope = unseal(read, VOCABULARY)
    elements: Elements = {}
    envelope.walk.until(EVERYTHING, elements)
    values = Values(elements, VOCABULARY, [])
    if "DirectoryRecordSequence" not in values:
        raise Unreadable("the directory of the medium lists nothing", "Directory Record Sequence")
    for record in values.items("DirectoryRecordSequence"):
        parts = record.texts("ReferencedFileID")
        if any(part in {"", ".", ".."} or "/" in part for part in parts):
            raise Unreadable("the directory of the medium points out of it", "", repr(parts))
        if parts:
            yield parts
