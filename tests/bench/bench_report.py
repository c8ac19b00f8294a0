"""How long the whole report of a study takes, and how much memory, by the number of repairs.

Run ``python tests/bench/bench_report.py`` or with numbers of repairs, as ``... 100 1000 10000``.
Five timepoints, two readers and 2,000 resamples of patients; each size in a process of its own.
Target: 1,000 repairs in at most 30 s and 1 GiB on two cores. The records are invented; making them
is not timed, reading them from the database is.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "report"))
import invented_study

from imgtrack.desk import study as studies
from imgtrack.desk.cases.shelf import FolderShelf
from imgtrack.desk.results import gather
from imgtrack.outcomes.compute import compute
from imgtrack.report.places import Places
from imgtrack.report.writing import write_report

SIZES = (100, 1000, 10_000)
RESAMPLES = 2000
TARGET_REPAIRS, TARGET_SECONDS, TARGET_GIB = 1000, 30.0, 1.0
ORDER = ("Repair", "Event", "Score", "Scan", "Reading", "Verdict")


def now() -> datetime:
    return datetime(2031, 4, 20, 12, tzinfo=UTC)


def make(folder: Path, repairs: int) -> None:
    with studies.start(folder, name="Invented study", who="C1", now=now) as study:
        found = invented_study.records(study.protocol, repairs)
        found.sort(key=lambda each: ORDER.index(type(each).__name__))
        with study.store.change(who="C1", now=now) as change:
            change.add(found)


def write(folder: Path) -> None:
    """Write the report of a study and print seconds of each part, of processor, and GiB used."""
    times = [time.perf_counter()]
    with studies.open_study(folder, now=now) as study:
        records = gather(study)
        times.append(time.perf_counter())
        results = compute(records, resamples=RESAMPLES)
        times.append(time.perf_counter())
        with Places(folder.parent / "report").writing() as places:
            write_report(study, results, places.folder, shelf=FolderShelf(folder))
        times.append(time.perf_counter())
    parts = " ".join(f"{end - start:.2f}" for start, end in pairwise(times))
    used = resource.getrusage(resource.RUSAGE_SELF)
    print(f"{parts} {used.ru_utime + used.ru_stime:.2f} {used.ru_maxrss / 2**20:.3f}")


def measure(repairs: int) -> bool:
    """Print one line for one size and return whether it keeps the target, where it has one."""
    with tempfile.TemporaryDirectory() as folder:
        study = Path(folder) / "study"
        make(study, repairs)
        command = [sys.executable, __file__, "--write", str(study)]
        done = subprocess.run(command, capture_output=True, text=True, check=True)
    reading, computing, writing, busy, gib = map(float, done.stdout.split())
    total = reading + computing + writing
    kept = repairs != TARGET_REPAIRS or (total <= TARGET_SECONDS and gib <= TARGET_GIB)
    print(
        f"{repairs:>6} repairs: {total:6.1f} s (records {reading:.1f}, results {computing:.1f}, "
        f"report {writing:.1f}), {busy:.1f} s of processor, {gib:.2f} GiB"
        f"{'' if kept else '  OVER THE TARGET'}",
        flush=True,
    )
    return kept


def main() -> int:
    if sys.argv[1:2] == ["--write"]:
        write(Path(sys.argv[2]))
        return 0
    sizes = [int(each) for each in sys.argv[1:]] or SIZES
    kept = [measure(repairs) for repairs in sizes]
    return 0 if all(kept) else 1


if __name__ == "__main__":
    sys.exit(main())
