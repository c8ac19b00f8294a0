"""A scan as records: its series, and everything that is not as the protocol wants it."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING

from imgtrack.dicom.checking import shortfalls
from imgtrack.dicom.naming import NamedStack, name_stack
from imgtrack.dicom.planes import name_plane
from imgtrack.dicom.sides import SideClaim
from imgtrack.dicom.stacks import stacks
from imgtrack.domain.certainty import Certainty
from imgtrack.domain.imaging import Modality
from imgtrack.domain.series import ScanProblem, ScanProblemKind, Series
from imgtrack.measure.points import as_vector

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from imgtrack.dicom.records import Header
    from imgtrack.dicom.stacks import Stack
    from imgtrack.domain.protocol import ExpectedScan, Timepoint
    from imgtrack.domain.subjects import Side

RADIOGRAPHS = frozenset({Modality.COMPUTED_RADIOGRAPHY, Modality.DIGITAL_RADIOGRAPHY})
BY_A_PERSON = "a person"
NO_LONGER = "its images belong to other stacks since more files of the scan came"


@dataclass(frozen=True, slots=True)
class Described:
    """What the images of a scan are: its series, and what is not as it should be."""

    series: tuple[Series, ...]
    problems: tuple[ScanProblem, ...]


def describe(
    scan: str,
    headers: Sequence[Header],
    *,
    operated: Side,
    expected: ExpectedScan | None,
    recorded: Sequence[Series] = (),
) -> Described:
    """Describe a scan by the headers of all its images.

    Parameters
    ----------
    scan
        UID of the scan.
    headers
        Of all its images.
    operated
        The side the registry says.
    expected
        What the protocol expects of it; ``None`` for nothing but a shoulder.
    recorded
        Series as they are recorded: a stack keeps its number and what a person corrected.
    """
    in_order = sorted(headers, key=_series_order)
    numbered = list(_numbered(map(name_stack, stacks(in_order)), recorded))
    series = [_series(scan, named, number, by_hand) for named, number, by_hand in numbered]
    keys = {
        (named.stack.header.series_uid, named.stack.number): one.key
        for (named, _, _), one in zip(numbered, series, strict=True)
    }
    named = [_renamed(named, one) for (named, _, _), one in zip(numbered, series, strict=True)]
    problems = [
        *_side_problems(scan, named, series, operated),
        *_shortfalls(scan, named, expected, keys),
    ]
    present = {one.key for one in series}
    gone = [_emptied(each) for each in recorded if each.key not in present]
    return Described((*series, *gone), tuple(problems))


def expected_scan(point: Timepoint | None, modality: Modality) -> ExpectedScan | None:
    """Return what a timepoint expects of a modality; the two kinds of radiograph count as one."""
    alike = RADIOGRAPHS if modality in RADIOGRAPHS else {modality}
    wanted = point.scan if point is not None else ()
    return next((each for each in wanted if each.modality in alike), None)


def _series_order(header: Header) -> tuple[bool, int, str]:
    number = header.series_number
    return number is None, number or 0, header.series_uid


def _numbered(
    found: Iterable[NamedStack], recorded: Sequence[Series]
) -> Iterator[tuple[NamedStack, int, Series | None]]:
    """Yield every stack with its number and the series recorded for it, if any.

    A stack is the recorded one with which it shares most images; a new stack gets the next
    number that was never used.
    """
    by_uid: defaultdict[str, list[NamedStack]] = defaultdict(list)
    for named in found:
        by_uid[named.stack.header.series_uid].append(named)
    for uid, named_stacks in by_uid.items():
        known = [series for series in recorded if series.uid == uid]
        free = max((series.number for series in known), default=0) + 1
        for named in named_stacks:
            images = set(_images(named.stack))
            best = max(known, key=partial(_shared, images), default=None)
            if best is not None and not images.isdisjoint(best.images):
                known.remove(best)
                yield named, best.number, best
            else:
                yield named, free, None
                free += 1


def _images(stack: Stack) -> tuple[str, ...]:
    """Return how a series names its images: by SOP Instance UID, and frame where there are more."""
    if len(stack.header.frames) == 1:
        return tuple(frame.sop_instance_uid for frame in stack.frames)
    return tuple(f"{frame.sop_instance_uid}#{frame.number}" for frame in stack.frames)


def _shared(images: set[str], series: Series) -> int:
    return len(images.intersection(series.images))


def _series(scan: str, named: NamedStack, number: int, by_hand: Series | None) -> Series:
    stack, naming = named.stack, named.naming
    first = stack.frames[0]
    row_mm, column_mm = first.spacing if first.spacing is not None else (None, None)
    series = Series(
        uid=stack.header.series_uid,
        number=number,
        scan=scan,
        plane=naming.plane,
        plane_certainty=naming.plane_certainty,
        weighting=naming.weighting,
        weighting_certainty=naming.weighting_certainty,
        side=naming.side,
        side_claims=tuple(map(_claim_text, naming.side_claims)),
        part=naming.part.value,
        rows=first.rows,
        columns=first.columns,
        slices=len(stack.frames),
        spacing_mm=stack.spacing_mm,
        thickness_mm=stack.thickness_mm,
        row_spacing_mm=row_mm,
        column_spacing_mm=column_mm,
        field_tesla=stack.header.field_tesla,
        images=_images(stack),
        problems=tuple(f"{each.kind.value}: {each.text}" for each in stack.problems),
    )
    return series if by_hand is None else _with_corrections(series, by_hand, stack)


def _with_corrections(series: Series, by_hand: Series, stack: Stack) -> Series:
    """Return a series with everything that a person gave for it before.

    Once the side is certain, the plane is named by it.
    """
    if "side" in by_hand.corrected and stack.planes:
        plane, certainty, _ = name_plane(as_vector(stack.planes[0].normal), by_hand.side)
        series = replace(series, plane=plane, plane_certainty=certainty)
    for name in by_hand.corrected:
        series = corrected(series, name, getattr(by_hand, name))
    return series


def corrected(series: Series, name: str, value: object) -> Series:
    """Return a series with one of ``plane``, ``weighting`` and ``side`` as a person gave it."""
    changes: dict[str, object] = {name: value}
    if name != "side":
        changes[f"{name}_certainty"] = Certainty.CERTAIN
    names = tuple(sorted({*series.corrected, name}))
    return replace(series, corrected=names, **changes)  # type: ignore[arg-type] # field by name


def _claim_text(claim: SideClaim) -> str:
    return f"{claim.side} by {claim.source} ({claim.certainty}): {claim.reason}"


def _renamed(named: NamedStack, series: Series) -> NamedStack:
    """Return a stack under the names of its series, which a person may have corrected."""
    naming = replace(
        named.naming,
        plane=series.plane,
        plane_certainty=series.plane_certainty,
        weighting=series.weighting,
        weighting_certainty=series.weighting_certainty,
    )
    return NamedStack(named.stack, naming)


def _emptied(series: Series) -> Series:
    return replace(series, slices=0, images=(), spacing_mm=None, problems=(NO_LONGER,))


def _side_problems(
    scan: str, named: Sequence[NamedStack], series: Sequence[Series], operated: Side
) -> Iterator[ScanProblem]:
    """Yield the problem of a scan whose images do not show, for certain, the operated side."""
    sources: defaultdict[Side, set[str]] = defaultdict(set)
    for each, one in zip(named, series, strict=True):
        if "side" in one.corrected and one.side is not None:
            sources[one.side].add(BY_A_PERSON)
            continue
        for claim in each.naming.side_claims:
            if claim.certainty.is_trusted:
                sources[claim.side].add(claim.source)
    if not sources.keys() - {operated}:
        return
    told = "; ".join(f"{side} by {', '.join(sorted(sources[side]))}" for side in sorted(sources))
    text = f"{told}; the repair is of the {operated} shoulder"
    yield ScanProblem(scan, ScanProblemKind.SIDE, "", text)


def _shortfalls(
    scan: str,
    named: Sequence[NamedStack],
    expected: ExpectedScan | None,
    keys: dict[tuple[str, int], str],
) -> list[ScanProblem]:
    """Return what a scan falls short in, one problem of a kind about one thing."""
    texts: defaultdict[tuple[ScanProblemKind, str], list[str]] = defaultdict(list)
    for each in shortfalls(named, expected):
        kind = ScanProblemKind(each.kind.value)
        about = keys.get((each.series_uid, each.stack_number), "")
        if kind is ScanProblemKind.SERIES_MISSING:
            about = each.expected
        found = f", found {each.found}" if kind is ScanProblemKind.SERIES_MISSING else ""
        texts[kind, about].append(each.text + found)
    return [
        ScanProblem(scan, kind, about, "; ".join(lines)) for (kind, about), lines in texts.items()
    ]
