"""Bring the headers of each study together without holding those of every file in memory."""

from __future__ import annotations

import pickle
from collections import defaultdict
from collections.abc import Callable, Mapping
from dataclasses import fields
from operator import attrgetter
from tempfile import TemporaryFile
from typing import IO, TYPE_CHECKING, Any

from imgtrack.dicom.records import Claim, Frame, Header
from imgtrack.dicom.sources import Source

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

IN_MEMORY = 4_000
"""Images whose headers wait in memory, about 3 kB each; more wait in a temporary file."""


def by_study(headers: Iterable[Header], in_memory: int = IN_MEMORY) -> Iterator[tuple[Header, ...]]:
    """Yield the headers of one study after the other.

    Files of a study may lie anywhere, so all of them are read before the first study can be
    told to be whole. When too many wait, they are put aside in a temporary file, which has no
    name and is gone with the process; memory then holds the places of the studies in it.

    Parameters
    ----------
    headers
        In any order; read to the end before the first study is yielded.
    in_memory
        How many images may wait in memory.

    Yields
    ------
    tuple of Header
        All headers with one Study Instance UID, in the order they came; studies in the order of
        their first header.
    """
    waiting: defaultdict[str, list[Header]] = defaultdict(list)
    places: dict[str, list[int]] = {}
    count = 0
    with TemporaryFile() as aside:
        for header in headers:
            waiting[header.study_uid].append(header)
            places.setdefault(header.study_uid, [])
            count += len(header.frames)
            if count > in_memory:
                _put_aside(waiting, places, aside)
                count = 0
        for uid, starts in places.items():
            yield (*_fetch(starts, aside), *waiting.pop(uid, ()))


def _put_aside(
    waiting: defaultdict[str, list[Header]], places: Mapping[str, list[int]], aside: IO[bytes]
) -> None:
    """Move the waiting headers to the file."""
    for uid, study in waiting.items():
        places[uid].append(aside.tell())
        pickler = pickle.Pickler(aside, protocol=pickle.HIGHEST_PROTOCOL)
        pickler.dispatch_table = _DISPATCH
        pickler.dump(study)
    waiting.clear()


def _fetch(starts: list[int], aside: IO[bytes]) -> Iterator[Header]:
    for start in starts:
        aside.seek(start)
        yield from pickle.load(aside)  # noqa: S301 - what this process has just written


def _by_parts(record: type) -> Callable[[Any], tuple[Callable[..., Any], tuple[Any, ...]]]:
    """Return how to take a record apart: several times faster than a dataclass does itself."""
    values = attrgetter(*(field.name for field in fields(record)))
    return lambda instance: (record, values(instance))


_DISPATCH: Mapping[type, Callable[[Any], Any]] = {
    record: _by_parts(record) for record in (Claim, Frame, Header, Source)
}
