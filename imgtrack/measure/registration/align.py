"""The search for the motion that lays the humerus of a follow-up on that of the first scan."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.optimize import minimize
from scipy.spatial.transform import Rotation

from imgtrack.domain.errors import Fault, Refused
from imgtrack.measure.registration.bowl import lowest, places_around
from imgtrack.measure.registration.humerus import WIDE, find_humerus
from imgtrack.measure.registration.likeness import Likeness, SeriesPair

if TYPE_CHECKING:
    from imgtrack.domain.subjects import Side
    from imgtrack.measure.motion import RigidTransform
    from imgtrack.measure.points import Points, Vector
    from imgtrack.measure.registration.humerus import Humerus

COARSE_MM, FINE_MM = 2.4, 0.6
"""Distance of the pixels used by the first and by the last search."""

TURNS_DEG = (-30.0, -20.0, -10.0, 0.0, 10.0, 20.0, 30.0)
TILTS_DEG = (-8.0, 0.0, 8.0)
"""Angles about the length of the arm, and across it, from which searches may start."""

STARTS = 3
"""The most alike of them are followed."""

BOWL_DEGREES, BOWL_MM, BOWL_PIXEL_MM = 1.2, 0.4, 0.65
"""Size of the bowl laid around the end of the searches, for pixels up to the third; larger in
proportion for larger ones, where the values waver more."""

BOWL_POWER, ROUNDS = 7, 2
"""Its places (2 to the first), and how often it is laid anew around its own lowest point."""

BELIEVED, SUSPECTED = 2.0, 4.0
"""How far, in its own size, a bowl's lowest point may lie from its middle: of all planes, and of
those that are left when one is left out, which need only tell that they want to go far."""

WANTED_MM, WANTED_DEGREES = 0.5, 0.5
"""A residual above either is said to be coarse."""

TRUSTED_PLANES = 3
"""Two planes tell a residual that may be a third of the true error, as seen on phantoms."""

SHORTFALL = 1.5
"""By how much the jackknife of two or three planes falls short of the true error on phantoms; see
``tests/bench/bench_registration.py``. What draws all planes the same way it cannot see."""

LARGEST_RESIDUAL_MM, LARGEST_RESIDUAL_DEGREES = 1.5, 4.0
"""Above either the search has failed; our rule, tested on phantoms only."""

FARTHEST_HEAD_MM = 4.0
"""How far the two heads, each found on its own scan, may lie apart after the motion."""

SIZES = tuple(1 + 0.02 * step for step in range(-5, 6))
LARGEST_MISFIT = 0.015
"""Sizes tried, and how far from 1 the best may lie. A bone does not grow between two scans; the
radius of heads differs from patient to patient by 9 % (one standard deviation: Iannotti, J Bone
Joint Surg Am 1992;74:491)."""

FAILED = "laying the scans on each other failed"

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
        Standard error on the surface of the head, root mean square over it, as planes that are
        left out in turn tell it (jackknife, with what it falls short by on phantoms).
    head_mm
        How far the centres of the two heads, each found on its own scan, lie apart after the
        motion: a check by another way.
    planes
        How many pairs of series were used.
    centre
        Centre of the head in the first scan, patient LPS mm.
    residual_degrees
        Standard error of the turn, told the same way.
    """

    to_first: RigidTransform
    residual_mm: float
    head_mm: float
    planes: int
    centre: Vector
    residual_degrees: float

    @property
    def is_coarse(self) -> bool:
        """Whether the residual is above 0.5 mm or 0.5 degrees, or told by two planes only."""
        is_small = self.residual_mm <= WANTED_MM and self.residual_degrees <= WANTED_DEGREES
        return self.planes < TRUSTED_PLANES or not is_small

    @property
    def words(self) -> str:
        """The residual in words."""
        told = f"residual {self.residual_mm:.2f} mm and {self.residual_degrees:.2f} degrees"
        if self.planes < TRUSTED_PLANES:
            return f"{told}: coarse, told by {self.planes} planes only"
        limits = f"{WANTED_MM:g} mm or {WANTED_DEGREES:g} degrees"
        return f"{told}: coarse, above {limits}" if self.is_coarse else told


