"""Verify, back up, restore and upgrade a study."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from imgtrack.desk import study as studies
from imgtrack.domain.protocol import Role
from imgtrack.store import backup as archives
from imgtrack.store import database
from imgtrack.store import verify as checks

if TYPE_CHECKING:
    from imgtrack.desk.registry.sheets import Progress
    from imgtrack.domain.errors import Fault
    from imgtrack.store.backup import BackupReport


def verify(study: studies.Study, *, expect_head: str = "") -> tuple[int, str, list[Fault]]:
    """Return how long the log is, its head, and everything that is not as it was written."""
    with study.store.look() as look:
        number, head = look.head()
        return number, head, checks.verify(look, expect_head=expect_head)


def backup(study: studies.Study, target: Path, *, progress: Progress) -> BackupReport:
    """Write the study to an archive and note that in the log."""
    study.require([Role.COORDINATOR], "back up the study")
    url, _ = studies.settings(study.folder)
    report = archives.backup(
        study.folder, url, target, now=study.now, progress=_steps(progress, "copying files")
    )
    with study.store.change(who=study.who, now=study.now) as change:
        change.note(what="backed up", record="study", new=report.digest)
    return report


def restore(archive: Path, folder: Path, *, url: str, progress: Progress) -> BackupReport:
    """Lay out a study from an archive in a new folder, and in an empty database."""
    return archives.restore(
        archive,
        folder,
        url or database.sqlite_url(folder / studies.DATABASE_FILE),
        progress=_steps(progress, "laying out"),
    )


def upgrade(folder: Path, *, who: str, now: studies.Clock) -> tuple[str, str]:
    """Bring the tables of a study to the form this program writes; return both revisions."""
    url, _ = studies.settings(folder)
    protocol, _ = studies.protocol_of(folder)
    person = who or studies.only_coordinator(protocol)
    return database.upgrade(url, who=person, now=now)


def _steps(progress: Progress, what: str) -> Callable[[int, int], None]:
    return lambda done, total: progress(what, done, total)
