"""How well, and how fast, a follow-up is laid on the first scan, at full size.

Run by hand: ``python tests/bench/bench_registration.py [SEEDS]``. Truth is the motion made between
two scans of a phantom; see ``tests/measure/register_scans.py``. The limits are the project's own:
0.5 mm and 0.5 degrees. ``torn``: the tendon tore in between; ``raised``: the head rose by 3 mm
against the shoulder blade as well, which the limits do not promise. The residual told to the user
is printed beside the true distance on the surface of the head, which it stands for.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "measure"))

from register_scans import HEALED, RAISED, TORN, moved_scans

from imgtrack.measure.registration.align import register_humerus
from imgtrack.measure.registration.humerus import find_humerus

LIMIT_MM, LIMIT_DEGREES = 0.5, 0.5
STATES = {"healed": HEALED, "torn": TORN, "raised": RAISED}


def true_distance(moved, found) -> float:
    """Return the root mean square error on the surface of the head, mm."""
    surface = find_humerus([pair.first for pair in moved.pairs], moved.side).surface()
    back = moved.truth.inverse.apply(surface)
    off = found.to_first.apply(back) - surface
    return float(np.sqrt(np.mean(np.sum(off**2, axis=1))))


def measure(state: str, seed: int) -> tuple[float, float]:
    """Print one line and return the errors in mm and degrees."""
    moved = moved_scans(seed, size="full", later=STATES[state])
    began = time.perf_counter()
    found = register_humerus(moved.pairs, moved.side)
    took = time.perf_counter() - began
    off_mm, off_degrees = moved.error(found.to_first)
    told = f"residual {found.residual_mm:.2f} mm, true {true_distance(moved, found):.2f} mm"
    print(
        f"{state:<7} {seed:>3}  {off_mm:.2f} mm  {off_degrees:.2f} degrees  {told}  {took:.0f} s",
        flush=True,
    )
    return off_mm, off_degrees


def main() -> int:
    seeds = range(int(sys.argv[1]) if len(sys.argv) > 1 else 6)
    kept = True
    for state in STATES:
        errors = np.array([measure(state, seed) for seed in seeds])
        within = (errors <= (LIMIT_MM, LIMIT_DEGREES)).all(axis=1)
        middle, worst = np.median(errors, axis=0), errors.max(axis=0)
        print(f"{state}: {within.sum()} of {len(within)} within the limits")
        print(f"  median {middle} mm and degrees; worst {worst}", flush=True)
        kept &= state == "raised" or bool(within.all())
    return 0 if kept else 1


if __name__ == "__main__":
    sys.exit(main())
