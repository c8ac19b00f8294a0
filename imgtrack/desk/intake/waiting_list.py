"""The list of studies that wait for a person to say whose they are; kept in the key file."""

from __future__ import annotations

import hmac
import os
from base64 import b32encode
from pathlib import Path
from typing import TYPE_CHECKING

from imgtrack.desk.intake.linking import examined_on
from imgtrack.dicom.sources import Source
from imgtrack.store.waiting import WaitingStudy

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from imgtrack.dicom.records import Header

CODE_BYTES = 5


def waiting_code(secret: bytes, study_uid: str) -> str:
    """Return the code of a study on the list: always the same, and nothing can be read off it."""
    digest = hmac.digest(secret, b"imgtrack waiting\0" + study_uid.encode(), "sha256")
    return f"W-{b32encode(digest[:CODE_BYTES]).decode()}"


def waiting_study(
    code: str, headers: Sequence[Header], reason: str, before: WaitingStudy | None = None
) -> WaitingStudy:
    """Return how a study waits: with its files, and who its headers say the patient is.

    Parameters
    ----------
    code, reason
        Under which code, and why.
    headers
        What was given of it now.
    before
        How it waits already; its files that are still there are kept.
    """
    claim = headers[0].claim
    born = claim.birth_date.isoformat() if claim.birth_date is not None else ""
    files = files_given(headers)
    if before is not None:
        files |= {(path, member) for path, member in before.files if Path(path).exists()}
    return WaitingStudy(
        code=code,
        study_uid=headers[0].study_uid,
        reason=reason,
        examined_on=examined_on(headers),
        modalities=tuple(sorted({header.modality.value for header in headers})),
        claim={"name": claim.name, "number": claim.patient_id, "birth date": born},
        files=tuple(sorted(files)),
    )


def files_given(headers: Sequence[Header]) -> set[tuple[str, str]]:
    """Return path and, in an archive, member of the files that headers were read from."""
    return {
        (os.path.abspath(header.source.path), header.source.member)  # noqa: PTH100 - links stay
        for header in headers
        if header.source.path is not None
    }


def files_of(study: WaitingStudy) -> list[Source]:
    """Return the files of a waiting study, to be read anew."""
    return [
        Source(f"{path}!{member}" if member else path, Path(path), member)
        for path, member in study.files
    ]


def folder_of(study: WaitingStudy) -> str:
    """Return the innermost folder, or the archive, that holds all files of a waiting study."""
    return common_place(path for path, _ in study.files)


def common_place(paths: Iterable[str]) -> str:
    """Return the innermost folder that holds all of some paths; the path itself of one alone."""
    unique = sorted(set(paths))
    if not unique:
        return ""
    return unique[0] if len(unique) == 1 else os.path.commonpath(unique)
