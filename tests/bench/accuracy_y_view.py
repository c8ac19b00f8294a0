"""How near the proposed Y view lies to the true one, over shoulders whose truth is known.

Run by hand: ``python tests/bench/accuracy_y_view.py [--cases N] [--first SEED] [--jobs N]
[--matrix N] [--fat-suppressed]``.

Truth is that of ``synthetic_scans``, which shares no code with the tool: the slice whose middle
plane lies nearest to the plane on which the spine joins the body (Lee, Clin Orthop Surg
2018;10(1)). The shoulders vary in side, size and rotation, in the bulk, fat and retraction of
their muscles, in tears and titanium anchors; the scans in weighting, number, thickness and place
of their slices, in how far a technologist missed the planes of the scapula (3 degrees, one
standard deviation about each axis), and in the fall-off of the coil. Signal-to-noise ratio is 20
in muscle. Every scan is judged twice: whole, and with its field of view cut short so that the
Y view and all medial to it are missing; there the tool should refuse. Seeds below 2000 were used
to choose the tool's constants.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections import Counter
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from scipy.spatial.transform import Rotation
from suggestion_cases import anchors, volume_of

from imgtrack.domain.errors import Refused
from imgtrack.domain.subjects import Side
from imgtrack.measure.stack import Stack
from imgtrack.measure.suggest.volume import Volume
from imgtrack.measure.suggest.y_view import y_view
from imgtrack.stats.proportions import proportion
from synthetic_scans.phantom.implants import implants
from synthetic_scans.phantom.shoulder import Phantom
from synthetic_scans.planes import PlaneFrame, frames, joint_frame
from synthetic_scans.scanner import Acquisition, Artefacts, CoilShading, Weighting, acquire, rod
from synthetic_scans.spec import MUSCLES, Condition, FullThicknessDefect, MuscleState, ShoulderSpec
from synthetic_scans.truth.sections import SliceStack
from synthetic_scans.truth.shoulder import truth

SNR, MATRIX, SAMPLES = 20.0, 256, 4
STACKS = ((24, 3.2, 0.3), (20, 4.0, 0.4), (22, 3.5, 0.35), (28, 3.0, 0.3))
"""Number of slices, their thickness and the gap between them in mm."""

TURN_DEG, SHIFT_MM = 3.0, 2.5
KINDS = ("healthy", "fatty", "wasted", "torn", "metal", "severe")


@dataclass(frozen=True)
class Scan:
    """One series, and the number of its slice nearest to the Y view."""

    volume: Volume
    side: Side
    weighting: str
    nearest: int
    offset_mm: float
    """How far that slice lies lateral of the Y view."""

    @property
    def outwards(self) -> int:
        """1 where slice numbers rise to lateral, else -1."""
        leftwards = self.volume.stack.planes[0].normal[0]
        return 1 if (leftwards > 0) == (self.side is Side.LEFT) else -1


@dataclass(frozen=True)
class Answer:
    """What was proposed for one case: slices and mm too far lateral, or why nothing."""

    seed: int
    kind: str
    weighting: str
    slices: int | None
    lateral_mm: float | None
    refused: str
    cut: int | None
    """Slice proposed although the Y view was cut off; ``None`` when it was refused."""
    seconds: float


def shoulder(seed: int) -> ShoulderSpec:
    """Draw a shoulder of the kind whose turn it is."""
    rng = np.random.default_rng((seed, 31))
    kind = KINDS[seed % len(KINDS)]
    side = "left" if seed // len(KINDS) % 2 else "right"
    spec = ShoulderSpec.vary(seed, side)
    while True:
        try:
            drawn = spec.with_condition(condition(kind, rng))
            Phantom(drawn)
        except ValueError:
            continue
        return drawn


def condition(kind: str, rng: np.random.Generator) -> Condition:
    """Draw the state of muscles, tendon and implants of a kind of shoulder."""

    def muscle(least_bulk: float, most_fat: float, retraction_mm: float = 0.0) -> MuscleState:
        bulk, fat = rng.uniform(least_bulk, 1.0), rng.uniform(0.03, most_fat)
        return MuscleState(float(bulk), float(fat), float(rng.uniform(0, retraction_mm)))

    bounds = {"healthy": (0.9, 0.05), "fatty": (0.9, 0.6), "wasted": (0.3, 0.2)}
    if kind in bounds:
        return Condition(**{name: muscle(*bounds[kind]) for name in MUSCLES})
    if kind == "severe":
        return Condition(**{name: muscle(0.3, 0.7) for name in MUSCLES})
    torn = FullThicknessDefect(float(rng.uniform(8, 26)), float(rng.uniform(8, 34)), 4.0)
    state = muscle(0.4, 0.4, 25.0)
    if kind == "torn":
        return Condition(defect=torn, supraspinatus=state)
    return Condition(anchors=anchors(rng, 0.0), supraspinatus=state)


def scanned(seed: int, *, matrix: int = MATRIX, fat_suppressed: bool = False) -> Scan:
    """Scan the shoulder of a seed."""
    rng = np.random.default_rng((seed, 32))
    spec = shoulder(seed)
    count, thickness, gap = STACKS[int(rng.integers(len(STACKS)))]
    weighting = Weighting.T1 if rng.random() < 0.7 else Weighting.PD
    if fat_suppressed:
        weighting = Weighting.PD_FAT_SUPPRESSED
    wanted = Acquisition(
        plane="sagittal_oblique",
        weighting=weighting,
        n_slices=count,
        thickness_mm=thickness,
        gap_mm=gap,
        matrix=(matrix, matrix),
        samples=SAMPLES,
        snr=SNR,
        artefacts=artefacts(spec),
    )
    stack = acquire(Phantom(spec), wanted, by_hand(spec, rng), rng)
    geometry = SliceStack("sagittal_oblique", stack.row, stack.column, stack.positions)
    known = truth(spec, [geometry]).stacks[0]
    if known.y_index is None or known.y_offset_mm is None:
        raise ValueError(spec)
    found = Scan(volume_of(stack), Side(spec.side), weighting.value, known.y_index, 0.0)
    return replace(found, offset_mm=found.outwards * known.y_offset_mm)


def by_hand(spec: ShoulderSpec, rng: np.random.Generator) -> PlaneFrame:
    """Return the sagittal planes as a technologist sets them: turned and shifted a little."""
    frame = frames(spec)["sagittal_oblique"]
    turn = Rotation.from_rotvec(np.deg2rad(rng.normal(0.0, TURN_DEG, 3)))
    return replace(
        frame,
        row=turn.apply(frame.row),
        column=turn.apply(frame.column),
        centre=frame.centre
        + rng.normal(0.0, SHIFT_MM, 3)
        + rng.uniform(-6.0, 3.0) * joint_frame(spec).axes[0],
    )


def artefacts(spec: ShoulderSpec) -> Artefacts:
    """Return the fall-off of a coil over the deltoid, and the field of titanium anchors."""
    x, y, z = joint_frame(spec).to_patient(np.array([70.0, -20.0, 10.0])).tolist()
    metal = tuple(
        sphere
        for implant in implants(spec)
        for sphere in rod(tuple(implant.head), tuple(implant.tip), implant.diameter / 2)
    )
    return Artefacts(shading=CoilShading((x, y, z), 150.0), metal=metal)


def cut_short(scan: Scan) -> Volume:
    """Return the slices lateral of the one nearest to the Y view."""
    is_rising = scan.outwards > 0
    kept = slice(scan.nearest + 1, None) if is_rising else slice(0, scan.nearest)
    return Volume(scan.volume.pixels[kept], Stack(scan.volume.stack.planes[kept]))


def proposed(volume: Volume, side: Side) -> tuple[int | None, str]:
    """Return the slice proposed, or why there is none."""
    try:
        return y_view(volume, side).slice, ""
    except Refused as why:
        return None, why.faults[0].found


def answered(seed: int, *, matrix: int = MATRIX, fat_suppressed: bool = False) -> Answer:
    """Scan and judge one case."""
    scan = scanned(seed, matrix=matrix, fat_suppressed=fat_suppressed)
    began = time.perf_counter()
    found, refused = proposed(scan.volume, scan.side)
    seconds = time.perf_counter() - began
    slices = None if found is None else scan.outwards * (found - scan.nearest)
    pitch_mm = scan.volume.stack.pitch_mm
    return Answer(
        seed=seed,
        kind=KINDS[seed % len(KINDS)],
        weighting=scan.weighting,
        slices=slices,
        lateral_mm=None if slices is None else scan.offset_mm + slices * pitch_mm,
        refused=refused,
        cut=proposed(cut_short(scan), scan.side)[0],
        seconds=seconds,
    )


def share(words: str, events: int, n: int) -> None:
    """Print a share with its Wilson limits."""
    if n:
        found = proportion(events, n)
        limits = f"{100 * found.low:.1f} to {100 * found.high:.1f}"
        print(f"{words:<44}{events:>5} of {n:<5}{100 * events / n:>6.1f} % ({limits})")


def report(answers: Sequence[Answer]) -> None:
    """Print how near the proposals lie, what was refused, and what was not."""
    given = [each for each in answers if each.slices is not None]
    print("\nscans that show the Y view; 95 % limits after Wilson")
    for most in (0, 1, 2):
        near = sum(abs(each.slices or 0) <= most for each in given)
        share(f"within {most} slices, of all", near, len(answers))
    share("refused wrongly", len(answers) - len(given), len(answers))
    share("proposed, but more than one slice off", sum(abs(e.slices or 0) > 1 for e in given),
          len(given))  # fmt: skip
    if given:
        off = np.array([each.lateral_mm for each in given])
        print(f"worst: {max(abs(each.slices or 0) for each in given)} slices,"
              f" {np.abs(off).max():.1f} mm")  # fmt: skip
        print(f"mm: mean {np.abs(off).mean():.2f}, 95th {np.quantile(np.abs(off), 0.95):.2f},"
              f" mean to lateral {off.mean():+.2f}")  # fmt: skip
    print("\nby kind: 0, 1, 2 or more slices off; refused")
    for kind in (*KINDS, "t1", "pd"):
        of_kind = [each for each in answers if kind in (each.kind, each.weighting)]
        counts = Counter(None if e.slices is None else min(abs(e.slices), 2) for e in of_kind)
        print(f"{kind:<12}" + "".join(f"{counts[step]:>5}" for step in (0, 1, 2, None)))
    print("\nfield of view that ends lateral of the Y view")
    share("refused rightly", sum(each.cut is None for each in answers), len(answers))
    for each in answers:
        if each.slices is None or abs(each.slices) > 1 or each.cut is not None:
            print(each)
    print(f"\nmedian time of a proposal: {np.median([each.seconds for each in answers]):.1f} s")


def main() -> int:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=72)
    parser.add_argument("--first", type=int, default=2000)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--matrix", type=int, default=MATRIX, help="112 for pixels of 1.3 mm")
    parser.add_argument("--fat-suppressed", action="store_true", help="where nothing is asked for")
    asked = parser.parse_args()
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    judge = partial(answered, matrix=asked.matrix, fat_suppressed=asked.fat_suppressed)
    with ProcessPoolExecutor(asked.jobs) as pool:
        answers = list(pool.map(judge, range(asked.first, asked.first + asked.cases)))
    report(answers)
    return 0


if __name__ == "__main__":
    sys.exit(main())
