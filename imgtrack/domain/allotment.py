"""Who reads which scan, in which order, and which scans are read again: drawn by the protocol.

Every draw is by the SHA-256 (FIPS 180-4) of a text that names what is drawn. So it is the same on
every machine and with every version of Python and NumPy, whose generators promise no such thing;
it does not depend on the order in which scans came in; and a scan that comes later never changes
the order of those that are there.
"""

from __future__ import annotations

import hashlib
import math
from collections import Counter
from typing import TYPE_CHECKING

from imgtrack.domain.reading import Round

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Mapping, Sequence

    from imgtrack.domain.cases import Case

ASSIGNMENT = "assignment"
"""Stands in place of a round where it is drawn who reads a scan."""


def order_key(seed: int, purpose: str, reader: str, scan: str) -> str:
    """Return what a list is sorted by: SHA-256 of ``seed|purpose|reader|scan`` in UTF-8.

    Parameters
    ----------
    seed
        ``reading.order_seed`` of the protocol.
    purpose
        Value of the round, or `ASSIGNMENT`.
    reader
        Code of the reader; empty where scans are ordered for all of them.
    scan
        UID of the scan.

    Returns
    -------
    str
        64 hexadecimal digits.
    """
    return hashlib.sha256(f"{seed}|{purpose}|{reader}|{scan}".encode()).hexdigest()


def assign(
    open_scans: Collection[str],
    have: Mapping[str, Collection[str]],
    readers: Sequence[str],
    *,
    per_scan: int,
    seed: int,
) -> dict[str, tuple[str, ...]]:
    """Choose the readers that scans still lack, so that all readers and all pairs get alike many.

    Parameters
    ----------
    open_scans
        UIDs of the scans that may get readers.
    have
        Readers of every scan so far, of those that get none any more too: they count as work.
    readers
        Codes of all readers.
    per_scan
        How many readers a scan needs.
    seed
        Of the protocol.

    Returns
    -------
    dict
        The readers to add by scan, for the scans that lack some. Scans are taken in drawn order;
        each next reader is the one with the least work, then with the fewest scans together with
        those the scan has, then by draw.
    """
    load = _Load(seed)
    for given in have.values():
        for reader in given:
            load.give(reader, [other for other in given if other < reader])
    added: dict[str, tuple[str, ...]] = {}
    for scan in sorted(open_scans, key=lambda scan: order_key(seed, ASSIGNMENT, "", scan)):
        chosen = list(dict.fromkeys(have.get(scan, ())))
        before = len(chosen)
        free = [reader for reader in readers if reader not in chosen]
        while len(chosen) < per_scan and free:
            best = min(free, key=lambda reader: load.of(reader, chosen, scan))
            load.give(best, chosen)
            chosen.append(best)
            free.remove(best)
        if chosen[before:]:
            added[scan] = tuple(chosen[before:])
    return added


class _Load:
    """How much each reader has to read, and how often each pair reads the same scan."""

    def __init__(self, seed: int) -> None:
        self._seed = seed
        self._scans: Counter[str] = Counter()
        self._together: Counter[frozenset[str]] = Counter()

    def give(self, reader: str, others: Iterable[str]) -> None:
        """Count one more scan of a reader, read by these others too."""
        self._scans[reader] += 1
        self._together.update(frozenset((reader, other)) for other in others)

    def of(self, reader: str, others: Iterable[str], scan: str) -> tuple[int, int, str]:
        """Return what readers are chosen by, the least first."""
        shared = sum(self._together[frozenset((reader, other))] for other in others)
        return self._scans[reader], shared, order_key(self._seed, ASSIGNMENT, reader, scan)


def to_repeat(cases: Iterable[Case], *, share: float, seed: int) -> set[str]:
    """Choose the scans of one reader that are read again.

    Parameters
    ----------
    cases
        All first cases of one reader.
    share
        Share of them to repeat.
    seed
        Of the protocol.

    Returns
    -------
    set of str
        UIDs of scans. They are drawn batch by batch, so that a later batch changes nothing about
        the earlier ones; the number over all batches so far is the share, rounded.
    """
    batches: dict[int, list[Case]] = {}
    for case in cases:
        batches.setdefault(case.batch, []).append(case)
    chosen: set[str] = set()
    seen = 0
    for number in sorted(batches):
        batch = batches[number]
        seen += len(batch)
        wanted = math.floor(share * seen + 0.5) - len(chosen)
        drawn = sorted(batch, key=lambda each: _repeat_key(seed, each))
        chosen.update(each.scan for each in drawn[: max(0, wanted)])
    return chosen


def _repeat_key(seed: int, case: Case) -> str:
    return order_key(seed, f"{Round.REPEAT.value} drawn", case.reader, case.scan)
