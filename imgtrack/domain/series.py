"""Series: the stacks of parallel slices a scan holds, and what a person must know about a scan."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from imgtrack.domain.certainty import Certainty
    from imgtrack.domain.protocol import Plane, Weighting
    from imgtrack.domain.subjects import Side


@dataclass(frozen=True, slots=True)
class Series:
    """One stack of parallel slices of a scan, or one radiograph.

    Attributes
    ----------
    uid
        Series Instance UID after de-identification.
    number
        Which stack of that series, from 1: one acquired series may hold several.
    scan
        UID of the scan.
    plane, weighting
        Names in the protocol's words; ``None`` for a radiograph, or for what it has no word for.
    plane_certainty, weighting_certainty
        How far to trust them; certain once a person has said so.
    side
        The shoulder it shows, where all trusted claims agree or a person said so; else ``None``.
    side_claims
        Every claim about the side, in words.
    part
        What the pixels show, as ``magnitude`` or ``water``.
    rows, columns, slices
        Size; no slices when all its images turned out to belong to other stacks.
    spacing_mm
        Median distance from slice to slice by their positions; ``None`` with fewer than two.
    thickness_mm, row_spacing_mm, column_spacing_mm, field_tesla
        As stated; ``None`` when not stated.
    images
        SOP Instance UIDs after de-identification in order along the normal, with ``#`` and the
        number of the frame for one of several frames.
    problems
        What is wrong with the stack, in words.
    corrected
        Which of ``plane``, ``weighting`` and ``side`` a person gave; the rest is the program's.
    """

    uid: str
    number: int
    scan: str
    plane: Plane | None
    plane_certainty: Certainty
    weighting: Weighting | None
    weighting_certainty: Certainty
    side: Side | None
    side_claims: tuple[str, ...]
    part: str
    rows: int
    columns: int
    slices: int
    spacing_mm: float | None
    thickness_mm: float | None
    row_spacing_mm: float | None
    column_spacing_mm: float | None
    field_tesla: float | None
    images: tuple[str, ...]
    problems: tuple[str, ...] = ()
    corrected: tuple[str, ...] = ()

    @property
    def key(self) -> str:
        """Series UID and number."""
        return f"{self.uid}/{self.number}"

    @property
    def instances(self) -> frozenset[str]:
        """SOP Instance UIDs of the files its images lie in."""
        return frozenset(image.partition("#")[0] for image in self.images)


class ScanProblemKind(StrEnum):
    """What a person may have to know about a scan, in the words of the list of problems."""

    SIDE = "side"
    SECOND_SCAN = "second scan"
    OUTSIDE_WINDOWS = "outside every window"
    NO_IMAGES = "no images of this modality"
    SERIES_MISSING = "series missing"
    NAME_UNSURE = "name unsure"
    GEOMETRY = "geometry"
    BODY_PART = "body part"
    THICKNESS = "slice thickness"
    GAP = "slice gap"
    PIXEL = "pixel size"
    FIELD = "field strength"
    COVERAGE = "coverage"


BLOCKING = frozenset(
    {
        ScanProblemKind.SIDE,
        ScanProblemKind.SECOND_SCAN,
        ScanProblemKind.NO_IMAGES,
        ScanProblemKind.SERIES_MISSING,
        ScanProblemKind.NAME_UNSURE,
        ScanProblemKind.GEOMETRY,
        ScanProblemKind.BODY_PART,
    }
)
"""Problems that keep a scan from being read until a person has settled them."""


class ProblemState(StrEnum):
    """What became of a problem."""

    OPEN = "open"
    SETTLED = "settled"
    GONE = "gone"


@dataclass(frozen=True, slots=True)
class ScanProblem:
    """One thing that is not as the protocol wants it, or not certain, about a scan.

    Attributes
    ----------
    scan
        UID of the scan.
    kind
        What it is about.
    about
        Key of the series it concerns, or the series that is missing; empty for the whole scan.
    text
        In plain words.
    state
        Open; settled by a person; or gone because files or labels came that mend it.
    reason
        Why a person settled it; empty unless settled.
    """

    scan: str
    kind: ScanProblemKind
    about: str
    text: str
    state: ProblemState = ProblemState.OPEN
    reason: str = ""

    @property
    def key(self) -> str:
        """Scan, kind and what it is about: one problem of a kind about one thing."""
        return f"{self.scan}/{self.kind.value}/{self.about}"

    @property
    def blocks_reading(self) -> bool:
        """Whether the scan may not be read because of it."""
        return self.state is ProblemState.OPEN and self.kind in BLOCKING
