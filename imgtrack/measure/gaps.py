"""Slices that show a gap, and the millimetres they stand for."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise

from imgtrack.domain.errors import Fault, InvalidInput


@dataclass(frozen=True, slots=True)
class GapSlices:
    """The slices of one series in which the tendon is interrupted.

    Attributes
    ----------
    count
        How many slices show the gap; this is what the Sugaya type counts.
    runs
        First and last slice number of each unbroken run.
    pitch_mm, thickness_mm
        Distance from slice to slice and slice thickness.
    pitch_extent_mm
        Longest run as number of slices times pitch.
    tissue_extent_mm
        Longest run from the outer face of its first slice to the outer face of its last.
    at_least_mm, at_most_mm
        A gap that shows in exactly the slices of the longest run is longer than the first and
        shorter than the second.
    """

    count: int
    runs: tuple[tuple[int, int], ...]
    pitch_mm: float
    thickness_mm: float
    pitch_extent_mm: float
    tissue_extent_mm: float
    at_least_mm: float
    at_most_mm: float


def gap_slices(slices: Iterable[int], *, pitch_mm: float, thickness_mm: float) -> GapSlices:
    """Return what a set of marked slices means in millimetres.

    Parameters
    ----------
    slices
        Numbers of the slices that show the gap, in any order; a repeated number counts once.
        Empty when there is no gap.
    pitch_mm
        Distance from slice to slice, computed from image positions.
    thickness_mm
        Slice thickness.

    Returns
    -------
    GapSlices
        All extents 0 without a gap.

    Raises
    ------
    InvalidInput
        If a slice number is negative, or pitch or thickness is not above 0.

    Notes
    -----
    At 4 mm thickness and 0.4 mm between slices, two slices are 8.8 mm of pitch and 8.4 mm of
    tissue; at 3 mm and 0.3 mm, 6.6 and 6.3 mm: the same defect can be of another Sugaya type in
    another protocol.
    """
    numbers = sorted(set(slices))
    faults = [Fault("slice numbers start at 0", found=str(n)) for n in numbers if n < 0]
    faults += [
        Fault(f"{name} must be above 0", found=str(value))
        for name, value in (("pitch", pitch_mm), ("thickness", thickness_mm))
        if not 0 < value < float("inf")
    ]
    if faults:
        raise InvalidInput(faults)
    runs = _runs(numbers)
    longest = max((last - first + 1 for first, last in runs), default=0)
    between = max(longest - 1, 0) * pitch_mm
    is_gap = longest > 0
    return GapSlices(
        count=len(numbers),
        runs=runs,
        pitch_mm=pitch_mm,
        thickness_mm=thickness_mm,
        pitch_extent_mm=longest * pitch_mm,
        tissue_extent_mm=between + thickness_mm if is_gap else 0.0,
        at_least_mm=max(between - thickness_mm, 0.0),
        at_most_mm=max((longest + 1) * pitch_mm - thickness_mm, 0.0) if is_gap else 0.0,
    )


def _runs(numbers: list[int]) -> tuple[tuple[int, int], ...]:
    if not numbers:
        return ()
    breaks = [(low, high) for low, high in pairwise(numbers) if high - low > 1]
    begins = [numbers[0], *(high for _, high in breaks)]
    ends = [*(low for low, _ in breaks), numbers[-1]]
    return tuple(zip(begins, ends, strict=True))


def same_slicing(first: GapSlices, later: GapSlices, *, tolerance_mm: float = 0.1) -> bool:
    """Whether two scans cut alike, so that their slice counts may be compared.

    Parameters
    ----------
    first, later
        The same plane at two timepoints.
    tolerance_mm
        Largest difference of pitch and of thickness that counts as alike; 0.1 mm is our choice.
    """
    pitch = abs(first.pitch_mm - later.pitch_mm)
    thickness = abs(first.thickness_mm - later.thickness_mm)
    return max(pitch, thickness) <= tolerance_mm
