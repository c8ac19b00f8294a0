"""The booth a reader's window sits in: what it may ask of the desk, and no way to anything else.

Requests go to a thread that holds the study; answers, cases and errors in words come back. No
attribute of a booth leads to the study, as none of a `BlindCase` does.
"""

from __future__ import annotations

import threading
import weakref
from contextlib import suppress
from queue import SimpleQueue
from typing import TYPE_CHECKING, Any, cast

from imgtrack.desk.cases.ahead import ShelfAhead, prepare_next
from imgtrack.desk.cases.lists import CaseState, my_cases
from imgtrack.desk.cases.next_case import open_next_readable
from imgtrack.desk.cases.shelf import FolderShelf
from imgtrack.desk.readings.drafts import save_draft
from imgtrack.desk.readings.signing import sign
from imgtrack.domain.errors import Fault, ImgtrackError, Unavailable
from imgtrack.domain.form import derived

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from imgtrack.desk.cases.images import Shelf
    from imgtrack.desk.cases.next_case import Opening, PassedOver
    from imgtrack.desk.cases.screen import BlindCase
    from imgtrack.desk.readings.settle import AnswerSet
    from imgtrack.desk.readings.signing import Signed
    from imgtrack.desk.study import Study
    from imgtrack.domain.form import DerivedGrade, Form

Reply = SimpleQueue[tuple[Any, ImgtrackError | None]]
Requests = SimpleQueue[tuple[str, tuple[Any, ...], Reply] | None]


class Booth:
    """What a window may ask; made by `open_booth`.

    Every method waits for the desk and raises what the use case behind it raises.

    Attributes
    ----------
    reader
        Code of the person at the desk; empty for nobody.
    left_out
        How many files of a loose folder could not be used.
    passed
        Cases that the last opening passed over because their images cannot be read.
    beside
        First readings the protocol shows beside the case opened last, where it settles them.
    is_pick
        Whether that case is settled by picking one of them, and not by signing it.
    """

    def __init__(self, reader: str, requests: Requests, left_out: int = 0) -> None:
        self.reader = reader
        self.passed: tuple[PassedOver, ...] = ()
        self.beside: tuple[AnswerSet, ...] = ()
        self.is_pick = False
        self.left_out = left_out
        self._requests = requests

    def open_next(self) -> BlindCase | None:
        """Open the next case that can be read; `passed` tells which were passed over.

        See :func:`imgtrack.desk.cases.next_case.open_next_readable`.
        """
        opened = cast("Opening", self._ask("open next"))
        self.passed, self.beside = opened.passed, opened.beside
        self.is_pick = opened.is_pick
        return opened.case

    def save(
        self,
        case: BlindCase,
        answers: Mapping[str, Any],
        proposals: Mapping[str, Any] | None = None,
    ) -> int:
        """Keep a draft; see :func:`imgtrack.desk.readings.drafts.save_draft`."""
        return cast("int", self._ask("save", case, answers, proposals))

    def sign(self, case: BlindCase, pass_phrase: str) -> Signed:
        """Sign the draft; see :func:`imgtrack.desk.readings.signing.sign`."""
        return cast("Signed", self._ask("sign", case, pass_phrase))

    def implied(self, form: Form, answers: Mapping[str, Any]) -> tuple[DerivedGrade, ...]:
        """Return what checked answers imply; see :func:`imgtrack.domain.form.derived`."""
        return cast("tuple[DerivedGrade, ...]", self._ask("implied", form, answers))

    def progress(self) -> tuple[int, int]:
        """Return how many cases of the list are signed, and how many it shows."""
        return cast("tuple[int, int]", self._ask("progress"))

    def prepare_next(self, after: str) -> None:
        """Load the images of the next case in the background; returns at once."""
        self._requests.put(("prepare", (after,), SimpleQueue()))

    def close(self) -> None:
        """Let the study go; drafts stay."""
        self._requests.put(None)

    def _ask(self, act: str, *arguments: Any) -> Any:
        reply: Reply = SimpleQueue()
        self._requests.put((act, arguments, reply))
        value, error = reply.get()
        if error is not None:
            raise error
        return value


def open_booth(study: Study, *, shelf: Shelf | None = None) -> Booth:
    """Return the booth of the person at the desk.

    Parameters
    ----------
    study
        Open; the booth's own thread uses it from now on.
    shelf
        Where the images lie; the study's folder when ``None``.
    """
    ahead = ShelfAhead(FolderShelf(study.folder) if shelf is None else shelf)
    return booth_of(study.who, _acts(study, ahead), _Trouble(study))


def booth_of(
    reader: str,
    acts: Mapping[str, Callable[..., Any]],
    trouble: Callable[[str], None],
    *,
    left_out: int = 0,
) -> Booth:
    """Return a booth that hands requests to some acts on a thread of their own.

    Parameters
    ----------
    reader
        Code of the person at the desk; empty for nobody.
    acts
        What is done, by the name of the request.
    trouble
        Told what broke unexpectedly, in words the window is not told.
    left_out
        How many files of a loose folder could not be used.
    """
    requests: Requests = SimpleQueue()
    serving = (requests, acts, trouble)
    threading.Thread(target=_serve, args=serving, name="desk", daemon=True).start()
    booth = Booth(reader, requests, left_out)
    weakref.finalize(booth, requests.put, None)
    return booth


class _Trouble:
    """Logs what broke unexpectedly, in words a window is not told."""

    def __init__(self, study: Study) -> None:
        self._study = study

    def __call__(self, text: str) -> None:
        with self._study.store.change(who=self._study.who, now=self._study.now) as change:
            change.note(what="window in trouble", record=f"person:{self._study.who}", new=text)


def _acts(study: Study, ahead: ShelfAhead) -> dict[str, Callable[..., Any]]:
    def prepare(after: str) -> None:
        ready = threading.Thread(
            target=_quietly, args=(prepare_next, study, ahead, after), name="ahead", daemon=True
        )
        ready.start()

    def progress() -> tuple[int, int]:
        listed = my_cases(study)
        return sum(each.state is CaseState.SIGNED for each in listed), len(listed)

    return {
        "open next": lambda: open_next_readable(study, shelf=ahead),
        "save": lambda case, answers, proposals: save_draft(study, case, answers, proposals),
        "sign": lambda case, phrase: sign(study, case, phrase, shelf=ahead),
        "implied": lambda form, answers: derived(form, answers, study.protocol),
        "progress": progress,
        "prepare": prepare,
    }


def _quietly(act: Callable[..., bool], study: Study, ahead: ShelfAhead, after: str) -> None:
    with suppress(Exception):  # what goes wrong is told when the case is opened
        act(study, ahead, after=after)


def _serve(
    requests: Requests, acts: Mapping[str, Callable[..., Any]], trouble: Callable[[str], None]
) -> None:
    while (asked := requests.get()) is not None:
        act, arguments, reply = asked
        reply.put(_answer(acts[act], arguments, trouble))
        del asked, arguments, reply


def _answer(
    act: Callable[..., Any], arguments: tuple[Any, ...], trouble: Callable[[str], None]
) -> tuple[Any, ImgtrackError | None]:
    try:
        return act(*arguments), None
    except ImgtrackError as error:
        return None, type(error)(error.faults)  # a new one: the trace of this leads to the study
    except Exception as error:  # noqa: BLE001 - nothing may pass the screen, whatever it is
        with suppress(Exception):
            trouble(f"{type(error).__name__}: {error}")
        fault = Fault("the desk is in trouble", next_step="tell the coordinator; the log says more")
        return None, Unavailable(fault)
