"""The search for the motion that lays the humerus of a follow-up on that of the first scan."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.optimize import minimize

from imgtrack.domain.errors import Fault, Refused
from imgtrack.measure.registration.humerus import find_humerus
from imgtrack.measure.registration.likeness import Likeness, SeriesPair

if TYPE_CHECKING:
    from imgtrack.domain.subjects import Side
    from imgtrack.measure.motion import RigidTransform
    from imgtrack.measure.points import Points, Vector
    from imgtrack.measure.registration.humerus import Humerus

COARSE_MM, FINE_MM, BLUR_MM = 2.4, 1.2, 1.0
"""Distance of the pixels used by the first and by the last search, and the smoothing of both. On
phantoms less smoothing left turns up to 1.5 degrees off, and more drew in the shoulder blade."""

TURNS_DEG = (-9.0, 0.0, 9.0)
"""Angles about each axis from which searches may start: 27 in all."""

STARTS = 3
"""The most alike of them are followed."""

LARGEST_RESIDUAL_MM = 1.5
"""Searches that leave out a plane must agree this well; our rule, tested on phantoms only."""

FARTHEST_HEAD_MM = 4.0
"""How far the two heads, each found on its own scan, may lie apart after the motion."""

EVENNESS = 0.1
"""How far one step from slice to slice may be from the median one, as a share of it."""


@dataclass(frozen=True, slots=True)
class Registration:
    """The motion of a humerus between two scans, and how sure it is.

    Attributes
    ----------
    to_first
        From the follow-up to the first scan, patient LPS mm.
    residual_mm
        Root mean square distance, on the surface of the head, between the places that all planes
        together give and those that they give when one of them is left out.
    head_mm
        How far the centres of the two heads, each found on its own scan, lie apart after the
        motion: a check by another way.
    planes
        How many pairs of series were used.
    centre
        Centre of the head in the first scan, patient LPS mm.
    """

    to_first: RigidTransform
    residual_mm: float
    head_mm: float
    planes: int
    centre: Vector


def register_humerus(
    pairs: Sequence[SeriesPair],
    side: Side,
    *,
    near_first: Sequence[Vector] = (),
    near_follow: Sequence[Vector] = (),
) -> Registration:
    """Lay the humerus of a follow-up on that of the first scan.

    Parameters
    ----------
    pairs
        Series of the same plane in both scans, the coronal oblique ones first; two planes or more
        that cross each other.
    side
        The shoulder.
    near_first, near_follow
        Points drawn on the cuff in either scan, patient LPS mm; the heads are looked for beneath
        them first.

    Raises
    ------
    Refused
        If fewer than two pairs can be used, no head is found, or the search failed: planes
        contradict each other, or the heads do not meet.

    Notes
    -----
    Starts where the heads lie on each other, from several turns; follows the most alike; ends on
    finer pixels. Nothing of it is random.

    References
    ----------
    Ragonneau TM. Model-based derivative-free optimization methods and software. PhD thesis, Hong
    Kong Polytechnic University 2022 (COBYQA, the search).
    """
    used = [pair for pair in pairs if _is_even(pair)]
    if len(used) < 2:
        raise Refused(
            Fault(
                "the scans cannot be laid on each other",
                expected="two planes or more that both scans have, with evenly spaced slices",
                found=str(len(used)),
                next_step="look at them side by side as they are",
            )
        )
    bone = find_humerus([pair.first for pair in used], side, near=near_first)
    follow = find_humerus([pair.follow for pair in used], side, near=near_follow)
    coarse = Likeness(used, bone, sample_mm=COARSE_MM, blur_mm=BLUR_MM)
    best = _followed(coarse, _starts(coarse, bone, follow))
    fine = Likeness(used, bone, sample_mm=FINE_MM, blur_mm=BLUR_MM)
    numbers = _search(fine, best, reach=1.0, until=0.01)
    others = _without_each(used, bone, numbers)
    to_first = fine.motion(numbers)
    found = Registration(
        to_first,
        _disagreement(to_first, [fine.motion(each) for each in others], bone),
        _between(to_first, follow.head.centre, bone.head.centre),
        len(used),
        bone.head.centre,
    )
    _check(found)
    return found


def _is_even(pair: SeriesPair) -> bool:
    return all(
        np.allclose(np.diff(each.stack.positions), each.stack.pitch_mm, rtol=EVENNESS)
        for each in (pair.first, pair.follow)
    )


def _starts(coarse: Likeness, bone: Humerus, follow: Humerus) -> list[Points]:
    shift = np.subtract(follow.head.centre, bone.head.centre)
    turns = [np.array([*angles, *shift]) for angles in product(TURNS_DEG, repeat=3)]
    return sorted(turns, key=coarse)[:STARTS]


def _followed(coarse: Likeness, starts: Sequence[Points]) -> Points:
    ends = [_search(coarse, start, reach=3.0, until=0.05) for start in starts]
    return min(ends, key=coarse)


def _search(likeness: Likeness, start: Points, *, reach: float, until: float) -> Points:
    """Return the motion that a search without slopes ends at; steps in degrees and mm."""
    how: Any = {"initial_tr_radius": reach, "final_tr_radius": until}
    found: Points = minimize(likeness, start, method="COBYQA", options=how).x
    return found


def _without_each(pairs: Sequence[SeriesPair], bone: Humerus, numbers: Points) -> list[Points]:
    """Return where the search ends without one plane, for each of them."""
    ends = []
    for number in range(len(pairs)):
        rest = [*pairs[:number], *pairs[number + 1 :]]
        likeness = Likeness(rest, bone, sample_mm=COARSE_MM, blur_mm=BLUR_MM)
        ends.append(_search(likeness, numbers, reach=1.0, until=0.02))
    return ends


def _disagreement(
    to_first: RigidTransform, others: Sequence[RigidTransform], bone: Humerus
) -> float:
    surface = to_first.inverse.apply(bone.surface())
    off = [each.apply(surface) - to_first.apply(surface) for each in others]
    return float(np.sqrt(np.mean(np.sum(np.square(off), axis=-1))))


def _between(to_first: RigidTransform, follow: Vector, first: Vector) -> float:
    return float(np.linalg.norm(to_first.apply([follow])[0] - first))


def _check(found: Registration) -> None:
    faults = [
        Fault(what, "", f"at most {limit:g} mm", f"{value:.1f} mm", "look at them as they are")
        for what, value, limit in (
            (
                "laying the scans on each other failed: the planes contradict each other",
                found.residual_mm,
                LARGEST_RESIDUAL_MM,
            ),
            (
                "laying the scans on each other failed: the humeral heads do not meet",
                found.head_mm,
                FARTHEST_HEAD_MM,
            ),
        )
        if value > limit
    ]
    if faults:
        raise Refused(faults)
