"""Scans that arrive over the network: kept beside the key file until they are taken in."""

from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from imgtrack.desk.intake.run import take_in
from imgtrack.desk.registry.sheets import Progress, no_progress
from imgtrack.dicom.sources import Refusal
from imgtrack.domain.protocol import Role
from imgtrack.store.waiting import WaitingState

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from imgtrack.desk.intake.outcome import Report
    from imgtrack.desk.study import Study
    from imgtrack.dicom.receive import Received
    from imgtrack.store.waiting import WaitingStudy

SPOOL_FOLDER = "received"
PART = ".part"


@dataclass(slots=True)
class Spool:
    """Originals as they came, in a folder beside the key file that only its owner may read.

    Attributes
    ----------
    folder
        With ``arriving`` for what has just come, ``held`` for what is being taken in or waits for
        a person, and ``refused``.
    now
        Seconds on a clock that only goes forward.
    """

    folder: Path
    now: Callable[[], float]
    last_arrival: float = 0.0

    def __post_init__(self) -> None:
        for part in (self.arriving, self.held, self.refused):
            part.mkdir(mode=0o700, parents=True, exist_ok=True)

    @property
    def arriving(self) -> Path:
        """Folder of what has just come."""
        return self.folder / "arriving"

    @property
    def held(self) -> Path:
        """Folder of what is being taken in, or waits for a person."""
        return self.folder / "held"

    @property
    def refused(self) -> Path:
        """Folder of what was refused."""
        return self.folder / "refused"

    def keep(self, received: Received) -> Refusal | None:
        """Keep one object; it is on the disk when the sender is told so."""
        name = hashlib.sha256(received.sop_instance_uid.encode()).hexdigest()[:40]
        part = self.arriving / f"{name}{PART}"
        try:
            with part.open("wb") as file:
                file.write(received.content)
                file.flush()
                os.fsync(file.fileno())
            part.replace(self.arriving / f"{name}.dcm")
        except OSError as error:
            return Refusal("received object", "it cannot be kept", found=error.strerror or "")
        self.last_arrival = self.now()
        return None

    def is_ready(self, quiet_seconds: float) -> bool:
        """Whether something came, and nothing more for a while."""
        is_quiet = self.now() - self.last_arrival >= quiet_seconds
        return is_quiet and any(self.arriving.glob("*.dcm"))

    def hold(self) -> None:
        """Move what has come to what is being taken in."""
        for path in self.arriving.glob("*.dcm"):
            path.replace(self.held / path.name)


def spool_of(study: Study, now: Callable[[], float]) -> Spool:
    """Return the spool of a study's desk; what a receiver that was stopped left is in it."""
    return Spool(study.keys_path.parent / SPOOL_FOLDER, now)


def take_received(study: Study, spool: Spool, progress: Progress = no_progress) -> Report | None:
    """Take in what has come, and keep only what waits or was refused.

    Returns
    -------
    Report or None
        What became of it; ``None`` when nothing had come.
    """
    study.require([Role.COORDINATOR], "take scans in")
    spool.hold()
    with study.keys() as keys:
        waiting = {Path(path) for path in _files_waiting(keys.waiting())}
    held = sorted(set(spool.held.glob("*.dcm")) - waiting)
    if not held:
        return None
    report = take_in(study, held, progress=progress)
    refused = {Path(each.source) for each in report.refusals}
    with study.keys() as keys:
        waiting = {Path(path) for path in _files_waiting(keys.waiting())}
    for path in held:
        if path in refused:
            path.replace(spool.refused / path.name)
        elif path not in waiting:
            path.unlink()
    return report


def forget_received(study: Study, files: Iterable[str]) -> None:
    """Remove those files of a placed study that only the receiver had written."""
    held = study.keys_path.parent / SPOOL_FOLDER / "held"
    for path in map(Path, files):
        if path.parent == held:
            path.unlink(missing_ok=True)


def _files_waiting(studies: Iterable[WaitingStudy]) -> Iterator[str]:
    for study in studies:
        if study.state is WaitingState.WAITING:
            for path, _ in study.files:
                yield path
