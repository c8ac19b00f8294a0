"""Take scans in: walk, read, link, de-identify, store, record; a second run changes nothing."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from filelock import FileLock, Timeout

from imgtrack.desk.intake.linking import Linker
from imgtrack.desk.intake.manifest import Manifest, read_manifest
from imgtrack.desk.intake.outcome import Report
from imgtrack.desk.intake.storing import SCANS_FOLDER, ScanFiles
from imgtrack.desk.intake.studies import Desk, StudyIntake
from imgtrack.desk.registry.sheets import Progress, no_progress
from imgtrack.dicom.gathering import by_study
from imgtrack.dicom.headers import read_header
from imgtrack.dicom.sources import Refusal, sources
from imgtrack.domain.errors import Fault, InvalidInput, Unavailable
from imgtrack.domain.protocol import Role
from imgtrack.domain.subjects import Repair

if TYPE_CHECKING:
    from collections.abc import Sequence

    from imgtrack.desk.study import Study
    from imgtrack.dicom.records import Header

LOCK_FILE = "intake.lock"


def take_in(
    study: Study,
    paths: Sequence[Path],
    *,
    manifest: Path | None = None,
    dry_run: bool = False,
    clean_pixels: Sequence[Path] = (),
    progress: Progress = no_progress,
) -> Report:
    """Take in every scan under some paths.

    Headers are read first and brought together by study. Each study is linked to a repair and a
    day, de-identified into the study folder, and recorded in one change. Whatever is not accepted
    is refused with its reason or waits on the list in the key file. An intake that was stopped at
    any moment is completed by the same call.

    Parameters
    ----------
    study
        Open, with a coordinator at the desk.
    paths
        Folders, files, zip archives, DICOMDIR media; they are only read.
    manifest
        Sheet that says whose images lie where.
    dry_run
        Tell what would happen from the headers, and change nothing. What only shows when an image
        is rewritten (unreadable pixels, text burned into radiographs) is not found by it.
    clean_pixels
        Files or folders of which the person at the desk has seen that nobody is named in the
        pixels; without it images that may name somebody there are refused.
    progress
        Told how far reading and storing have come.

    Raises
    ------
    InvalidInput
        A path that leads nowhere or into the study itself, or faults of the manifest.
    Refused
        A person who is no coordinator.
    Unavailable
        Another intake is running, or the study folder cannot be written; what was recorded before
        stays, and the same call goes on from there.
    """
    study.require([Role.COORDINATOR], "take scans in")
    _require_usable(study, [*paths, *clean_pixels])
    with study.store.look() as look:
        repairs = tuple(look.all(Repair))
    placed = read_manifest(manifest, study.protocol, repairs) if manifest else Manifest()
    with ExitStack() as open_things:
        if not dry_run:
            open_things.enter_context(only_intake(study))
        keys = open_things.enter_context(study.keys())
        desk = Desk(
            study=study,
            keys=keys,
            linker=Linker(study.protocol, repairs, keys),
            files=ScanFiles(study.folder),
            clean_pixels=tuple(map(os.path.realpath, clean_pixels)),
        )
        walk = _Walk(paths, progress)
        intake = StudyIntake(desk, placed, dry_run=dry_run)
        done = 0
        outcomes = []
        for headers in by_study(walk.headers()):
            outcomes.append(intake.take(headers))
            done += len(headers)
            progress("taking in", done, walk.images)
    notes = tuple(f"{where}: no image was found here" for where in placed.unused())
    refusals = (*walk.refusals, *intake.refusals)
    return Report(walk.found, tuple(outcomes), refusals, notes, is_dry_run=dry_run)


@contextmanager
def only_intake(study: Study) -> Iterator[None]:
    """Keep every other intake of this desk out; the lock does not outlive the process.

    Raises
    ------
    Unavailable
        When another intake of this desk is running.
    """
    path = study.keys_path.parent / LOCK_FILE
    lock = FileLock(path, timeout=0, mode=0o600)
    try:
        lock.acquire()
    except Timeout:
        raise Unavailable(
            Fault(
                "another intake of this desk is running",
                str(study.folder),
                next_step="wait until it is done",
            )
        ) from None
    try:
        yield
    finally:
        lock.release()


class _Walk:
    """Reads every header under the paths and counts what it meets."""

    def __init__(self, paths: Sequence[Path], progress: Progress) -> None:
        self._paths = paths
        self._progress = progress
        self.found = 0
        self.images = 0
        self.refusals: list[Refusal] = []

    def headers(self) -> Iterator[Header]:
        """Yield the headers; refusals are kept."""
        total = sum(1 for _ in sources(self._paths, self._progress))
        for source in sources(self._paths):
            self.found += 1
            self._progress("reading headers", self.found, total)
            header = source if isinstance(source, Refusal) else read_header(source)
            if isinstance(header, Refusal):
                self.refusals.append(header)
            else:
                self.images += 1
                yield header


def _require_usable(study: Study, paths: Sequence[Path]) -> None:
    own = Path(os.path.realpath(study.folder / SCANS_FOLDER))
    faults = []
    for path in paths:
        real = Path(os.path.realpath(path))
        if not real.exists():
            faults.append(Fault("there is nothing here", str(path), "a file or folder"))
        elif real == own or own in real.parents or real in own.parents:
            faults.append(
                Fault(
                    "this holds the study's own scans",
                    str(path),
                    "a place outside the study folder",
                    next_step="give the folder the originals lie in",
                )
            )
    if faults:
        raise InvalidInput(faults)
