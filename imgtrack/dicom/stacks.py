"""One acquired series becomes as many geometric stacks as it really holds."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from imgtrack.dicom.grouping import PARALLEL_TOLERANCE, Group, Image, normal_of, split
from imgtrack.dicom.regularity import Problem, ProblemKind, irregularities
from imgtrack.domain.errors import InvalidInput
from imgtrack.domain.imaging import Modality
from imgtrack.measure.plane import PlaneGeometry
from imgtrack.measure.stack import Stack as Planes

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from imgtrack.dicom.records import Frame, Header
    from imgtrack.measure.points import Points

__all__ = ["Problem", "ProblemKind", "Stack", "stacks"]

Key = tuple[str, int]
"""SOP Instance UID and number of a frame."""

NEARLY_PARALLEL_DEG = 10.0
"""Stacks of one series tilted by less than this look like one that went wrong."""

BREAKING = frozenset(
    {
        ProblemKind.MISSING_SLICES,
        ProblemKind.UNEVEN_SPACING,
        ProblemKind.SHEARED,
        ProblemKind.NO_ORDER,
        ProblemKind.CONFLICTING_COPIES,
    }
)
"""Problems with which a stack is not a regular volume."""


@dataclass(frozen=True, slots=True)
class Stack:
    """Parallel images of one contrast in order along their normal, or one radiograph.

    Attributes
    ----------
    header
        Header of the first image's object: what all its images share.
    frames
        Images in order along the normal (row direction cross column direction).
    planes
        Geometry of each image, patient LPS mm; empty for a radiograph.
    spacing_mm
        Median distance from slice to slice, from the positions; ``None`` with fewer than two.
    number, of
        Which stack of its series this is, from 1, and of how many.
    split_by
        In words, what sets it apart from the other stacks of its series.
    problems
        What is wrong with it, or remarkable.
    """

    header: Header
    frames: tuple[Frame, ...]
    planes: tuple[PlaneGeometry, ...]
    spacing_mm: float | None
    number: int = 1
    of: int = 1
    split_by: tuple[str, ...] = ()
    problems: tuple[Problem, ...] = ()

    @property
    def is_volume(self) -> bool:
        """Whether it is a regular grid: two slices or more, evenly spaced, none missing."""
        return len(self.planes) > 1 and BREAKING.isdisjoint(p.kind for p in self.problems)

    @property
    def thickness_mm(self) -> float | None:
        """Greatest stated slice thickness; ``None`` when no slice states one."""
        stated = [frame.thickness_mm for frame in self.frames if frame.thickness_mm is not None]
        return max(stated, default=None)

    @property
    def gap_mm(self) -> float | None:
        """Distance between the faces of neighbouring slices; below 0 when they overlap."""
        thickness = self.thickness_mm
        if self.spacing_mm is None or thickness is None:
            return None
        return self.spacing_mm - thickness

    @property
    def coverage_mm(self) -> float | None:
        """Length along the normal from the first slice's outer face to the last one's.

        ``None`` for a radiograph; without a stated thickness from centre to centre.
        """
        if not self.planes:
            return None
        ends = self.planes[0].distance([self.planes[-1].origin])
        return float(ends[0]) + (self.thickness_mm or 0.0)

    @property
    def centre(self) -> Points | None:
        """Middle of the stack, patient LPS mm, shape (3,); ``None`` for a radiograph."""
        if not self.planes:
            return None
        corners = np.concatenate([self.planes[0].corners, self.planes[-1].corners])
        middle: Points = corners.mean(axis=0)
        return middle


def stacks(headers: Iterable[Header]) -> list[Stack]:
    """Sort the images of headers into stacks.

    Parameters
    ----------
    headers
        Of one study or of several, in any order.

    Returns
    -------
    list of Stack
        Series by series in the order of their first header; the stacks of a series are the same
        for any order of its headers. Every image is in exactly one stack, copies excepted.
    """
    series: defaultdict[tuple[str, str, Modality], list[Header]] = defaultdict(list)
    for header in headers:
        series[header.study_uid, header.series_uid, header.modality].append(header)
    return [
        stack
        for (_, _, modality), members in series.items()
        for stack in (_mr_stacks(members) if modality is Modality.MR else _radiographs(members))
    ]


def _radiographs(headers: Sequence[Header]) -> Iterator[Stack]:
    images, copies = _without_copies(headers)
    for number, image in enumerate(images, start=1):
        stack = Stack(image.header, (image.frame,), planes=(), spacing_mm=None)
        problems = tuple(_copied(stack, copies))
        yield replace(stack, number=number, of=len(images), problems=problems)


def _mr_stacks(headers: Sequence[Header]) -> Iterator[Stack]:
    images, copies = _without_copies(headers)
    groups = split(images)
    normals = np.array([normal_of(group.images[0].frame) for group in groups])
    for place, group in enumerate(groups):
        stack = _stack(group)
        problems = (*stack.problems, *_tilted(normals, place), *_copied(stack, copies))
        yield replace(stack, number=place + 1, of=len(groups), problems=problems)


def _without_copies(headers: Sequence[Header]) -> tuple[list[Image], dict[Key, ProblemKind]]:
    """Return every image once, and which of them came in several files."""
    kept: dict[Key, Image] = {}
    copies: dict[Key, ProblemKind] = {}
    for header in sorted(headers, key=lambda header: header.source.label):
        for frame in header.frames:
            key = frame.sop_instance_uid, frame.number
            first = kept.setdefault(key, Image(header, frame)).frame
            if first is frame:
                continue
            if replace(frame, source=first.source) != first:
                copies[key] = ProblemKind.CONFLICTING_COPIES
            copies.setdefault(key, ProblemKind.COPIES)
    return list(kept.values()), copies


def _copied(stack: Stack, copies: dict[Key, ProblemKind]) -> Iterator[Problem]:
    """Yield what is to be said of images that came in several files."""
    texts = {
        ProblemKind.COPIES: "came in several files; the first by name is used",
        ProblemKind.CONFLICTING_COPIES: "came in files that differ; the first by name is used",
    }
    found = [copies.get((frame.sop_instance_uid, frame.number)) for frame in stack.frames]
    for kind, text in texts.items():
        slices = tuple(place for place, copy in enumerate(found) if copy is kind)
        if slices:
            yield Problem(kind, f"{len(slices)} images {text}", slices)


def _stack(group: Group) -> Stack:
    """Return the stack of a group, with what its positions tell."""
    positions = np.array([image.frame.position for image in group.images])
    order = np.argsort(positions @ normal_of(group.images[0].frame))
    images = [group.images[place] for place in order]
    frames = tuple(image.frame for image in images)
    planes = tuple(map(_plane, frames))
    stack = Stack(images[0].header, frames, planes, None, split_by=group.traits)
    problems = [group.problem] if group.problem is not None else []
    if len(planes) < 2:
        problems.append(Problem(ProblemKind.SINGLE_SLICE, "one slice is no volume"))
        return replace(stack, problems=tuple(problems))
    try:
        together = Planes(planes)
    except InvalidInput as fault:
        problems.append(Problem(ProblemKind.NO_ORDER, str(fault)))
        return replace(stack, problems=tuple(problems))
    problems.extend(irregularities(together, frames))
    return replace(stack, spacing_mm=together.pitch_mm, problems=tuple(problems))


def _plane(frame: Frame) -> PlaneGeometry:
    return PlaneGeometry.from_attributes(
        position=frame.position or (),
        orientation=(*(frame.row or ()), *(frame.column or ())),
        pixel_spacing=frame.spacing or (),
        rows=frame.rows,
        columns=frame.columns,
        thickness=frame.thickness_mm,
    )


def _tilted(normals: Points, own: int) -> Iterator[Problem]:
    """Yield a remark when other stacks of the series are tilted a little against this one."""
    cosines = np.clip(np.abs(normals @ normals[own]), 0, 1)
    angles = np.degrees(np.arccos(cosines))
    smallest = np.degrees(2 * PARALLEL_TOLERANCE)
    nearly = angles[(angles > smallest) & (angles < NEARLY_PARALLEL_DEG)]
    if nearly.size:
        yield Problem(
            ProblemKind.NOT_PARALLEL,
            f"{nearly.size} other stacks of the series are tilted by {nearly.min():.2f} to"
            f" {nearly.max():.2f} degrees against this one",
        )
