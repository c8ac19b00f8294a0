"""The Y view of the open case: looked for away from the window, shown once. No window in here.

Nothing of it is saved. On which slice the reader then draws is read from the images of outlines.
"""

from __future__ import annotations

from dataclasses import dataclass
from queue import Empty, SimpleQueue
from threading import Event as Ended
from threading import Thread
from typing import TYPE_CHECKING

from imgtrack.domain.errors import Fault, ImgtrackError, Refused
from imgtrack.domain.form import Step
from imgtrack.domain.protocol import Plane, Weighting
from imgtrack.measure.stack import Stack
from imgtrack.measure.suggest.volume import Volume
from imgtrack.measure.suggest.y_view import y_view
from imgtrack_napari.events import Event

if TYPE_CHECKING:
    from collections.abc import Callable

    from imgtrack.desk.cases.images import ShownSeries
    from imgtrack.desk.cases.screen import BlindCase
    from imgtrack.domain.subjects import Side
    from imgtrack.measure.suggest.y_view import YView
    from imgtrack_napari.session import Session

SAGITTAL = Plane.SAGITTAL_OBLIQUE
FAT_BRIGHT = (Weighting.T1, Weighting.PD)
LONGEST_END_S = 10.0
"""How long the end of a search is waited for."""

BUSY = "Looking for the Y view; go on meanwhile."
BY_HAND = "Scroll the sagittal pane to the Y view."


@dataclass(frozen=True, slots=True)
class _Asked:
    """What is looked for, and what the sagittal pane showed then."""

    case: BlindCase
    series: ShownSeries
    place: int


class YViews:
    """Proposes the Y view when the muscle step is entered for the first time in a case.

    The thread touches nothing of the session: `take` is called by the window, and only then
    something changes. A reader who has scrolled or drawn meanwhile is not moved.

    Parameters
    ----------
    session
        Whose case it is.
    find
        Finds the Y view, with the signature of `y_view`.

    Attributes
    ----------
    words
        What is proposed, or why nothing is; empty before the muscle step was entered.
    """

    def __init__(self, session: Session, find: Callable[..., YView] = y_view) -> None:
        self._session = session
        self._find = find
        self._asked: _Asked | None = None
        self._proposed: YView | None = None
        self._found: SimpleQueue[tuple[_Asked, YView | ImgtrackError]] = SimpleQueue()
        self._threads: list[Thread] = []
        self._ended = Ended()
        self.words = ""

    @property
    def is_busy(self) -> bool:
        """Whether the Y view is looked for, or was found and is not shown yet."""
        return self.words == BUSY

    @property
    def can_show(self) -> bool:
        """Whether a slice is proposed that can be shown again."""
        return self._proposed is not None

    def begin(self) -> None:
        """Look for the Y view of the open case, unless that was done."""
        session = self._session
        case, pane = session.case, session.viewing.panes[SAGITTAL]
        if case is None or self.words:
            return
        try:
            series = _usable(pane.series)
            if case.side is None:
                raise Refused(Fault("the side of this shoulder is not known"))
            volume = _volume(session, series)
        except ImgtrackError as error:
            self._say(_refusal(error))
            return
        self._asked = _Asked(case, series, pane.place)
        what = (self._asked, volume, case.side)
        thread = Thread(target=self._run, args=what, name="y view")
        self._threads = [each for each in self._threads if each.is_alive()] + [thread]
        thread.start()
        self._say(BUSY)

    def _run(self, asked: _Asked, volume: Volume, side: Side) -> None:
        try:
            found: YView | ImgtrackError = self._find(volume, side, watch=self._watch)
        except ImgtrackError as error:
            found = error
        except Exception:  # noqa: BLE001 - the window must hear of any end
            found = Refused(Fault("looking for the Y view failed"))
        self._found.put((asked, found))

    def _watch(self) -> None:
        """End the search once the window is closed."""
        if self._ended.is_set():
            raise Refused(Fault("the window is closed"))

    def take(self) -> None:
        """Show what was found; drop what is of another case."""
        while True:
            try:
                asked, found = self._found.get_nowait()
            except Empty:
                return
            if asked is not self._asked:
                continue
            if isinstance(found, ImgtrackError):
                self._say(_refusal(found))
                continue
            self._proposed = found
            is_moved = self._is_untouched(asked) and self._go(asked, found)
            self._say(_words(asked.series, found, is_shown=is_moved))

    def show(self) -> None:
        """Go to the proposed slice, or say why there is none."""
        if self._asked is None or self._proposed is None:
            self._session.say(self.words or "The Y view is proposed in the muscle step.")
            return
        self._go(self._asked, self._proposed)
        self._session.say(_words(self._asked.series, self._proposed, is_shown=True))

    def forget(self) -> None:
        """Forget the case; what is still being looked for is dropped once found."""
        self._asked, self._proposed, self.words = None, None, ""

    def stop(self) -> None:
        """End what is being looked for, and wait for it: a thread may not outlive the program."""
        self._ended.set()
        for thread in self._threads:
            thread.join(LONGEST_END_S)

    def _say(self, words: str) -> None:
        self.words = words
        self._session.say(words)

    def _is_untouched(self, asked: _Asked) -> bool:
        """Whether the reader is at the muscle step still and has neither scrolled nor drawn."""
        session = self._session
        pane = session.viewing.panes[SAGITTAL]
        is_there = pane.series is asked.series and pane.place == asked.place
        return is_there and session.step is Step.MUSCLE and session.hand.tool is None

    def _go(self, asked: _Asked, found: YView) -> bool:
        viewing = self._session.viewing
        pane = viewing.panes[SAGITTAL]
        if asked.series not in pane.choices:
            return False
        if pane.series is not asked.series:
            viewing.show_choice(SAGITTAL, pane.choices.index(asked.series))
        viewing.scroll(SAGITTAL, found.slice - pane.place)
        viewing.active = SAGITTAL
        self._session.tell(Event.VIEW)
        return True


def _usable(series: ShownSeries | None) -> ShownSeries:
    """Return the sagittal series that muscles are judged on, or refuse it."""
    if series is None or series.earlier or len(series.images) < 2:
        raise Refused(Fault("no sagittal series"))
    if series.weighting not in FAT_BRIGHT:
        raise Refused(Fault("no sagittal series on which fat is bright, as T1 or PD"))
    if any(image.plane is None for image in series.images):
        raise Refused(Fault("the sagittal series does not say where it lies"))
    return series


def _volume(session: Session, series: ShownSeries) -> Volume:
    planes = tuple(image.plane for image in series.images if image.plane is not None)
    return Volume(session.images.pixels(series.alias).values, Stack(planes))


def _refusal(error: ImgtrackError) -> str:
    why = "; ".join(fault.found or fault.what for fault in error.faults)
    return f"No Y view proposed: {why}. {BY_HAND}"


def _words(series: ShownSeries, found: YView, *, is_shown: bool) -> str:
    which = f"Y view proposed: slice {found.slice + 1} of {len(series.images)}"
    near = "" if found.is_clear else ", not clearly; look at the slices beside"
    if is_shown:
        return f"{which}{near}. Scroll if it is another; Y comes back to it."
    return f"{which}{near}. Y shows it."
