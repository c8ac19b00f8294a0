"""How well, and how fast, a follow-up is laid on the first scan, at full size.

Run by hand: ``python tests/bench/bench_registration.py [FIRST] [SEEDS] [STATE ...]``. Truth is the
motion made between two scans of a phantom; see ``tests/measure/register_scans.py``. The limits are
the project's own: 0.5 mm and 0.5 degrees. The follow-up is made by another protocol each time:
pixels, slices, planes and noise differ, and the patient lies some centimetres and 3 to 12 degrees
elsewhere. The residual told to the user is printed beside the true distance on the surface of the
head, and beside the true turn, which it stands for; the ratio over all cases says how honest it is.

States: ``healed``; ``torn``, the tendon tore in between; ``raised``, torn, and the head rose by
3 mm against the shoulder blade; ``arm``, healed, and the arm turned by 10 to 25 degrees in its
socket; ``arm_torn``, ``arm_raised``; ``metal_later``, torn, with anchors of metal in the follow-up
only; ``metal``, in both; ``arm_metal``.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "measure"))

from register_scans import ANCHORS, HEALED, RAISED, TORN, Moved, moved_scans, other_protocol

from imgtrack.domain.errors import Refused
from imgtrack.measure.registration.align import Registration, register_humerus
from imgtrack.measure.registration.humerus import find_humerus

LIMIT_MM, LIMIT_DEGREES = 0.5, 0.5
SPREAD_MM = 20.0
METAL, TORN_METAL = replace(HEALED, anchors=ANCHORS), replace(TORN, anchors=ANCHORS)
STATES = {
    "healed": (HEALED, HEALED),
    "torn": (HEALED, TORN),
    "raised": (HEALED, RAISED),
    "arm": (HEALED, HEALED),
    "arm_torn": (HEALED, TORN),
    "arm_raised": (HEALED, RAISED),
    "metal_later": (HEALED, TORN_METAL),
    "metal": (METAL, TORN_METAL),
    "arm_metal": (METAL, TORN_METAL),
}


def scans(state: str, seed: int) -> Moved:
    """Return the scans of one case."""
    rng = np.random.default_rng(seed + 5000)
    is_arm = state.startswith("arm")
    # Turned arms are sampled more coarsely within a voxel: they take ten times as long.
    again = other_protocol(rng, "fair" if is_arm else "full")
    turn = rng.choice([-1, 1]) * rng.uniform(10, 25) if is_arm else 0.0
    first, later = STATES[state]
    return moved_scans(
        seed,
        size="full",
        first=first,
        later=later,
        arm_degrees=turn,
        shift_mm=SPREAD_MM,
        again=again,
    )


def true_distance(moved: Moved, found: Registration) -> float:
    """Return the root mean square error on the surface of the head, mm."""
    surface = find_humerus([pair.first for pair in moved.pairs], moved.side).surface()
    back = moved.truth.inverse.apply(surface)
    off = found.to_first.apply(back) - surface
    return float(np.sqrt(np.mean(np.sum(off**2, axis=1))))


def measure(state: str, seed: int) -> list[float] | None:
    """Print one line and return errors, true and told, and seconds; ``None`` if refused."""
    moved = scans(state, seed)
    began = time.perf_counter()
    try:
        found = register_humerus(moved.pairs, moved.side)
    except Refused as refusal:
        print(f"{state:<11} {seed:>4}  refused: {refusal}", flush=True)
        return None
    took = time.perf_counter() - began
    off_mm, off_degrees = moved.error(found.to_first)
    surface = true_distance(moved, found)
    print(
        f"{state:<11} {seed:>4}  {off_mm:.2f} mm {off_degrees:.2f} degrees; surface "
        f"{surface:.2f} mm, told {found.residual_mm:.2f} mm {found.residual_degrees:.2f} degrees"
        f"{' coarse' if found.is_coarse else ''}; {took:.0f} s",
        flush=True,
    )
    return [off_mm, off_degrees, surface, found.residual_mm, found.residual_degrees, took]


def summary(state: str, rows: list[list[float]], refused: int) -> bool:
    """Print what a state came to; whether all that was told to be fine was within the limits."""
    found = np.array(rows).reshape(-1, 6)
    if not len(found):
        print(f"{state}: {refused} refused, none laid")
        return True
    within = (found[:, :2] <= (LIMIT_MM, LIMIT_DEGREES)).all(axis=1)
    fine = (found[:, 3:5] <= (LIMIT_MM, LIMIT_DEGREES)).all(axis=1)
    ratio_mm, ratio_degrees = np.sqrt(
        np.mean(found[:, [3, 4]] ** 2, axis=0) / np.mean(found[:, [2, 1]] ** 2, axis=0)
    )
    middle, worst = np.median(found[:, :2], axis=0), found[:, :2].max(axis=0)
    print(
        f"{state}: {within.sum()} of {len(found)} within the limits, {refused} refused; of "
        f"{fine.sum()} told to be fine {(within & fine).sum()}\n"
        f"  median {middle.round(2)}, worst {worst.round(2)} mm and degrees; told over true "
        f"{ratio_mm:.2f} in mm, {ratio_degrees:.2f} degrees; {np.median(found[:, 5]):.0f} s each",
        flush=True,
    )
    return bool(within[fine].all())


def main() -> int:
    first, seeds = (int(text) for text in (*sys.argv[1:3], *("0", "10")[len(sys.argv[1:3]) :]))
    states = sys.argv[3:] or list(STATES)
    rows: dict[str, list[list[float] | None]] = {state: [] for state in states}
    for seed in range(first, first + seeds):
        for state in states:
            rows[state].append(measure(state, seed))
    laid = {state: [row for row in each if row is not None] for state, each in rows.items()}
    kept = [summary(state, laid[state], len(rows[state]) - len(laid[state])) for state in states]
    everything = [row for each in laid.values() for row in each]
    summary("all", everything, sum(map(len, rows.values())) - len(everything))
    return 0 if all(kept) else 1


if __name__ == "__main__":
    sys.exit(main())
