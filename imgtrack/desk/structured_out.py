"""Signed readings out as DICOM: a structured report each, and a segmentation of its outlines.

Only what an archive may hold: patient and study as the de-identified images name them, the reader
by code, dates moved as the images' are, no timepoint. Free texts stay here unless they are wanted.
"""

from __future__ import annotations

import csv
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import timedelta
from importlib.metadata import version as version_of
from pathlib import Path
from typing import TYPE_CHECKING

from imgtrack.desk.cases.images import plane_of
from imgtrack.desk.cases.layout import form_of, scan_of
from imgtrack.desk.intake.linking import examined_on
from imgtrack.desk.intake.recording import repair_of
from imgtrack.desk.intake.storing import SUFFIX, ScanFiles
from imgtrack.desk.readings.looking import SEE_ALL, latest
from imgtrack.desk.registry.sheets import Progress, no_progress
from imgtrack.dicom.structured import (
    Context,
    Place,
    defined,
    faults_of,
    outlines_of,
    report_of,
    save,
    stored_header,
)
from imgtrack.domain.errors import Fault, ImgtrackError, InvalidInput, Unavailable
from imgtrack.domain.protocol import read_protocol
from imgtrack.domain.reading import ProtocolVersion, Reading, Round

if TYPE_CHECKING:
    from imgtrack.desk.study import Study
    from imgtrack.dicom.structured import Dataset, Defined
    from imgtrack.domain.form import Form
    from imgtrack.domain.imaging import Scan
    from imgtrack.domain.subjects import Repair
    from imgtrack.store.database import Look

SCHEME_FILE = "coding_scheme.csv"
"""Code, meaning and definition of every private concept that the reports may hold."""

UNWRITABLE = (AttributeError, IndexError, KeyError, TypeError, ValueError)
"""What the report writer raises for a header that lacks something or says something odd."""


@dataclass(slots=True)
class Written:
    """What was written.

    Attributes
    ----------
    reports, outlines
        Files, one report for each reading and one segmentation for each series outlined on.
    refused
        Readings that could not be written, each with its reason.
    scheme
        The list of private concepts; ``None`` when there was nothing to write.
    """

    reports: list[Path] = field(default_factory=list)
    outlines: list[Path] = field(default_factory=list)
    refused: list[Fault] = field(default_factory=list)
    scheme: Path | None = None


def write_structured(
    study: Study,
    folder: Path,
    *,
    readings: Iterable[str] = (),
    with_notes: bool = False,
    progress: Progress = no_progress,
) -> Written:
    """Write signed readings as DICOM files, ``<study UID>/<reading>-report.dcm`` and so on.

    Parameters
    ----------
    study
        Open, with a coordinator or analyst at the desk.
    folder
        Where to write; made when it is not there. The same readings give the same files again.
    readings
        Keys of the readings wanted. Everybody's when empty: of an amended reading the last
        amendment, and no reading for training.
    with_notes
        Whether the readers' free texts are written; nobody has looked for names in them.
    progress
        Told how far it has come.

    Returns
    -------
    Written
        The files, and every reading that was refused with its reason: one whose scan has no
        images here, or one for training.

    Raises
    ------
    Refused
        For anyone but coordinator and analyst; logged.
    InvalidInput
        When there is no reading of a key.
    Unavailable
        When the folder cannot be written.
    """
    study.require(SEE_ALL, "write readings as DICOM")
    chosen = _chosen(study, tuple(readings))
    by_scan: defaultdict[str, list[Reading]] = defaultdict(list)
    for reading in chosen:
        by_scan[reading.scan].append(reading)
    out = _Out(study, folder, with_notes)
    try:
        for done, (uid, of_scan) in enumerate(by_scan.items(), 1):
            out.take(uid, of_scan)
            progress("writing readings", done, len(by_scan))
        out.finish()
    except OSError as error:
        raise _unwritable(folder, error) from error
    return out.written


def _unwritable(folder: Path, error: OSError) -> Unavailable:
    return Unavailable(
        Fault(
            "the files cannot be written",
            str(folder),
            "room and permission to write",
            error.strerror or type(error).__name__,
            "choose another folder or make room",
        )
    )


def _chosen(study: Study, keys: Sequence[str]) -> list[Reading]:
    with study.store.look() as look:
        if not keys:
            return [each for each in latest(look) if each.round is not Round.TRAINING]
        found = {key: look.get(Reading, key) for key in keys}
    unknown = [key for key, reading in found.items() if reading is None]
    if unknown:
        raise InvalidInput(Fault("there is no such reading", key) for key in unknown)
    return [reading for reading in found.values() if reading is not None]


