"""Feed mutated DICOM files to the header pass: each is read or refused with a reason.

Run ``python tests/bench/fuzz_headers.py [FILES] [SEED]`` (default 50,000 and 1). Takes the files
bundled with pydicom and pydicom-data and the optional real series, spoils each in one to four
ways (bytes changed, put in, taken out, cut, doubled, lengths and numbers overwritten), and runs
reading, sorting into stacks and naming on the result. Every hundredth one that is taken is also
loaded. Prints how many were taken and the reasons of the others; ends with 1, the seed and the
number of the file when anything but a refusal comes out, or one file takes more than a second.
"""

from __future__ import annotations

import sys
import time
import traceback
from collections import Counter
from pathlib import Path
from random import Random

from pydicom.data import get_testdata_files

from imgtrack.dicom.headers import Header, read_header
from imgtrack.dicom.naming import name_stack
from imgtrack.dicom.pixels import load_volume
from imgtrack.dicom.sources import Source
from imgtrack.dicom.stacks import stacks
from imgtrack.domain.errors import InvalidInput

REAL = Path(__file__).parents[3] / "shared" / "real_mr"
LARGEST_BYTES = 150_000
SLOW_S = 1.0
LOAD_EVERY = 100
IMAGES_WEIGHT = 8
"""How many times as often an image that is taken is spoilt as another file."""

EXTREMES = (
    b"\xff\xff\xff\xff",
    b"\0\0\0\0",
    b"\xfe\xff\xff\xff",
    b"\xff\xff\xff\x7f",
    b"\x08\0\0\0",
)
WORDS = (b"SQ", b"UN", b"OB", b"DS", b"US", b"nan", b"1e999", b"\\\\", b"-0", b"\xfe\xff\x00\xe0")


def corpus() -> list[bytes]:
    """Return the files to spoil, cut to a size that leaves time for many of them."""
    bundled = [Path(name) for name in get_testdata_files()]
    real = sorted(REAL.glob("*/*")) if REAL.is_dir() else []
    files = [path for path in sorted([*bundled, *real]) if path.is_file()]
    contents = [path.read_bytes()[:LARGEST_BYTES] for path in files]
    taken = [raw for raw in contents if isinstance(read_header(Source.of_bytes("", raw)), Header)]
    return [*contents, *taken * IMAGES_WEIGHT]


def spoil(raw: bytearray, random: Random) -> bytearray:
    """Return the bytes with one thing wrong; most of it near the start, where headers are."""
    near = random.choice((400, 1500, 4000, len(raw)))
    start = 0 if random.random() < 0.05 else 132
    place = start + random.randrange(max(min(near, len(raw)) - start, 1))
    size = random.choice((1, 2, 4, 8, 64))
    kind = random.choice((0, 0, 0, 1, 2, 3, 4, 5, 6, 6, 6, 6))
    if kind == 0:
        raw[place : place + size] = random.randbytes(size)
    elif kind == 1:
        raw[place:place] = random.randbytes(size)
    elif kind == 2:
        del raw[place : place + size]
    elif kind == 3:
        del raw[place:]
    elif kind == 4:
        raw[place:place] = raw[place : place + size]
    elif kind == 5:
        raw[place : place + 4] = random.choice(EXTREMES)
    else:
        word = random.choice(WORDS)
        raw[place : place + len(word)] = word
    return raw


def run(raw: bytes, number: int) -> str:
    """Take one file in; return ``taken`` or the reason of the refusal."""
    found = read_header(Source.of_bytes(f"{number}", raw))
    if not isinstance(found, Header):
        return found.reason
    for stack in stacks([found]):
        name_stack(stack)
        if number % LOAD_EVERY == 0:
            try:
                load_volume(stack)
            except InvalidInput:
                return "taken, pixels refused"
    return "taken"


def main() -> int:
    """Spoil and feed; return the exit code."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 50_000
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    files, outcomes, slowest = corpus(), Counter[str](), 0.0
    start = time.perf_counter()
    for number in range(count):
        random = Random(f"{seed}/{number}")
        raw = bytearray(random.choice(files))
        for _ in range(random.randint(1, 4)):
            raw = spoil(raw, random)
        before = time.process_time()
        try:
            outcomes[run(bytes(raw), number)] += 1
        except Exception:  # noqa: BLE001 - any of them is what is looked for
            traceback.print_exc()
            print(f"file {number} of seed {seed} raised")
            return 1
        slowest = max(slowest, time.process_time() - before)
        if slowest > SLOW_S:
            print(f"file {number} of seed {seed} took {slowest:.2f} s")
            return 1
    print(f"{count} files in {time.perf_counter() - start:.0f} s, slowest {slowest * 1e3:.1f} ms")
    for reason, times in outcomes.most_common():
        print(f"{times:7d}  {reason}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
