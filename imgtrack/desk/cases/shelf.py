"""The images of a study that lie in its folder, as the far side of the screen hands them out."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from imgtrack.desk.cases.images import Shelved, ShownPixels
from imgtrack.desk.cases.unreadable import Wrong
from imgtrack.desk.intake.storing import ScanFiles
from imgtrack.dicom.pixels import load_volume
from imgtrack.dicom.stacks import stacks
from imgtrack.domain.errors import Fault, Unavailable

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from imgtrack.dicom.stacks import Stack
    from imgtrack.domain.imaging import Scan
    from imgtrack.domain.series import Series

Images = tuple[tuple[str, int], ...]
"""SOP Instance UID and frame of every image of a stack, in order."""


@dataclass(frozen=True, slots=True)
class FolderShelf:
    """The shelf of a study folder.

    Attributes
    ----------
    folder
        The study folder.
    """

    folder: Path

    def series(self, scan: Scan, records: Sequence[Series]) -> list[Shelved]:
        """Return the series of a scan, each with the geometry its files state.

        Raises
        ------
        Unavailable
            With a fault for every file that cannot be read, or for every series whose files no
            longer hold the images the study recorded.
        """
        headers = ScanFiles(self.folder).headers(scan.uid)
        found = {_images(stack): stack for stack in stacks(headers)}
        missing = [record for record in records if _recorded(record) not in found]
        if missing:
            there = {header.sop_instance_uid for header in headers}
            raise Unavailable(_not_as_recorded(record, there) for record in missing)
        return [_shelved(record, found[_recorded(record)]) for record in records]


def _images(stack: Stack) -> Images:
    return tuple((frame.sop_instance_uid, frame.number) for frame in stack.frames)


def _recorded(record: Series) -> Images:
    parts = (image.partition("#") for image in record.images)
    return tuple((uid, int(number or 1)) for uid, _, number in parts)


def _not_as_recorded(record: Series, there: Collection[str]) -> Fault:
    """Return what is wrong with a series whose files no longer hold the images taken in."""
    missing = sorted(uid for uid in record.instances if uid not in there)
    return Fault(
        (Wrong.MISSING if missing else Wrong.CHANGED).value,
        f"series {record.key}",
        f"{len(record.images)} images in one stack",
        f"without {', '.join(missing)}" if missing else "other images, or another order",
        "take the scan in again",
    )


def _shelved(record: Series, stack: Stack) -> Shelved:
    def load() -> ShownPixels:
        volume = load_volume(stack)
        return ShownPixels(volume.values, volume.inverted, volume.unit)

    return Shelved(record, stack.planes, load)