@dataclass(slots=True)
class _Out:
    """Files on their way into a folder."""

    study: Study
    folder: Path
    with_notes: bool
    written: Written = field(default_factory=Written)
    concepts: dict[str, Defined] = field(default_factory=dict)

    def take(self, uid: str, readings: Sequence[Reading]) -> None:
        """Write the readings of one scan, or note why not."""
        wanted = [each for each in readings if each.round is not Round.TRAINING]
        self.written.refused += [
            Fault("a reading for training is no result", each.key, "a reading of another round")
            for each in readings
            if each.round is Round.TRAINING
        ]
        if not wanted:
            return
        try:
            scanned = _scanned(self.study, uid)
        except ImgtrackError as error:
            self.written.refused += [
                Fault(each.what, reading.key, each.expected, each.found, each.next_step)
                for reading in wanted
                for each in error.faults
            ]
            return
        for reading in wanted:
            self._one(reading, scanned)

    def _one(self, reading: Reading, scanned: _Scanned) -> None:
        with self.study.store.look() as look:
            form = _form_under(look, self.study, scanned.scan, reading.protocol_hash)
        context = scanned.context(reading, form, with_notes=self.with_notes)
        if faults := faults_of(reading, context):
            self.written.refused += faults
            return
        name = reading.key.replace("/", "-")
        place = self.folder / str(scanned.scan.study_uid)
        try:
            report, outlines = report_of(reading, context), outlines_of(reading, context)
        except UNWRITABLE as error:
            what = "its images do not say what a report needs"
            found = f"{type(error).__name__}: {error}"
            self.written.refused.append(Fault(what, reading.key, found=found))
            return
        self._save(report, place / f"{name}-report{SUFFIX}", self.written.reports)
        for number, each in enumerate(outlines, 1):
            path = place / f"{name}-outlines-{number}{SUFFIX}"
            self._save(each, path, self.written.outlines)
        listed = defined(form, reading.protocol_hash)
        self.concepts |= {concept.code: concept for concept in listed}

    def _save(self, dataset: Dataset, path: Path, written: list[Path]) -> None:
        save(dataset, path)
        written.append(path)

    def finish(self) -> None:
        """Write the list of private concepts, and into the log what went out."""
        written = self.written
        if not written.reports:
            return
        written.scheme = self.folder / SCHEME_FILE
        rows = [(each.code, each.meaning, each.definition) for each in self.concepts.values()]
        with written.scheme.open("w", encoding="utf-8", newline="") as file:
            csv.writer(file).writerows([("code", "meaning", "definition"), *sorted(rows)])
        told = f"{len(written.reports)} reports, {len(written.outlines)} segmentations"
        with self.study.store.change(who=self.study.who, now=self.study.now) as change:
            change.note(what="readings written as DICOM", record="study", new=told)


@dataclass(frozen=True, slots=True, eq=False)
class _Scanned:
    """A scan with the headers of its images."""

    scan: Scan
    repair: Repair
    stored: dict[str, Dataset]
    moved: timedelta

    def context(self, reading: Reading, form: Form, *, with_notes: bool) -> Context:
        """Return what one of its readings is written with."""
        places = {
            (image["uid"], image["frame"]): Place(
                plane_of(image), None if image["spacing"] is None else tuple(image["spacing"])
            )
            for image in reading.images.values()
        }
        return Context(
            form=form,
            side=self.repair.side,
            stored=self.stored,
            places=places,
            moved=self.moved,
            software=version_of("imgtrack"),
            with_notes=with_notes,
        )


def _scanned(study: Study, uid: str) -> _Scanned:
    """Return a scan with its images.

    Raises
    ------
    Unavailable
        When it has none here, or they cannot be read.
    """
    with study.store.look() as look:
        scan = scan_of(look, uid, uid)
        repair = repair_of(look, scan)
    headers = ScanFiles(study.folder).headers(uid)
    if not headers:
        what = "its scan has no images here to refer to"
        step = "take the scan in, or leave this reading out"
        raise Unavailable(Fault(what, uid, "de-identified images", "none", step))
    day = examined_on(headers)
    return _Scanned(
        scan,
        repair,
        {header.sop_instance_uid: stored_header(header.source) for header in headers},
        timedelta() if day is None else day - scan.acquired_on,
    )


def _form_under(look: Look, study: Study, scan: Scan, protocol_hash: str) -> Form:
    """Return what was asked under the protocol a reading was signed under."""
    if protocol_hash != study.protocol.hash:
        for version in look.all(ProtocolVersion):
            if version.key.partition("@")[0] == protocol_hash:
                return form_of(look, replace(study, protocol=read_protocol(version.text)), scan)
    return form_of(look, study, scan)
