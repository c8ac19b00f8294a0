"""A second process that writes to a study: ``store_writer.py URL WAY FIRST COUNT``.

WAY ``many``: COUNT changes of five repairs and a note each, numbered from FIRST.
WAY ``hang``: one change that stops for ever in the middle of adding COUNT repairs.
WAY ``hold``: one change that holds the write lock until its input closes.
Prints ``ready`` once it has the database, and ``half`` in the middle.
"""

from __future__ import annotations

import sys
import time
from datetime import UTC, datetime

from store_samples import repair

from imgtrack.store.database import open_store

PER_CHANGE = 5


def now() -> datetime:
    return datetime.now(UTC)


def say(word: str) -> None:
    print(word, flush=True)


def many(store, first, changes):
    say("ready")
    for number in range(first, first + changes):
        with store.change(who=f"W{first}", now=now) as change:
            change.add([repair(number * PER_CHANGE + each) for each in range(PER_CHANGE)])
            change.note(what="written", record=f"round:{number}")


def hang(store, first, records):
    def endless():
        for number in range(records):
            if number == records // 2:
                say("half")
                time.sleep(600)
            yield repair(first + number)

    with store.change(who="W", now=now) as change:
        say("ready")
        change.add(endless())


def hold(store, first, records):
    with store.change(who="HOLDER", now=now):
        say("ready")
        sys.stdin.read()


if __name__ == "__main__":
    url, way, first, number = sys.argv[1:]
    with open_store(url) as opened:
        {"many": many, "hang": hang, "hold": hold}[way](opened, int(first), int(number))
