"""Compare the stacks of a scan with what the protocol expects of it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from imgtrack.dicom.certainty import Certainty
from imgtrack.dicom.records import Part
from imgtrack.dicom.stacks import BREAKING, ProblemKind
from imgtrack.dicom.weightings import SUPPRESSED
from imgtrack.domain.imaging import Modality
from imgtrack.domain.protocol import Weighting

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from imgtrack.dicom.naming import NamedStack, Naming
    from imgtrack.dicom.stacks import Stack
    from imgtrack.domain.protocol import ExpectedScan
    from imgtrack.domain.protocol.model import ExpectedSeries

FLUID_SENSITIVE = frozenset(
    {
        Weighting.T2,
        Weighting.T2_FAT_SUPPRESSED,
        Weighting.PD_FAT_SUPPRESSED,
        Weighting.STIR,
    }
)
"""What answers a protocol that asks for any fluid-sensitive series."""

RADIOGRAPHS = frozenset({Modality.COMPUTED_RADIOGRAPHY, Modality.DIGITAL_RADIOGRAPHY})
"""Two ways to take the same picture: either answers a protocol that asks for the other."""

SLACK_MM = 0.01
"""Lengths this much over a limit keep it: headers round theirs."""

FIELD_SLACK = 0.05
"""Share a field may be below its limit: what is sold as 3 T is stated as 2.89 by some scanners
(from memory)."""

REMARKABLE = BREAKING | {ProblemKind.DUPLICATE_SLICES, ProblemKind.SINGLE_SLICE}
"""Problems of a stack that count as a shortfall of the scan."""

OTHER_PARTS = frozenset(
    {
        *("ABDOMEN", "ANKLE", "BRAIN", "BREAST", "CSPINE", "ELBOW", "FOOT", "HAND", "HEAD"),
        *("HEART", "HIP", "KNEE", "LEG", "LSPINE", "NECK", "PELVIS", "SKULL", "SPINE"),
        *("TSPINE", "WRIST"),
    }
)
"""Terms of Body Part Examined (PS3.16 annex L) that are not near a shoulder."""


class ShortfallKind(StrEnum):
    """In what a scan may fall short."""

    NO_IMAGES = "no images of this modality"
    SERIES_MISSING = "series missing"
    NAME_UNSURE = "name unsure"
    THICKNESS = "slice thickness"
    GAP = "slice gap"
    PIXEL = "pixel size"
    FIELD = "field strength"
    COVERAGE = "coverage"
    GEOMETRY = "geometry"
    BODY_PART = "body part"


@dataclass(frozen=True, slots=True)
class Shortfall:
    """One way in which a scan falls short of the protocol.

    Attributes
    ----------
    kind
        In what.
    text
        In plain words.
    series_uid, stack_number
        The stack it concerns; empty and 0 when it concerns the whole scan.
    expected, found
        What the protocol asks for and what was found.
    """

    kind: ShortfallKind
    text: str
    series_uid: str = ""
    stack_number: int = 0
    expected: str = ""
    found: str = ""


def shortfalls(scan: Sequence[NamedStack], expected: ExpectedScan | None) -> tuple[Shortfall, ...]:
    """List in what a scan falls short of what the protocol expects.

    Parameters
    ----------
    scan
        Every stack of the examination.
    expected
        The imaging the protocol expects; ``None``, as outside every window, leaves only the body
        part to be looked at.

    Returns
    -------
    tuple of Shortfall
        Empty when nothing is wanting. Where several stacks answer an expected series, the one
        that falls short least is judged; where the protocol names no series, every stack of the
        modality is. What a header does not state counts as a shortfall of its limit.
    """
    if expected is None:
        return tuple(_body_parts(scan))
    accepted = RADIOGRAPHS if expected.modality in RADIOGRAPHS else {expected.modality}
    stacks = [named for named in scan if named.stack.header.modality in accepted]
    if not stacks:
        text = f"no image of modality {expected.modality} in the scan"
        return (Shortfall(ShortfallKind.NO_IMAGES, text, expected=str(expected.modality)),)
    found = list(_body_parts(stacks))
    if not expected.series:
        judged = (_judge(named, expected) for named in stacks)
        return (*found, *(shortfall for stack in judged for shortfall in stack))
    for series in expected.series:
        found.extend(_series(stacks, series, expected))
    return tuple(dict.fromkeys(found))


def answers(naming: Naming, wanted: Weighting) -> bool:
    """Whether a stack's contrast is what the protocol asks for.

    The water image of a Dixon separation also answers as the fat-suppressed form of its contrast,
    the in-phase image as the contrast itself (common practice, no source).
    """
    names = {naming.weighting}
    if naming.weighting is Weighting.DIXON and naming.contrast is not None:
        if naming.part is Part.WATER:
            names.add(SUPPRESSED[naming.contrast])
        if naming.part is Part.IN_PHASE:
            names.add(naming.contrast)
    allowed = FLUID_SENSITIVE if wanted is Weighting.FLUID_SENSITIVE else {wanted}
    return not allowed.isdisjoint(names)


def _series(
    stacks: Sequence[NamedStack], series: ExpectedSeries, expected: ExpectedScan
) -> list[Shortfall]:
    """Return what is wanting in the best stack that answers an expected series."""
    wanted = f"{series.plane} {series.weighting}"
    candidates = [
        _judge(named, expected)
        for named in stacks
        if named.naming.plane is series.plane and answers(named.naming, series.weighting)
    ]
    if candidates:
        return min(candidates, key=len)
    named = sorted({_name(named.naming) for named in stacks})
    text = f"no {wanted} series"
    return [Shortfall(ShortfallKind.SERIES_MISSING, text, "", 0, wanted, ", ".join(named))]


def _name(naming: Naming) -> str:
    return f"{naming.plane or 'radiograph'} {naming.weighting or 'of another contrast'}"


def _judge(named: NamedStack, expected: ExpectedScan) -> list[Shortfall]:
    """Return what is wanting in one stack."""
    stack, naming = named.stack, named.naming
    found = [*_over_limits(stack, expected), *_irregular(stack)]
    if Certainty.UNSURE in {naming.plane_certainty, naming.weighting_certainty}:
        text = f"{_name(naming)} is unsure: " + "; ".join(naming.reasons)
        found.append(_of(stack, ShortfallKind.NAME_UNSURE, text))
    return found


def _over_limits(stack: Stack, expected: ExpectedScan) -> Iterator[Shortfall]:
    """Yield the limits a stack does not keep."""
    spacing = stack.frames[0].spacing
    pixel = max(spacing) if spacing is not None else None
    upper = (
        (ShortfallKind.THICKNESS, stack.thickness_mm, expected.max_slice_thickness_mm),
        (ShortfallKind.GAP, stack.gap_mm, expected.max_slice_gap_mm),
        (ShortfallKind.PIXEL, pixel, expected.max_pixel_mm),
    )
    for kind, value, limit in upper:
        if limit is not None and (value is None or value > limit + SLACK_MM):
            yield _limit(stack, kind, value, f"at most {limit:g} mm", "mm")
    coverage, least = stack.coverage_mm, expected.min_coverage_mm
    if least is not None and (coverage is None or coverage < least - SLACK_MM):
        yield _limit(stack, ShortfallKind.COVERAGE, coverage, f"at least {least:g} mm", "mm")
    field, least = stack.header.field_tesla, expected.min_field_tesla
    if least is not None and (field is None or field < least * (1 - FIELD_SLACK)):
        yield _limit(stack, ShortfallKind.FIELD, field, f"at least {least:g} T", "T")


def _limit(
    stack: Stack, kind: ShortfallKind, value: float | None, expected: str, unit: str
) -> Shortfall:
    found = "not stated" if value is None else f"{value:.4g} {unit}"
    return _of(stack, kind, f"{kind} is {found}, {expected} expected", expected, found)


def _irregular(stack: Stack) -> Iterator[Shortfall]:
    """Yield the problems of a stack's geometry; one slice is no problem of a radiograph."""
    for problem in stack.problems:
        if problem.kind in REMARKABLE:
            yield _of(stack, ShortfallKind.GEOMETRY, f"{problem.kind}: {problem.text}")


def _body_parts(stacks: Sequence[NamedStack]) -> Iterator[Shortfall]:
    """Yield every body part far from the shoulder that headers state."""
    stated = {named.stack.header.body_part.upper() for named in stacks}
    for part in sorted(stated & OTHER_PARTS):
        text = f"the header says the body part is {part}"
        yield Shortfall(ShortfallKind.BODY_PART, text, expected="SHOULDER", found=part)


def _of(
    stack: Stack, kind: ShortfallKind, text: str, expected: str = "", found: str = ""
) -> Shortfall:
    return Shortfall(kind, text, stack.header.series_uid, stack.number, expected, found)
