"""What became of every file that was given, so that the sum can be checked."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from imgtrack.dicom.sources import Refusal
    from imgtrack.domain.imaging import Scan
    from imgtrack.domain.series import ScanProblem


class Fate(StrEnum):
    """What became of a study."""

    TAKEN_IN = "taken in"
    COMPLETED = "completed"
    AS_RECORDED = "as recorded"
    WAITING = "waiting"
    SET_ASIDE = "set aside"
    REFUSED = "refused"


@dataclass(frozen=True, slots=True)
class ScanOutcome:
    """One scan of a study as it is recorded now, or would be."""

    scan: Scan
    problems: tuple[ScanProblem, ...]

    @property
    def is_blocked(self) -> bool:
        """Whether it may not be read yet."""
        return any(problem.blocks_reading for problem in self.problems)


@dataclass(frozen=True, slots=True)
class StudyOutcome:
    """What became of one study.

    Attributes
    ----------
    fate
        What became of it.
    label
        Where its files lie, as the person gave it; for the terminal only.
    files
        How many files of it were given and not refused.
    new
        How many of them were not in before.
    scans
        Its scans with their open problems; empty when nothing is recorded.
    code
        Code on the list of studies that wait to be placed; empty unless it waits or was set aside.
    reason
        Why it waits.
    notes
        What else a person should know.
    """

    fate: Fate
    label: str
    files: int
    new: int = 0
    scans: tuple[ScanOutcome, ...] = ()
    code: str = ""
    reason: str = ""
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Report:
    """What became of everything that was given.

    Attributes
    ----------
    found
        Files, members of archives and faults found under the paths.
    studies
        One outcome per study, in the order they were found.
    refusals
        Every file that is not taken, with its reason.
    notes
        What else a person should know, as rows of the manifest without any image.
    is_dry_run
        Whether nothing was changed.
    """

    found: int
    studies: tuple[StudyOutcome, ...]
    refusals: tuple[Refusal, ...]
    notes: tuple[str, ...] = ()
    is_dry_run: bool = False

    def files(self, *fates: Fate) -> int:
        """Return how many files belong to studies of these fates."""
        return sum(each.files for each in self.studies if each.fate in fates)

    def count(self, fate: Fate) -> int:
        """Return how many studies met this fate."""
        return sum(each.fate is fate for each in self.studies)

    @property
    def adds_up(self) -> bool:
        """Whether every file that was found is accepted, waiting, set aside or refused."""
        return self.found == self.files(*Fate) + len(self.refusals)
