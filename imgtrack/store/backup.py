"""Back a whole study up into one checked archive, and lay it out again from there."""

from __future__ import annotations

import os
import shutil
import tempfile
import zipfile
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import sqlalchemy as sa

from imgtrack.domain.errors import Broken, Fault, Refused
from imgtrack.store import archive as archives
from imgtrack.store import database as databases
from imgtrack.store import schema, snapshot, study_files
from imgtrack.store.connection import Database, sqlite_files, sqlite_url
from imgtrack.store.entries import software_version
from imgtrack.store.failures import files_in_our_words
from imgtrack.store.forms import moment
from imgtrack.store.kinds import KINDS
from imgtrack.store.look import Look
from imgtrack.store.study_files import is_new_or_empty
from imgtrack.store.verify import verify

if TYPE_CHECKING:
    from imgtrack.store.archive import Manifest
    from imgtrack.store.database import Clock

Progress = Callable[[int, int], None]
"""Told bytes done and bytes in all."""


@dataclass(frozen=True, slots=True)
class BackupReport:
    """What was backed up or restored.

    Attributes
    ----------
    archive
        The archive.
    made_at
        When it was made, ISO, UTC.
    schema
        Schema revision of the study in it.
    number, digest
        Where the log ended: number and digest of its last entry. Kept outside the study, the digest
        shows later whether the log was cut or rewritten (``imgtrack verify --expect``).
    records, files
        Rows in the record tables; files of the study folder.
    skipped
        Files of the study folder that are not in the archive, with the reason.
    """

    archive: Path
    made_at: str
    schema: str
    number: int
    digest: str
    records: int
    files: int
    skipped: tuple[str, ...] = ()


def backup(
    study: Path, url: str, target: Path, *, now: Clock, progress: Progress | None = None
) -> BackupReport:
    """Write a study to one archive while others go on working.

    The database goes in as it stood at one moment; the files after it, so that every file the
    records name is there. The key file stays out, wherever it lies; empty folders are not kept.

    Parameters
    ----------
    study
        The study folder.
    url
        Its database.
    target
        The archive; appears whole or not at all.
    now
        Clock, for the manifest.
    progress
        Told bytes done and bytes in all.

    Raises
    ------
    Refused
        When something is already at ``target``.
    InvalidInput
        When there is no study.
    Unavailable
        When the disk is full or something cannot be read or written; no archive is left.
    """
    if target.exists():
        raise Refused(
            Fault("a file is already there", where=str(target), next_step="choose another name")
        )
    database = Database(url)
    databases.require_file(database)
    with (
        files_in_our_words(str(target)),
        closing(database),
        tempfile.TemporaryDirectory(dir=target.parent, prefix=study_files.SCRATCH) as scratch,
    ):
        copy = Path(scratch, archives.DATABASE)
        snapshot.take(database, copy)
        files = study_files.find(study, database.path)
        draft = Path(scratch, "archive.zip")
        ticker = _Ticker(progress, copy.stat().st_size + files.size())
        with zipfile.ZipFile(draft, "w") as packed:
            writer = archives.Writer(packed, ticker.tick)
            writer.add(copy, archives.DATABASE)
            files.add_to(writer)
            manifest = _manifest(copy, writer, now)
            writer.finish(manifest)
        _publish(draft, target)
    return _report(target, manifest, files.skipped)


def restore(
    archive: Path, study: Path, url: str, *, progress: Progress | None = None
) -> BackupReport:
    """Lay a study out from an archive, every file and the whole log checked first.

    An archive of either dialect goes into either. A study of an older schema keeps it: run
    ``imgtrack upgrade`` afterwards.

    Parameters
    ----------
    archive
        As `backup` wrote it.
    study
        Folder that does not exist yet or is empty.
    url
        SQLite file that does not exist yet, in the folder or elsewhere; or an empty PostgreSQL
        database.
    progress
        Told bytes done and bytes in all.

    Raises
    ------
    InvalidInput
        When the archive is missing or none of ours.
    Refused
        When folder or database hold something, or a newer program wrote the archive.
    Broken
        When a checksum, the log or a record is not as it was; nothing is laid out.
    Unavailable
        When the disk is full, or something cannot be read or written; nothing is laid out.
    """
    database = Database(url, foreign_keys=False)
    _refuse_occupied(study, database)
    with (
        closing(database),
        files_in_our_words(str(study)),
        tempfile.TemporaryDirectory(dir=study.parent, prefix=study_files.SCRATCH) as scratch_name,
    ):
        scratch = Path(scratch_name)
        with archives.opened(archive) as (packed, manifest):
            schema.check_known(manifest.schema, str(archive))
            ticker = _Ticker(progress, sum(size for _, size in manifest.members.values()))
            archives.extract(packed, manifest, scratch, ticker.tick)
        (scratch / archives.FOLDER).mkdir(exist_ok=True)
        _check_records(scratch, manifest)
        if database.path is None:
            _lay_rows(scratch, study, database, manifest)
        else:
            _lay_file(scratch, study, database.path)
    return _report(archive, manifest, [])


