"""Readers' windows as processes: ``desk_process.py FOLDER WAY PERSON...``.

The program is loaded once; windows are forked from it.

WAY ``drafts`` or ``signs``: for every line of input a window of the first person opens the next
case, prints ``PID CODE``, and then saves drafts for ever, or drafts and signs one case after the
other, printing each number or code. ``end`` tells that the window is gone.
WAY ``read``: all persons at the same time take cases beside other windows, draft and sign them
until none is left; each prints one line of JSON with what it saved and signed.
WAY ``allot``: all persons allot at the same time and print how many cases they added.
"""

from __future__ import annotations

import json
import os
import sys
import time
from datetime import UTC, datetime
from itertools import count
from pathlib import Path

from reading_desk import PHRASE, InventedShelf, healed, torn

from imgtrack.desk.cases.allot import allot
from imgtrack.desk.cases.lists import OPENABLE, my_cases
from imgtrack.desk.cases.opening import open_next
from imgtrack.desk.readings.drafts import save_draft
from imgtrack.desk.readings.signing import sign
from imgtrack.desk.study import open_study
from imgtrack.domain.errors import Refused
from imgtrack.store.drafts import all_drafts

DRAFTS_PER_CASE = 4


def now() -> datetime:
    return datetime.now(UTC)


def tell(done: dict) -> None:
    """Write a line in one call: the windows share a pipe, and ``print`` may write twice."""
    os.write(sys.stdout.fileno(), f"{json.dumps(done)}\n".encode())


def draft(study):
    case = open_next(study, shelf=InventedShelf())
    print(os.getpid(), case.code, flush=True)
    begun = case.answers.get("number", 0)
    for number in count(begun + 1):
        save_draft(study, case, {"number": number, "filling": "x" * 20_000})
        print(number, flush=True)


def signs(study):
    case = open_next(study, shelf=InventedShelf())
    print(os.getpid(), case.code, flush=True)
    while case is not None:
        save_draft(study, case, torn() | {"free note": {"text": case.code}})
        print(sign(study, case, PHRASE).reading, flush=True)
        case = open_next(study, shelf=InventedShelf())


def read(study):
    """Read until the list is empty; a case that another window took over is left to it."""
    done = {"signed": [], "drafts": 0, "left": 0}
    begun = time.monotonic()
    while any(each.state in OPENABLE for each in my_cases(study)):
        case = open_next(study, beside_others=True, shelf=InventedShelf())
        if case is None:
            time.sleep(0.05)
            continue
        answers = torn() if len(done["signed"]) % 2 else healed()
        note = {"free note": {"text": f"of {case.session}"}}
        try:
            for _ in range(DRAFTS_PER_CASE):
                save_draft(study, case, answers | note)
                done["drafts"] += 1
            done["signed"].append([sign(study, case, PHRASE).reading, case.session])
        except Refused:
            done["left"] += 1
        case.close()
    done["seconds"] = time.monotonic() - begun
    tell(done)


def allot_once(study):
    tell({"allotted": len(allot(study).cases)})


def window(folder, person, act) -> int:
    """Fork a window and return its process number."""
    child = os.fork()
    if child == 0:
        with open_study(folder, who=person, now=now) as study:
            act(study)
        os._exit(0)
    return child


def one_by_one(folder, person, act):
    for _ in sys.stdin:
        os.waitpid(window(folder, person, act), 0)
        print("end", flush=True)


def together(folder, people, act):
    for child in [window(folder, person, act) for person in people]:
        _, status = os.waitpid(child, 0)
        if status:
            sys.exit(f"a window ended with {status}")


ONE_BY_ONE = {"drafts": draft, "signs": signs}
TOGETHER = {"read": read, "allot": allot_once}

if __name__ == "__main__":
    place, way, *persons = sys.argv[1:]
    with open_study(Path(place), who=persons[0], now=now) as loaded, loaded.store.look() as look:
        all_drafts(look)  # whatever loads when it is first asked for, is loaded now
    if way in ONE_BY_ONE:
        one_by_one(Path(place), persons[0], ONE_BY_ONE[way])
    else:
        together(Path(place), persons, TOGETHER[way])