def register_humerus(
    pairs: Sequence[SeriesPair],
    side: Side,
    *,
    near_first: Sequence[Vector] = (),
    near_follow: Sequence[Vector] = (),
    watch: Callable[[], object] | None = None,
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
    watch
        Called for every motion that is tried; may raise, to end the search.

    Raises
    ------
    Refused
        If fewer than two pairs can be used, no head is found, or the search failed: planes
        contradict each other, the turn is uncertain, the heads do not meet, or the bones are not
        of one size. Another patient's bone of the same size is not told apart.

    Notes
    -----
    Starts where the heads lie on each other, from many turns: the patient may lie as before or the
    planes may be set as before, and in either the arm may be turned. Follows the most alike by
    pixels close to the bone; ends at the lowest point of a bowl laid through values on finer
    pixels, those of the bone's whole outline too. Nothing of it is random.

    References
    ----------
    Ragonneau TM. Model-based derivative-free optimization methods and software. PhD thesis, Hong
    Kong Polytechnic University 2022 (COBYQA, the search). Efron B, Stein C. Ann Stat 1981;9:586-96
    (the jackknife's standard error; from memory).
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
    coarse = Likeness(used, bone, follow, sample_mm=COARSE_MM, watch=watch)
    best = _followed(coarse, _starts(coarse, bone, follow))
    wide, wide_follow = replace(bone, reach=WIDE), replace(follow, reach=WIDE)
    fine = Likeness(used, wide, wide_follow, sample_mm=FINE_MM, watch=watch)
    numbers, without = _settled(fine, best)
    others = [fine.motion(each) for each in without]
    to_first = fine.motion(numbers)
    found = Registration(
        to_first,
        _standard_error(_distances(to_first, others, bone)),
        _between(to_first, follow.head.centre, bone.head.centre),
        len(used),
        bone.head.centre,
        _standard_error([to_first.inverse.then(each).degrees for each in others]),
    )
    check(found, _size(coarse, best))
    return found


def _is_even(pair: SeriesPair) -> bool:
    return all(
        np.allclose(np.diff(each.stack.positions), each.stack.pitch_mm, rtol=EVENNESS)
        for each in (pair.first, pair.follow)
    )


def _starts(coarse: Likeness, bone: Humerus, follow: Humerus) -> list[Points]:
    """Return the motions that make the scans most alike, of all that searches may start from."""
    shift = np.subtract(follow.head.centre, bone.head.centre)
    as_planes = Rotation.from_matrix(follow.axes.T @ bone.axes)
    arm = [
        Rotation.from_rotvec(np.array([first, turn, second]) @ bone.axes, degrees=True)
        for turn, first, second in product(TURNS_DEG, TILTS_DEG, TILTS_DEG)
    ]
    turns = [base * each for base in (Rotation.identity(), as_planes) for each in arm]
    motions = [np.array([*each.as_rotvec(degrees=True), *shift]) for each in turns]
    return sorted(motions, key=coarse)[:STARTS]


def _followed(coarse: Likeness, starts: Sequence[Points]) -> Points:
    ends = [_search(coarse, start) for start in starts]
    return min(ends, key=coarse)


def _search(likeness: Likeness, start: Points) -> Points:
    """Return the motion that a search without slopes ends at; steps in degrees and mm."""
    how: Any = {"initial_tr_radius": 3.0, "final_tr_radius": 0.2}
    found: Points = minimize(likeness, start, method="COBYQA", options=how).x
    return found


def _settled(likeness: Likeness, start: Points) -> tuple[Points, list[Points]]:
    """Return the lowest point of the bowl around a start, and that without each of the planes."""
    places = places_around(6, BOWL_POWER)
    larger = max(1.0, likeness.pixel_mm / BOWL_PIXEL_MM)
    size = larger * np.repeat([BOWL_DEGREES, BOWL_MM], 3)
    numbers = middle = start
    values = np.empty((0, 0))
    for _ in range(ROUNDS):
        middle = numbers
        values = np.array([likeness.by_plane(middle + size * place) for place in places])
        numbers = middle + size * lowest(places, values.mean(axis=1), farthest=BELIEVED)
    rest = [np.delete(values, plane, axis=1).mean(axis=1) for plane in range(values.shape[1])]
    return numbers, [middle + size * lowest(places, each, farthest=SUSPECTED) for each in rest]


def _distances(
    to_first: RigidTransform, others: Sequence[RigidTransform], bone: Humerus
) -> list[float]:
    """Return how far other motions carry the head's surface elsewhere, root mean square, mm."""
    surface = to_first.inverse.apply(bone.surface())
    off = [each.apply(surface) - to_first.apply(surface) for each in others]
    return [float(np.sqrt(np.mean(np.sum(np.square(each), axis=-1)))) for each in off]


def _standard_error(off: Sequence[float]) -> float:
    """Return the standard error from what leaving out one of n changes."""
    jackknife = np.sqrt((len(off) - 1) / len(off) * np.sum(np.square(off)))
    return float(SHORTFALL * jackknife)


def _between(to_first: RigidTransform, follow: Vector, first: Vector) -> float:
    return float(np.linalg.norm(to_first.apply([follow])[0] - first))


def _size(likeness: Likeness, numbers: Points) -> float:
    """Return how many times larger the follow-up's bone is, between the sizes tried."""
    values = [float(np.mean(likeness.by_plane(numbers, size=size))) for size in SIZES]
    best = int(np.argmin(values))
    if not 0 < best < len(SIZES) - 1:
        return SIZES[best]
    below, least, above = values[best - 1 : best + 2]
    bend = below + above - 2 * least
    aside = (below - above) / (2 * bend) if bend > 0 else 0.0
    return SIZES[best] + aside * (SIZES[1] - SIZES[0])


def check(found: Registration, size: float) -> None:
    """Refuse a registration that failed.

    Parameters
    ----------
    found
        What the search ended in.
    size
        How many times larger the follow-up's bone seems to be.

    Raises
    ------
    Refused
        With every reason.
    """
    limits = (
        ("the planes contradict each other", found.residual_mm, LARGEST_RESIDUAL_MM, "mm"),
        (
            "the turn of the arm is not certain",
            found.residual_degrees,
            LARGEST_RESIDUAL_DEGREES,
            "degrees",
        ),
        ("the humeral heads do not meet", found.head_mm, FARTHEST_HEAD_MM, "mm"),
    )
    faults = [
        Fault(
            f"{FAILED}: {what}",
            expected=f"at most {limit:g} {unit}",
            found=f"{value:.1f} {unit}",
            next_step="look at them as they are",
        )
        for what, value, limit, unit in limits
        if value > limit
    ]
    if abs(size - 1) > LARGEST_MISFIT:
        faults.append(
            Fault(
                f"{FAILED}: the bones are not of one size",
                expected=f"within {100 * LARGEST_MISFIT:g} %",
                found=f"{100 * (size - 1):+.1f} %",
                next_step="check that both scans are of one patient, and their pixel spacing",
            )
        )
    if faults:
        raise Refused(faults)