class _Ticker:
    """Adds up the bytes taken in and passes them on."""

    def __init__(self, progress: Progress | None, total: int) -> None:
        self._progress = progress
        self._total = total
        self._done = 0

    def tick(self, size: int) -> None:
        self._done += size
        if self._progress is not None:
            self._progress(self._done, max(self._done, self._total))


def _report(archive: Path, manifest: Manifest, skipped: list[str]) -> BackupReport:
    return BackupReport(
        archive=archive,
        made_at=manifest.made_at,
        schema=manifest.schema,
        number=manifest.number,
        digest=manifest.digest,
        records=manifest.records,
        files=len(manifest.members) - 1,
        skipped=tuple(skipped),
    )


def _manifest(copy: Path, writer: archives.Writer, now: Clock) -> Manifest:
    with closing(Database(sqlite_url(copy))) as database, database.reading() as connection:
        number, digest = Look(connection).head()
        counts = (sa.select(sa.func.count()).select_from(kind.table) for kind in KINDS)
        return archives.Manifest(
            format=archives.FORMAT,
            made_at=moment(now()),
            version=software_version(),
            schema=schema.revision(connection),
            number=number,
            digest=digest,
            records=sum(connection.execute(count).scalar_one() for count in counts),
            members=writer.members,
        )


def _publish(draft: Path, target: Path) -> None:
    """Give the finished archive its name once it is safely on the disk."""
    with draft.open("rb") as file:
        os.fsync(file.fileno())
    draft.replace(target)


def _refuse_occupied(study: Path, database: Database) -> None:
    if not is_new_or_empty(study):
        raise Refused(_occupied(str(study), "a folder that does not exist yet or is empty"))
    there = [each for each in sqlite_files(database.path) if each.exists()]
    if there:
        raise Refused(_occupied(str(there[0]), "a file that does not exist yet"))


def _occupied(where: str, expected: str) -> Fault:
    return Fault(
        "a study is not restored over something else",
        where=where,
        expected=expected,
        next_step="choose another place",
    )


def _check_records(scratch: Path, manifest: Manifest) -> None:
    """Verify the study; one of an older schema is verified on an upgraded copy."""
    path = scratch / archives.DATABASE
    if manifest.schema != schema.REVISIONS[-1]:
        path = Path(shutil.copy(path, scratch / "upgraded.sqlite"))
        made_at = datetime.fromisoformat(manifest.made_at)
        databases.upgrade(sqlite_url(path), who="restore", now=lambda: made_at)
    with databases.open_store(sqlite_url(path)) as store, store.look() as look:
        _refuse_broken(look, manifest)


def _refuse_broken(look: Look, manifest: Manifest) -> None:
    faults = verify(look, expect_head=manifest.digest)
    if faults:
        raise Broken(faults)


def _lay_file(scratch: Path, study: Path, path: Path) -> None:
    folder = scratch / archives.FOLDER
    if path.resolve().is_relative_to(study.resolve()):
        inside = folder / path.resolve().relative_to(study.resolve())
        inside.parent.mkdir(parents=True, exist_ok=True)
        (scratch / archives.DATABASE).replace(inside)
        _rename(folder, study)
        return
    shutil.move(scratch / archives.DATABASE, path)
    try:
        _rename(folder, study)
    except OSError:
        path.unlink()
        raise


def _lay_rows(scratch: Path, study: Path, database: Database, manifest: Manifest) -> None:
    copy = Database(sqlite_url(scratch / archives.DATABASE))
    with closing(copy), copy.reading() as source, database.writing("restore") as target:
        databases.refuse_occupied(target, database.place)
        snapshot.lay(source, target, manifest.schema)
        if manifest.schema == schema.REVISIONS[-1]:
            _refuse_broken(Look(target), manifest)
        _rename(scratch / archives.FOLDER, study)


def _rename(folder: Path, study: Path) -> None:
    if study.exists():
        study.rmdir()
    folder.rename(study)
