"""How long the phantom takes, against plain noise images of the same size in the same run.

``python tests/bench/phantom_speed.py`` scans one study (3 planes x 24 slices, 320 x 320,
supersampled; target 3 s on 2 idle cores) and makes the demo study of 30 repairs (target 4
minutes); ``--no-cohort`` leaves the second out. The peer is numpy: one Gaussian noise image
stack of the same shape, ``default_rng().standard_normal`` in float32 by one thread.
"""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from statistics import median

import numpy as np

from synthetic_scans.cohort.run import Settings, make_cohort
from synthetic_scans.phantom.shoulder import Phantom
from synthetic_scans.planes import PLANES, frames
from synthetic_scans.scanner import Acquisition, acquire
from synthetic_scans.spec import Condition, FullThicknessDefect, ShoulderSpec

MATRIX, SLICES = 320, 24
VOXELS = len(PLANES) * SLICES * MATRIX**2


def seconds(work: Callable[[], object]) -> tuple[float, float]:
    """Wall and processor seconds of some work."""
    wall, processor = time.perf_counter(), time.process_time()
    work()
    return time.perf_counter() - wall, time.process_time() - processor


def scan_study(samples: int, workers: int) -> None:
    """Build a torn shoulder and scan it in three planes."""
    torn = Condition(defect=FullThicknessDefect(14.0, 18.0))
    spec = ShoulderSpec.vary(3, "right").with_condition(torn)
    phantom, planes = Phantom(spec), frames(spec)
    for plane in PLANES:
        prescription = Acquisition(
            plane=plane, matrix=(MATRIX, MATRIX), n_slices=SLICES, samples=samples
        )
        acquire(phantom, prescription, planes[plane], np.random.default_rng(1), workers)


def noise() -> None:
    """Make as many pixels of plain Gaussian noise as a study has."""
    rng = np.random.default_rng(1)
    for _ in PLANES:
        rng.standard_normal((SLICES, MATRIX, MATRIX), dtype=np.float32)


def study(samples: int, workers: int, repeats: int) -> None:
    """Print what one study costs."""
    scan_study(samples, workers)  # warm up
    wall, processor = median_seconds(lambda: scan_study(samples, workers), repeats)
    plain_wall, plain_processor = median_seconds(noise, repeats)
    print(f"study: {len(PLANES)} x {SLICES} x {MATRIX} x {MATRIX}, {samples} samples per voxel")
    print(f"  wall {wall:.2f} s with {workers} threads (target 3 s), processor {processor:.2f} s")
    print(f"  noise images of the same size: wall {plain_wall:.3f} s")
    print(f"  per voxel {1e9 * wall / VOXELS:.0f} ns; noise {1e9 * plain_wall / VOXELS:.0f} ns")
    print(f"  ratio {wall / plain_wall:.1f} (wall), {processor / plain_processor:.1f} (processor)")


def median_seconds(work: Callable[[], object], repeats: int) -> tuple[float, float]:
    """Return the median wall and processor seconds of some work."""
    wall, processor = zip(*(seconds(work) for _ in range(repeats)), strict=True)
    return median(wall), median(processor)


def cohort(jobs: int) -> None:
    """Print what the demo study costs."""
    with tempfile.TemporaryDirectory() as place:
        for size in ("quick", "full"):
            folder = Path(place) / size
            start, before = time.perf_counter(), children_seconds()
            made = make_cohort(folder, replace(Settings(), size=size), jobs=jobs)
            taken = time.perf_counter() - start
            processor = children_seconds() - before
            written = sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())
            print(f"cohort, {size}: {made.repairs} repairs, {made.scans} scans, {jobs} processes")
            print(f"  wall {taken:.0f} s, {taken / made.scans:.2f} s per scan (target 240 s)")
            print(f"  processor {processor:.0f} s in all processes, {written / 1e9:.2f} GB written")


def children_seconds() -> float:
    """Processor seconds of all processes that this one started and that have ended."""
    times = os.times()
    return times.children_user + times.children_system


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--samples", type=int, default=6)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--no-cohort", action="store_true")
    asked = parser.parse_args()
    print(f"load before: {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    study(asked.samples, asked.workers, asked.repeats)
    if not asked.no_cohort:
        cohort(asked.workers)
    print(f"load after: {os.getloadavg()[0]:.1f}")


if __name__ == "__main__":
    main()
