"""Full intake against a plain copy of the same files, and its memory against their number.

Run ``python tests/bench/intake_files.py [FILES]``. Writes FILES (default 2,000) invented MR images
of 256 x 256 pixels, 24 to a study, each study a follow-up scan of another enrolled patient, into a
temporary folder; then prints

* peer: ``shutil.copyfile`` of every file, and the same with ``os.fsync`` after each, as intake
  does,
* ours: ``take_in`` of all of them (read, link, de-identify, write, fsync, record), a second run
  that finds everything recorded, and a dry run before both,

as wall times of one run and ratios against the plain copy, and how much memory a process that takes
in half of the files, and all of them, needed at most.
"""

from __future__ import annotations

import os
import resource
import shutil
import subprocess
import sys
import time
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from imgtrack.desk import study as studies
from imgtrack.desk.intake.run import take_in

sys.path.insert(0, str(Path(__file__).parents[1] / "desk" / "intake"))

import intake_samples as samples

SLICES = 24
SIZE = 256


def now() -> datetime:
    return datetime(2031, 9, 1, tzinfo=UTC)


def write_files(folder: Path, files: int) -> int:
    """Write whole studies until there are enough files; return how many studies."""
    pixels = np.arange(SIZE * SIZE, dtype="<u2").tobytes()
    count = -(-files // SLICES)
    for number in range(count):
        for slice_ in range(SLICES):
            ds = samples.image(
                study=f"1.2.{number + 1}",
                slice_=slice_,
                PatientID=f"P-{number:05}",
                PatientName=f"Doe^No{number}",
                Rows=SIZE,
                Columns=SIZE,
                PixelData=pixels,
            )
            samples.write(folder / f"{number:05}", f"{slice_}.dcm", ds)
    return count


def start(place: Path, patients: int) -> None:
    """Start a study and enrol the patients."""
    rows = [f"S{n},right,2031-03-03,Doe No{n},P-{n:05},1960-01-02" for n in range(patients)]
    place.mkdir()
    samples.start_enrolled(place, samples.ENROLMENT[0], *rows)


def timed(act) -> float:
    began = time.perf_counter()
    act()
    return time.perf_counter() - began


def copy(files: list[Path], target: Path, *, sync: bool) -> None:
    target.mkdir()
    for number, path in enumerate(files):
        to = target / str(number)
        shutil.copyfile(path, to)
        if sync:
            handle = os.open(to, os.O_RDONLY)
            os.fsync(handle)
            os.close(handle)


def memory(place: Path, folders: list[Path]) -> float:
    """Return the peak of a process of its own that takes the folders in, in MB."""
    command = [sys.executable, __file__, "--child", place, *folders]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    return float(done.stdout)


def child(place: Path, folders: list[Path]) -> None:
    with studies.open_study(place / "study", who="C1", now=now) as study:
        take_in(study, folders)
    print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)


def main(files: int) -> None:
    with TemporaryDirectory() as name:
        place = Path(name)
        originals = place / "originals"
        patients = write_files(originals, files)
        paths = sorted(originals.rglob("*.dcm"))
        for desk in ("timed", "half", "whole"):
            start(place / desk, patients)
        plain = timed(lambda: copy(paths, place / "plain", sync=False))
        synced = timed(lambda: copy(paths, place / "synced", sync=True))
        with studies.open_study(place / "timed" / "study", who="C1", now=now) as study:
            dry = timed(lambda: take_in(study, [originals], dry_run=True))
            full = timed(lambda: take_in(study, [originals]))
            again = timed(lambda: take_in(study, [originals]))
        kilobytes = paths[0].stat().st_size / 1e3
        print(f"{len(paths)} files of {patients} studies, {kilobytes:.0f} kB each")
        for what, seconds in (
            ("plain copy", plain),
            ("copy with fsync", synced),
            ("dry run", dry),
            ("full intake", full),
            ("second run", again),
        ):
            each, ratio = 1e3 * seconds / len(paths), seconds / plain
            print(f"{what:16} {seconds:7.2f} s  {each:6.2f} ms a file  {ratio:6.1f} x plain copy")
        folders = sorted(originals.iterdir())
        half = memory(place / "half", folders[: patients // 2])
        whole = memory(place / "whole", folders)
        print(f"memory: {half:.0f} MB for half of the files, {whole:.0f} MB for all")


if __name__ == "__main__":
    if sys.argv[1:2] == ["--child"]:
        child(Path(sys.argv[2]), [Path(each) for each in sys.argv[3:]])
    else:
        main(int(sys.argv[1]) if sys.argv[1:] else 2000)
