"""De-identified images on disk: each file is there whole or not at all, whatever happens."""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from imgtrack.dicom.clean_file import cleaned_file
from imgtrack.dicom.headers import read_header
from imgtrack.dicom.sources import Refusal, Source
from imgtrack.domain.errors import Fault, Unavailable
from imgtrack.domain.imaging import scan_uid, study_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from imgtrack.dicom.deidentify import Deidentifier
    from imgtrack.dicom.records import Header

SCANS_FOLDER = "scans"
PART = ".part"
"""Ends the name of a file that is being written."""

SUFFIX = ".dcm"


@dataclass(slots=True)
class ScanFiles:
    """The images of a study folder, ``scans/<study UID>/<series UID>/<image UID>.dcm``.

    Attributes
    ----------
    study
        The study folder.
    """

    study: Path
    _touched: set[Path] = field(default_factory=set)

    def has(self, study_uid: str, series: str, image: str) -> bool:
        """Whether the file of an image is there; all UIDs are replacements."""
        return self._path(study_uid, series, image).is_file()

    def _folder(self, study_uid: str) -> Path:
        return self.study / SCANS_FOLDER / study_uid

    def _path(self, study_uid: str, series: str, image: str) -> Path:
        return self._folder(study_uid) / series / f"{image}{SUFFIX}"

    def headers(self, scan: str) -> list[Header]:
        """Return the headers of all images of a scan, in a stable order.

        Parameters
        ----------
        scan
            UID of the scan; of its study only the images of its kind are returned.

        Raises
        ------
        Unavailable
            When one of them cannot be read.
        """
        read = [read_header(source) for source in self._sources(scan)]
        faults = [each.fault for each in read if isinstance(each, Refusal)]
        if faults:
            raise Unavailable(faults)
        found = [each for each in read if not isinstance(each, Refusal)]
        return [each for each in found if scan_uid(each.study_uid, each.modality) == scan]

    def _sources(self, scan: str) -> Iterator[Source]:
        for path in sorted(self._folder(study_of(scan)).glob(f"*/*{SUFFIX}")):
            yield Source(path.relative_to(self.study).as_posix(), path)

    def store(
        self, header: Header, deidentifier: Deidentifier, *, pixels_seen_clean: bool
    ) -> Path | Refusal:
        """De-identify an original and keep the result; the original is not touched.

        Parameters
        ----------
        header
            Header of the original.
        deidentifier
            Of its subject.
        pixels_seen_clean
            Whether a person has seen that nobody is named in the pixels.

        Returns
        -------
        Path or Refusal
            The file, on the disk when this returns; or why the original is not taken.

        Raises
        ------
        Unavailable
            When the study folder cannot be written.
        """
        content = cleaned_file(header, deidentifier, pixels_seen_clean=pixels_seen_clean)
        if isinstance(content, Refusal):
            return content
        clean = read_header(Source.of_bytes(header.source.label, content))
        if isinstance(clean, Refusal):
            return clean
        path = self._path(clean.study_uid, clean.series_uid, clean.sop_instance_uid)
        try:
            self._write(path, content)
        except OSError as error:
            raise _unwritable(path, error) from error
        return path

    def _write(self, path: Path, content: bytes) -> None:
        path.parent.mkdir(parents=True, exist_ok=True)
        part = path.with_name(path.name + PART)
        with part.open("wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
        self._touched |= {path.parent, path.parent.parent, path.parent.parent.parent}

    def settle(self) -> None:
        """See that the names of the files written are on the disk, too."""
        if os.name == "posix":
            for folder in self._touched:
                handle = os.open(folder, os.O_RDONLY)
                try:
                    os.fsync(handle)
                finally:
                    os.close(handle)
        self._touched.clear()

    def sweep(self, study_uid: str) -> None:
        """Remove what an interrupted intake of a study left half written."""
        for part in self._folder(study_uid).glob(f"*/*{PART}"):
            part.unlink()


def _unwritable(path: Path, error: OSError) -> Unavailable:
    return Unavailable(
        Fault(
            "the image cannot be written",
            str(path.parent),
            "room and permission to write",
            error.strerror or type(error).__name__,
            "make room and take the same files in again",
        )
    )
