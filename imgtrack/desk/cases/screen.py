"""The screen between a reader and the archive: what a window gets, and what it can never reach.

A window holds a `BlindCase`: a code, geometry, answers so far, and a hatch. Through the hatch an
alias goes in and pixels come out; the files are known only to a thread on the far side, which no
attribute of the case leads to. Whatever goes wrong there comes out in words that name no file.
"""

from __future__ import annotations

import threading
import weakref
from contextlib import suppress
from dataclasses import dataclass, field
from queue import SimpleQueue
from typing import TYPE_CHECKING, Any, Self

from imgtrack.desk.cases.images import ShownPixels, ShownSeries
from imgtrack.domain.errors import Fault, InvalidInput, Unavailable

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from imgtrack.domain.form import Form
    from imgtrack.domain.imaging import Modality
    from imgtrack.domain.subjects import Side

Requests = SimpleQueue[str | None]
Replies = SimpleQueue[ShownPixels | None]


class Hatch:
    """Hands pixels through; made by `open_hatch`."""

    def __init__(self, requests: Requests, replies: Replies) -> None:
        self._requests = requests
        self._replies = replies
        self._one_at_a_time = threading.Lock()
        self._closed = False

    def pixels(self, alias: str) -> ShownPixels:
        """Return the pixels of a series; waits for them.

        Raises
        ------
        Unavailable
            When they cannot be read, or the hatch is closed.
        """
        with self._one_at_a_time:
            if self._closed:
                raise Unavailable(Fault("this case is closed", f"series {alias}"))
            self._requests.put(alias)
            reply = self._replies.get()
        if reply is None:
            raise Unavailable(
                Fault(
                    "the images cannot be read",
                    f"series {alias}",
                    next_step="tell the coordinator; the log says what is wrong",
                )
            )
        return reply

    def close(self) -> None:
        """Let the far side go."""
        with self._one_at_a_time:
            self._closed = True
            self._requests.put(None)


def open_hatch(load: Callable[[str], ShownPixels], trouble: Callable[[str], None]) -> Hatch:
    """Return a hatch to a source of pixels that cannot be reached through it.

    Parameters
    ----------
    load
        Gives the pixels of a series by its alias; called on a thread of its own.
    trouble
        Told what went wrong when it raised, with the names of files, for the log.
    """
    requests: Requests = SimpleQueue()
    replies: Replies = SimpleQueue()
    serving = (requests, replies, load, trouble)
    threading.Thread(target=_serve, args=serving, name="far side", daemon=True).start()
    hatch = Hatch(requests, replies)
    weakref.finalize(hatch, requests.put, None)
    return hatch


def _serve(
    requests: Requests,
    replies: Replies,
    load: Callable[[str], ShownPixels],
    trouble: Callable[[str], None],
) -> None:
    while (alias := requests.get()) is not None:
        replies.put(_reply(alias, load, trouble))


def _reply(
    alias: str, load: Callable[[str], ShownPixels], trouble: Callable[[str], None]
) -> ShownPixels | None:
    try:
        return load(alias)
    except Exception as error:  # noqa: BLE001 - nothing may pass the screen, whatever it is
        with suppress(Exception):  # nor may a log that cannot be written leave the window waiting
            trouble(f"series {alias}: {type(error).__name__}: {error}")
        return None


@dataclass(frozen=True, slots=True, weakref_slot=True)
class BlindCase:
    """What a reader's window gets of a case.

    Attributes
    ----------
    code
        Opaque code of the case.
    session
        Which opening of the case this is; only the latest may save.
    modality
        Kind of imaging.
    form
        What is asked.
    series
        Geometry of every series, those of the scan itself first.
    answers
        The draft so far, images by their alias.
    proposals
        What the program proposed to this reader so far, in the same way; see
        `imgtrack.domain.form.proposals`.
    training
        Whether it belongs to the training set.
    timepoint
        Label of the timepoint where the protocol unmasks it; else empty.
    side
        The shoulder, as the registry has it; ``None`` where it is not known. The images show it
        anyway.
    """

    code: str
    session: str
    modality: Modality
    form: Form = field(repr=False)
    series: tuple[ShownSeries, ...] = field(repr=False)
    answers: Mapping[str, Any] = field(repr=False)
    proposals: Mapping[str, Any] = field(repr=False)
    training: bool
    timepoint: str
    side: Side | None
    _hatch: Hatch = field(repr=False, compare=False)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def pixels(self, alias: str) -> ShownPixels:
        """Return the pixels of one of the series; they are read when asked for.

        Raises
        ------
        InvalidInput
            When the case has no such series.
        Unavailable
            When they cannot be read, or the case is closed.
        """
        known = [each.alias for each in self.series]
        if alias not in known:
            raise InvalidInput(
                Fault("this case has no such series", self.code, ", ".join(known), alias)
            )
        return self._hatch.pixels(alias)

    def close(self) -> None:
        """Let the images go; the draft stays."""
        self._hatch.close()
