"""What a grading scale is: levels in order, criteria in words, and where they were published."""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from types import MappingProxyType

from imgtrack.domain.errors import Fault, InvalidInput
from imgtrack.domain.imaging import Modality

NO_CONDITION: Mapping[str, tuple[str, ...]] = MappingProxyType({})


class View(StrEnum):
    """Images a scale is graded on: the planes of the shoulder, and the true frontal radiograph."""

    CORONAL_OBLIQUE = "coronal oblique"
    SAGITTAL_OBLIQUE = "sagittal oblique"
    AXIAL = "axial"
    TRUE_ANTEROPOSTERIOR = "true anteroposterior"


class Unit(StrEnum):
    """What one grade is given to."""

    REPAIR = "repair"
    TEAR = "tear"
    MUSCLE = "muscle"
    ANCHOR = "anchor"
    SERIES = "series"


class Provenance(StrEnum):
    """How the wording of a scale or level came to us; printed wherever it is shown.

    ``READ`` was read in the abstract, page or standard; the three ``RECALLED`` degrees are from
    memory with the citation given; ``OWN`` is our reading where the source is silent.
    """

    READ = "read at the source"
    RECALLED_SURE = "recalled, sure"
    RECALLED = "recalled"
    RECALLED_UNSURE = "recalled, unsure"
    OWN = "own rule"

    @property
    def needs_check(self) -> bool:
        """Whether to tell the reader "check against the paper"."""
        return self in {Provenance.RECALLED, Provenance.RECALLED_UNSURE}


@dataclass(frozen=True, slots=True)
class Citation:
    """Where something was published; ``doi`` and ``pages`` may be empty, ``year`` never is."""

    authors: str
    journal: str
    year: int
    volume: str = ""
    pages: str = ""
    doi: str = ""

    def __str__(self) -> str:
        where = f"{self.volume}:{self.pages}".rstrip(":")
        tail = f";{where}" if where else ""
        doi = f", doi {self.doi}" if self.doi else ""
        return f"{self.authors}. {self.journal} {self.year}{tail}{doi}"


@dataclass(frozen=True, slots=True)
class Concept:
    """A coded concept, as DICOM writes one: coding scheme, value and meaning."""

    scheme: str
    value: str
    meaning: str


@dataclass(frozen=True, slots=True)
class Level:
    """One answer a scale allows.

    Attributes
    ----------
    code
        What is stored and shown, as ``"IV"``.
    rank
        Place in the order of severity; two variants of one grade share a rank.
    title
        A few words.
    criteria
        When the level applies, in our words.
    provenance
        How the criteria came to us.
    concept
        Published code, where a standard gives one.
    """

    code: str
    rank: int
    title: str
    criteria: str
    provenance: Provenance
    concept: Concept | None = None


@dataclass(frozen=True, slots=True)
class ValueRange:
    """Bounds, both included, of a scale whose answer is a number."""

    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Scale:
    """A grading scale in one published version.

    "Not assessable" is an answer to every question and a level of no scale.

    Attributes
    ----------
    id, version
        Name in lower case and published variant; together they are unique.
    title, grades
        Name in words, and what is graded.
    unit
        What one grade is given to.
    ordered
        Whether the ranks of the levels mean severity; ``False`` for shapes and places.
    levels
        By rank; empty for an index, whose answer is a number within ``value_range``.
    modalities, views
        Images the scale was made for.
    provenance
        How the scale as a whole came to us.
    citations
        The source first, then restatements and modifications.
    derived_from
        Measurements that imply the grade, see :mod:`imgtrack.domain.scales.derive`; empty when
        it is a judgement by eye.
    only_with
        Other scale -> levels under which this one may be answered; empty when always.
    cautions
        What a user must know before comparing with published figures.
    """

    id: str
    version: str
    title: str
    grades: str
    unit: Unit
    ordered: bool
    levels: tuple[Level, ...]
    modalities: tuple[Modality, ...]
    views: tuple[View, ...]
    provenance: Provenance
    citations: tuple[Citation, ...]
    derived_from: tuple[str, ...] = ()
    only_with: Mapping[str, tuple[str, ...]] = field(default_factory=lambda: NO_CONDITION)
    value_range: ValueRange | None = None
    cautions: tuple[str, ...] = ()

    @property
    def codes(self) -> tuple[str, ...]:
        """The codes of the levels by rank."""
        return tuple(level.code for level in self.levels)

    @property
    def name(self) -> str:
        """Id and version, as ``sugaya 2007``."""
        return f"{self.id} {self.version}"

    def level(self, code: str) -> Level:
        """Return the level of that code.

        Raises
        ------
        InvalidInput
            If the scale has no such level; the codes it has are named.
        """
        for level in self.levels:
            if level.code == code:
                return level
        what = f"{self.name} has no level {code!r}"
        expected = "one of " + ", ".join(self.codes) if self.levels else "a number"
        raise InvalidInput(Fault(what, expected=expected, found=repr(code)))

    def steps_between(self, one: str, other: str) -> int:
        """Return how many grades lie from one level to another, never negative.

        Raises
        ------
        InvalidInput
            If a code is unknown, or the scale has no order.
        """
        ranks = self.level(one).rank, self.level(other).rank
        if not self.ordered:
            raise InvalidInput(
                Fault(
                    f"the levels of {self.name} have no order",
                    next_step="compare them as equal or different",
                )
            )
        return abs(ranks[0] - ranks[1])


def closest(word: str, known: tuple[str, ...]) -> str:
    """Return ``did you mean 'x'?`` for the most similar known word, or nothing."""
    matches = difflib.get_close_matches(word.lower(), known, n=1)
    return f"did you mean {matches[0]!r}?" if matches else ""
