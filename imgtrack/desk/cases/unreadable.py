"""Images that cannot be read: in plain words for a reader, and in full for the coordinator.

Nothing is marked as unreadable: a case is tried again each time the next one is opened, so it comes
back by itself once its files are mended. What was wrong is in the log.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from imgtrack.desk.readings.looking import SEE_ALL
from imgtrack.domain.cases import Case
from imgtrack.domain.errors import Fault, ImgtrackError, Unavailable
from imgtrack.domain.imaging import Scan
from imgtrack.domain.reading import Reading

if TYPE_CHECKING:
    from datetime import datetime

    from imgtrack.desk.study import Study
    from imgtrack.domain.log import Entry

NOT_READABLE, OPENED = "images not readable", "case opened"
ACTS = (NOT_READABLE, OPENED)
NEWEST = 1000
"""Log entries of a reader among which the last word on a case is looked for."""


class Wrong(StrEnum):
    """What is wrong with images, in words that name no file."""

    MISSING = "an image file is missing"
    CHANGED = "an image file is not the one that was taken in"
    UNREADABLE = "an image file cannot be read"
    UNDECODABLE = "the pixels of an image cannot be decoded"
    GONE = "images that were measured on are gone since the draft was begun"


def wrong_with(error: Exception) -> str:
    """Return what is wrong, in words a reader may be told."""
    whats = [fault.what for fault in error.faults] if isinstance(error, ImgtrackError) else []
    known = [each.value for each in Wrong if each.value in whats]
    return "; ".join(known) or Wrong.UNREADABLE.value


class ImagesUnreadable(Unavailable):
    """The images of a case cannot be read; names the code, and no file.

    Parameters
    ----------
    faults
        Made by `images_fault`.
    """

    @property
    def why(self) -> str:
        """What is wrong, in words a reader may be told."""
        return "; ".join(fault.found for fault in self.faults)


def images_fault(code: str, why: str) -> Fault:
    """Return the fault of a case whose images cannot be read."""
    return Fault(
        "the images of this case cannot be read",
        code,
        found=why,
        next_step="tell the coordinator, and open another case of your list",
    )


@dataclass(frozen=True, slots=True)
class Trouble:
    """Writes to the log what a reader may not be told; the same thing once.

    Attributes
    ----------
    study, code
        Open, and the code of the case.
    """

    study: Study
    code: str

    def __call__(self, text: str) -> None:
        """Note what is wrong, unless it is the last word on the case already."""
        study, record = self.study, f"case:{self.code}"
        with study.store.look() as look:
            noted = look.acts_of(study.who, ACTS, newest=NEWEST)
        last = next((each for each in noted if each.record == record), None)
        if last is not None and (last.what, last.new) == (NOT_READABLE, text):
            return
        with study.store.change(who=study.who, now=study.now) as change:
            change.note(what=NOT_READABLE, record=record, new=text)


@dataclass(frozen=True, slots=True)
class Unreadable:
    """A case that its reader could not open, as a coordinator is told of it.

    Attributes
    ----------
    case, reader
        Codes.
    repair, timepoint
        Of the scan.
    since
        When it was noted, UTC.
    words
        What is wrong, with the names of files.
    """

    case: str
    reader: str
    repair: str
    timepoint: str
    since: datetime
    words: str


def unreadable_cases(study: Study) -> tuple[Unreadable, ...]:
    """Return the unsigned cases whose images could not be read when they were last to be opened.

    Parameters
    ----------
    study
        Open, with a coordinator or analyst at the desk.

    Raises
    ------
    Refused
        For anyone else; logged.
    """
    study.require(SEE_ALL, "see which images cannot be read")
    with study.store.look() as look:
        last = {entry.record.partition(":")[2]: entry for entry in look.acts(ACTS)}
        signed = set(look.values(Reading, "case_code"))
        cases = {each.code: each for each in look.all(Case) if each.code in last}
        scans = {each.uid: each for each in look.all(Scan)}
    return tuple(
        _unreadable(cases[code], scans[cases[code].scan], entry)
        for code, entry in last.items()
        if entry.what == NOT_READABLE and code in cases and code not in signed
    )


def _unreadable(case: Case, scan: Scan, entry: Entry) -> Unreadable:
    return Unreadable(case.code, case.reader, scan.repair, scan.timepoint, entry.at, entry.new)
