"""Dry header pass over many files against bare `pydicom.dcmread(stop_before_pixels=True)`.

Run ``python tests/bench/intake_headers.py [FILES] [FOLDER]``. Writes FILES (default 10,000)
classic MR objects with headers of real size into FOLDER (default: a temporary one, removed
afterwards), then in turns runs

* peer: a bare ``pydicom.dcmread(path, stop_before_pixels=True)`` over the same files,
* ours: find the sources, read the headers, gather by study, sort into stacks, name them,

five times each, and prints the ratio of the median wall times (target: at most 0.7) and how much
memory the pass took for half of the files and for all of them.

Headers of real size: copies of the optional real series when they are there (89 to 321 elements
with private ones), else synthetic headers of 150 elements with 20 kB of private data, as scanners
write them (common practice, no source). Pixels are cut down to 1 x 1 to save disk: neither side
reads them.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import time
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory

import numpy as np
import pydicom
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.uid import ExplicitVRLittleEndian, MRImageStorage, generate_uid

from imgtrack.dicom.gathering import by_study
from imgtrack.dicom.headers import Header, read_header
from imgtrack.dicom.naming import name_stack
from imgtrack.dicom.sources import Source, sources
from imgtrack.dicom.stacks import stacks

REAL = Path(__file__).parents[3] / "shared" / "real_mr"
SLICES, SERIES = 24, 8
ROUNDS = 5
PRIVATE_BYTES = 20_000


def templates() -> list[Dataset]:
    """Return headers to copy: one of each classic real series, else synthetic ones."""
    firsts = (next(iter(sorted(folder.iterdir()))) for folder in sorted(REAL.glob("*/")))
    real = [pydicom.dcmread(first) for first in firsts] if REAL.is_dir() else []
    classic = [ds for ds in real if ds.SOPClassUID == MRImageStorage]
    for ds in classic:
        for element in ds.group_dataset(0x0000):
            del ds[element.tag]  # one real series carries elements of its transfer
    return classic or [synthetic()]


def synthetic() -> Dataset:
    """Return a header of 150 elements and 20 kB of private data."""
    ds = Dataset()
    ds.SOPClassUID, ds.Modality = MRImageStorage, "MR"
    ds.PatientName, ds.PatientID, ds.PatientBirthDate = "Bench^Invented", "B1", "19600101"
    ds.StudyDate = ds.SeriesDate = ds.AcquisitionDate = "20240101"
    ds.StudyDescription, ds.SeriesDescription = "MR shoulder", "COR PD FS"
    ds.ScanningSequence, ds.SequenceVariant, ds.ScanOptions = "SE", "SK", "FS"
    ds.SliceThickness, ds.RepetitionTime, ds.EchoTime = "3", "3000", "40"
    ds.MagneticFieldStrength, ds.SpacingBetweenSlices = "3", "3.3"
    ds.ImageType = ["ORIGINAL", "PRIMARY", "M"]
    ds.ImageOrientationPatient = ["1", "0", "0", "0", "0", "-1"]
    ds.PixelSpacing = ["0.5", "0.5"]
    ds.SamplesPerPixel, ds.PhotometricInterpretation = 1, "MONOCHROME2"
    ds.BitsAllocated, ds.BitsStored, ds.HighBit, ds.PixelRepresentation = 16, 12, 11, 0
    for creator, group in (("BENCH ONE", 0x0019), ("BENCH TWO", 0x0021)):
        block = ds.private_block(group, creator, create=True)
        for number in range(60):
            block.add_new(number, "LO", f"value {number}")
    ds.private_block(0x0029, "BENCH THREE", create=True).add_new(1, "OB", bytes(PRIVATE_BYTES))
    return ds


def write_files(folder: Path, count: int) -> None:
    """Write files of several studies, slices of a series next to each other."""
    pool = templates()
    for number in range(count):
        series, place = divmod(number, SLICES)
        ds = pool[series % len(pool)]
        study = series // SERIES
        ds.Rows = ds.Columns = 1
        ds.PixelData = np.zeros(1, dtype="<u2").tobytes()
        ds.StudyInstanceUID = generate_uid(entropy_srcs=["study", str(study)])
        ds.SeriesInstanceUID = generate_uid(entropy_srcs=["series", str(series)])
        ds.FrameOfReferenceUID = generate_uid(entropy_srcs=["frame", str(study)])
        ds.SOPInstanceUID = generate_uid(entropy_srcs=["image", str(number)])
        ds.InstanceNumber = place + 1
        ds.ImagePositionPatient = ["-80", f"{place * 3.3:.4f}", "80"]
        ds.ImageOrientationPatient = ["1", "0", "0", "0", "0", "-1"]
        ds.file_meta = FileMetaDataset()
        ds.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
        home = folder / f"study{study:04d}" / f"series{series:05d}"
        home.mkdir(parents=True, exist_ok=True)
        ds.save_as(home / f"{place:04d}.dcm", enforce_file_format=True)


def peer(paths: list[Path]) -> int:
    """Read every header with pydicom; return how many."""
    return sum(pydicom.dcmread(path, stop_before_pixels=True) is not None for path in paths)


def ours(folder: Path) -> tuple[int, int]:
    """Run the dry pass; return how many headers were read and how many stacks they make."""
    read = 0

    def headers() -> object:
        nonlocal read
        for source in sources([folder]):
            header = read_header(source) if isinstance(source, Source) else source
            if not isinstance(header, Header):
                raise SystemExit(f"refused: {header.fault}")
            read += 1
            yield header

    named = 0
    for study in by_study(headers()):
        named += sum(1 for stack in stacks(study) if name_stack(stack))
    return read, named


def peak_mb(folder: Path) -> float:
    """Return the greatest memory of a process of its own that runs the dry pass, in MB."""
    done = subprocess.run(
        [sys.executable, __file__, "--measure", str(folder)],
        check=True,
        capture_output=True,
        text=True,
    )
    return float(done.stdout)


def compare(folder: Path, count: int) -> None:
    """Write the files, time both sides in turns, and print."""
    write_files(folder / "all", count)
    write_files(folder / "half", count // 2)
    paths = sorted(path for path in (folder / "all").rglob("*.dcm"))
    size = sum(path.stat().st_size for path in paths) / len(paths)
    peer(paths)  # once unmeasured, so that both read from the page cache
    times: dict[str, list[float]] = {"peer": [], "ours": []}
    for _ in range(ROUNDS):
        for name, run in (("peer", lambda: peer(paths)), ("ours", lambda: ours(folder / "all"))):
            start = time.perf_counter()
            result = run()
            times[name].append(time.perf_counter() - start)
    read, named = result
    print(f"{read} files of {size:.0f} bytes, {named} stacks named")
    for name, seconds in times.items():
        per_file = median(seconds) / count * 1e3
        print(f"{name}: {', '.join(f'{s:.2f}' for s in seconds)} s, {per_file:.3f} ms per file")
    print(f"ratio ours / peer: {median(times['ours']) / median(times['peer']):.2f} (target 0.7)")
    half, whole = peak_mb(folder / "half"), peak_mb(folder / "all")
    print(f"peak memory: {half:.0f} MB for {count // 2} files, {whole:.0f} MB for {count}")


def main() -> None:
    """Run what the command line asks for."""
    if sys.argv[1:2] == ["--measure"]:
        ours(Path(sys.argv[2]))
        print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)
        return
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    with TemporaryDirectory() as made:
        compare(Path(sys.argv[2]) if len(sys.argv) > 2 else Path(made), count)


if __name__ == "__main__":
    main()
