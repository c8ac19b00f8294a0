"""Enrol 100,000 repairs and show one board on them, beside pandas writing the same sheet.

Run: ``python tests/bench/registry_speed.py [N]``. Each command is a process of its own; its wall
time and peak memory are the operating system's. The named peer does only what a spreadsheet
script would do: ``pandas.read_csv`` and ``DataFrame.to_sql`` into SQLite, with no check, no log
and no key file.
"""

from __future__ import annotations

import os
import random
import sys
import tempfile
import time
from datetime import date, timedelta
from pathlib import Path

PEER = """
import sqlite3, sys, pandas
with sqlite3.connect(sys.argv[2]) as database:
    pandas.read_csv(sys.argv[1]).to_sql("repairs", database, index=False)
database.close()
"""


def write_sheet(path: Path, count: int) -> None:
    """Write an enrolment sheet of invented repairs."""
    draw = random.Random(7)
    first = date(2029, 1, 1)
    lines = ["subject,side,operation_date,sex,age,tear_size_mm,tendons,technique,arm"]
    for number in range(count):
        operated = first + timedelta(days=draw.randrange(1200))
        lines.append(
            f"S{number:06},{draw.choice(('left', 'right'))},{operated},{draw.choice('fm')},"
            f"{draw.randrange(40, 80)},{draw.uniform(5, 50):.1f},SSP,{draw.choice(('one', 'two'))}"
            f" row,{draw.choice('AB')}"
        )
    path.write_text("\n".join(lines) + "\n", "utf-8")


def timed(*command: str) -> tuple[float, float]:
    """Run a command and return its wall time in seconds and peak memory in MiB."""
    began = time.perf_counter()
    pid = os.posix_spawnp(
        command[0],
        command,
        os.environ,
        file_actions=[(os.POSIX_SPAWN_OPEN, 1, os.devnull, os.O_WRONLY, 0)],
    )
    _, status, usage = os.wait4(pid, 0)
    if status:
        sys.exit(f"{command} ended with {os.waitstatus_to_exitcode(status)}")
    return time.perf_counter() - began, usage.ru_maxrss / 1024


def main() -> None:
    """Print the table."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    imgtrack = str(Path(sys.executable).with_name("imgtrack"))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        sheet, study = folder / "sheet.csv", str(folder / "study")
        write_sheet(sheet, count)
        peer = timed(sys.executable, "-c", PEER, str(sheet), str(folder / "peer.sqlite"))
        timed(imgtrack, "start", study)
        rows = {
            "pandas read_csv + to_sql": peer,
            "imgtrack enrol": timed(imgtrack, "enrol", str(sheet), "--study", study),
            "imgtrack enrol, again": timed(imgtrack, "enrol", str(sheet), "--study", study),
            "imgtrack board": timed(imgtrack, "board", "--date", "2032-01-01", "--study", study),
            "imgtrack board --csv": timed(
                imgtrack, "board", "--csv", str(folder / "b.csv"), "--study", study
            ),
            "imgtrack verify": timed(imgtrack, "verify", "--study", study),
        }
    print(f"{count} repairs")
    for what, (seconds, mebibytes) in rows.items():
        ratio = seconds / peer[0]
        print(f"{what:<26} {seconds:7.2f} s {mebibytes:7.0f} MiB {ratio:6.1f}x the peer's time")


if __name__ == "__main__":
    main()
