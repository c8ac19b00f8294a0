"""Is the study what it was when it was written? The log's chain, the guards, every row."""

from __future__ import annotations

from typing import TYPE_CHECKING

import sqlalchemy as sa

from imgtrack.domain.errors import Broken, Fault
from imgtrack.domain.log import FIRST_DIGEST, Entry
from imgtrack.store import guards
from imgtrack.store.entries import recomputed_digest
from imgtrack.store.replay import NEXT_STEP, Replay
from imgtrack.store.tables import METADATA

if TYPE_CHECKING:
    from collections.abc import Iterator

    from imgtrack.store.look import Look


def verify(look: Look, *, expect_head: str = "") -> list[Fault]:
    """Return everything that is not as this program wrote it; an empty list when all is well.

    Parameters
    ----------
    look
        A view of the study.
    expect_head
        Digest of the log's head as somebody noted it earlier (from a backup or a report). It must
        still be in the log; later entries are no fault. Only a head kept elsewhere shows a database
        that was exchanged whole for an older or rewritten one.

    Returns
    -------
    list of Fault
        In this order: missing tables, missing guards, the first broken link of the log's chain
        with its number, a cut end of the log, a noted head that is gone, and one fault for each row
        that was edited, added or deleted behind the log.
    """
    missing = _missing_tables(look.connection)
    if missing:
        return missing
    chain = _Chain(look, expect_head)
    replay = Replay()
    try:
        for entry in chain.entries():
            replay.follow(entry)
    except Broken as error:
        return [*_missing_guards(look.connection), *chain.faults(), *error.faults]
    return [*_missing_guards(look.connection), *chain.faults(), *replay.differences(look)]


def _missing_tables(connection: sa.Connection) -> list[Fault]:
    there = sa.inspect(connection).get_table_names()
    gone = sorted(set(METADATA.tables) - set(there))
    return [Fault("a table is gone", where=name, next_step=NEXT_STEP) for name in gone]


def _missing_guards(connection: sa.Connection) -> list[Fault]:
    return [
        Fault(
            "a guard is missing or altered: this table could have been changed",
            where=guard.table,
            expected=f"trigger {guard.name}",
            next_step=NEXT_STEP,
        )
        for guard in guards.missing(connection)
    ]


class _Chain:
    """Walks the log once and remembers the first link that does not hold."""

    def __init__(self, look: Look, expect_head: str) -> None:
        self._look = look
        self._expected = expect_head
        self._expected_seen = not expect_head
        self._broken: Fault | None = None
        self._last = (0, FIRST_DIGEST)

    def entries(self) -> Iterator[Entry]:
        """Yield every entry while checking that it follows the one before and is unaltered."""
        for entry in self._look.log():
            self._broken = self._broken or _broken_link(entry, *self._last)
            self._expected_seen |= entry.digest == self._expected
            self._last = (entry.number, entry.digest)
            yield entry

    def faults(self) -> Iterator[Fault]:
        """Yield what the walk found: broken link, cut end, noted head that is gone."""
        if self._broken:
            yield self._broken
        yield from self._cut_end()
        if not self._expected_seen:
            yield Fault(
                "the noted head is not in the log: entries were removed or rewritten since",
                where="log",
                expected=f"an entry with digest {self._expected}",
                next_step=NEXT_STEP,
            )

    def _cut_end(self) -> Iterator[Fault]:
        try:
            head = self._look.head()
        except Broken as error:
            yield from error.faults
            return
        if head != self._last:
            yield Fault(
                "the log does not end where it was written to",
                where=f"log entry {self._last[0]}",
                expected=f"entry {head[0]}, digest {head[1]}",
                found=f"entry {self._last[0]}, digest {self._last[1]}",
                next_step=NEXT_STEP,
            )


def _broken_link(entry: Entry, number: int, previous: str) -> Fault | None:
    where = f"log entry {entry.number}"
    if entry.number != number + 1:
        return Fault(
            "the log has a gap before this entry",
            where=where,
            expected=f"entry {number + 1}",
            found=f"entry {entry.number}",
            next_step=NEXT_STEP,
        )
    if entry.previous != previous:
        return Fault(
            "this entry does not follow the one before",
            where=where,
            expected=f"previous {previous}",
            found=f"previous {entry.previous}",
            next_step=NEXT_STEP,
        )
    if recomputed_digest(entry) != entry.digest:
        return Fault(
            "this entry is not as it was written",
            where=where,
            expected=f"digest {recomputed_digest(entry)}",
            found=f"digest {entry.digest}",
            next_step=NEXT_STEP,
        )
    return None
