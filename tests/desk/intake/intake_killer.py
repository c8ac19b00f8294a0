"""Intake killed at many moments: ``intake_killer.py FOLDER POINTS SECONDS``.

FOLDER holds ``study``, its key file and ``originals``. One whole intake is counted first: every
call of a function of ours and of the functions that touch disk and database. Then, at points spread
over that count, a copy of FOLDER is taken in by a child process that kills itself (SIGKILL) there,
and by a second one that is left alone. Prints one JSON line per point: the moment, whether the
first child was killed, and what the second left, beside what the whole intake left.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import signal
import sqlite3
import sys
import time
from pathlib import Path

from intake_samples import files_below, now

from imgtrack.desk import study as studies
from imgtrack.desk.intake.run import take_in
from imgtrack.store.verify import verify

OURS = f"{os.sep}imgtrack{os.sep}"


class Countdown:
    """Counts moments; ends the process without any farewell when its moment has come."""

    def __init__(self, last: int | None) -> None:
        self.count = 0
        self.last = last

    def __call__(self, frame, event, argument) -> None:
        if event == "c_call":
            here = argument.__module__ in {"posix", "_io", "sqlite3"} or "sqlite3" in repr(argument)
        else:
            here = event == "call" and OURS in frame.f_code.co_filename
        if not here:
            return
        self.count += 1
        if self.count == self.last:
            os.kill(os.getpid(), signal.SIGKILL)


def take(folder: Path, last: int | None) -> int:
    countdown = Countdown(last)
    with studies.open_study(folder / "study", who="C1", now=now) as study:
        sys.setprofile(countdown)
        try:
            take_in(study, [folder / "originals"])
        finally:
            sys.setprofile(None)
    return countdown.count


def state(folder: Path) -> dict[str, object]:
    """Return what an intake left: the log's head (it holds every record), files and key file."""
    with (
        studies.open_study(folder / "study", who="C1", now=now) as study,
        study.store.look() as look,
    ):
        number, head = look.head()
        faults = [str(fault) for fault in verify(look)]
    keys = sqlite3.connect(folder / "study-keys" / "keys.sqlite")
    rows = {
        table: sorted(keys.execute(f"SELECT * FROM {table}"))
        for table in ("uids", "waiting", "identities")
    }
    keys.close()
    parts = {"files": files_below(folder / "study" / "scans"), "keys": rows}
    texts = {name: repr(part).replace(str(folder), "") for name, part in parts.items()}
    digests = {name: hashlib.sha256(text.encode()).hexdigest() for name, text in texts.items()}
    return {"number": number, "head": head, "faults": faults, **digests}


def forked(folder: Path, last: int | None) -> int:
    """Take in within a child process; return how it ended, negative for a signal."""
    child = os.fork()
    if child:
        return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    ended = 1
    try:
        take(folder, last)
        ended = 0
    finally:
        os._exit(ended)


def main(folder: Path, points: int, seconds: float) -> None:
    take(shutil.copytree(folder, folder.parent / "warm"), None)  # what is loaded once is loaded
    whole = shutil.copytree(folder, folder.parent / "whole")
    total = take(whole, None)
    wanted = state(whole)
    began = time.monotonic()
    order = sorted(range(points), key=lambda point: (point * 17) % points)
    for point in order:
        if time.monotonic() - began > seconds:
            break
        moment = 1 + point * (total - 1) // points
        copy = shutil.copytree(folder, folder.parent / f"copy{point}")
        ended = forked(copy, moment)
        again = forked(copy, None)
        told = {"moment": moment, "of": total, "ended": ended, "again": again}
        print(json.dumps(told | {"wanted": wanted, "found": state(copy)}), flush=True)
        shutil.rmtree(copy)


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), float(sys.argv[3]))
