"""How far an implant moved between an earlier scan and the one that is read.

The reader marks the head of the implant on the earlier scan too; the program lays the humerus of
one scan on that of the other, away from the window, and proposes the millimetres. The mark on the
earlier scan is kept nowhere: what is recorded is the move and the residual, once accepted.
"""

from __future__ import annotations

from dataclasses import dataclass
from queue import Empty, SimpleQueue
from threading import Event as Ended
from threading import Thread
from typing import TYPE_CHECKING, Any

from imgtrack.domain.errors import Fault, ImgtrackError, Refused
from imgtrack.domain.form import Origin
from imgtrack.measure.motion import migration
from imgtrack.measure.registration.align import register_humerus
from imgtrack.measure.registration.likeness import SeriesPair
from imgtrack.measure.stack import Stack
from imgtrack.measure.suggest.volume import Volume
from imgtrack_napari.drawing import Leg, Tool
from imgtrack_napari.events import Event
from imgtrack_napari.hanging import PANES
from imgtrack_napari.proposing import Proposal
from imgtrack_napari.values import placed_of
from imgtrack_napari.viewing import nearest_place

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from imgtrack.desk.cases.images import ShownSeries
    from imgtrack.domain.subjects import Side
    from imgtrack.measure.motion import Migration
    from imgtrack.measure.registration.align import Registration
    from imgtrack_napari.measuring import Placed
    from imgtrack_napari.session import Session

    Register = Callable[..., Registration]
    Key = tuple[str, int]
    Laid = Registration | ImgtrackError

UP = (0.0, 0.0, 1.0)
"""Any direction: only the distance is asked, which does not depend on it."""

LONGEST_END_S = 10.0
"""How long the end of a search is waited for."""

BUSY = "Laying the two scans on each other; go on meanwhile."


@dataclass(frozen=True, slots=True)
class MoveProposal(Proposal):
    """How far one implant moved, as the program proposes it.

    Attributes
    ----------
    question, label
        Of the implant.
    value
        Its migration, as answers hold it.
    """

    question: str = ""
    label: str = ""
    value: tuple[tuple[str, Any], ...] = ()

    def taken(self, session: Session) -> dict[str, Any]:
        """Return the implants as they are now, with the move of this one."""
        implants = [
            {**each, "migration": dict(self.value)} if each["label"] == self.label else each
            for each in session.value(self.question).get("implants", ())
        ]
        return {self.question: {"implants": implants}} if implants else {}


@dataclass(frozen=True, slots=True)
class _Mark:
    """One implant to be compared: in which case, and where it was on the earlier scan."""

    case: str
    question: str
    label: str
    before: Placed

    @property
    def scans(self) -> Key:
        """Which two scans are laid on each other: the case and the number of the earlier one."""
        return self.case, int(self.before.image.partition(".")[0])


class TwoScans:
    """Lays an earlier scan under the one that is read, in a thread, and proposes moves.

    The thread touches nothing of the session: `take` is called by the window, and only then
    something changes. Each pair of scans of a case is laid once.

    Parameters
    ----------
    session
        Whose case it is.
    register
        Lays one scan on another, with the signature of `register_humerus`.
    """

    def __init__(self, session: Session, register: Register = register_humerus) -> None:
        self._session = session
        self._register = register
        self._laid: dict[Key, Registration] = {}
        self._found: SimpleQueue[tuple[Key, Laid]] = SimpleQueue()
        self._asked: dict[Key, list[_Mark]] = {}
        self._waiting: list[tuple[_Mark, Laid]] = []
        self._thread: Thread | None = None
        self._ended = Ended()

    @property
    def is_busy(self) -> bool:
        """Whether scans are being laid, or a result waits to be shown."""
        return bool(self._asked or self._waiting)

    def stop(self) -> None:
        """End what is being laid, and wait for it: a thread may not outlive the program."""
        self._ended.set()
        if self._thread is not None:
            self._thread.join(LONGEST_END_S)

    @property
    def is_possible(self) -> bool:
        """Whether the case shows an earlier scan."""
        case = self._session.case
        return case is not None and any(each.earlier for each in case.series)

    def mark(self, name: str, label: str) -> None:
        """Take the tool that marks an implant on the earlier scan."""
        session = self._session
        if not session.hand.can_draw(name):
            return
        self._bring_up(name, label)
        words = f"head of implant {label} on the first scan after surgery"
        legs = (Leg("points", (words,), 1),)
        session.hand.take(Tool(name, label, legs, on_earlier=True))

    def _bring_up(self, name: str, label: str) -> None:
        """Show the earlier scan in the plane an implant is marked in; S leads to others."""
        session = self._session
        head = _head(session, name, label)
        if head is None:
            return
        own = session.images.series(head.image)
        series = session.case.series if session.case else ()
        earlier = [each for each in series if each.earlier and each.plane is own.plane]
        if not earlier:
            return
        best = min(earlier, key=lambda each: (each.earlier, each.weighting is not own.weighting))
        place = nearest_place(best, head.point)
        image = best.images[len(best.images) // 2 if place is None else place]
        session.viewing.show_image(image.alias)
        session.tell(Event.VIEW)

    def begin(self, name: str, label: str, before: Placed) -> None:
        """Propose how far an implant moved from a place on an earlier scan, once that is known."""
        session = self._session
        case = session.case
        if case is None:
            return
        if (head := _head(session, name, label)) is not None:
            session.viewing.show_image(head.image)
            session.tell(Event.VIEW)
        mark = _Mark(case.code, name, label, before)
        if (laid := self._laid.get(mark.scans)) is not None:
            self._waiting.append((mark, laid))
            self.take()
            return
        try:
            if mark.scans not in self._asked:
                self._lay(mark)
        except ImgtrackError as error:
            session.say("Nothing proposed: " + "; ".join(fault.what for fault in error.faults))
            return
        self._asked.setdefault(mark.scans, []).append(mark)
        session.say(BUSY)

    def _lay(self, mark: _Mark) -> None:
        """Begin to lay the scans of a mark, unless others are being laid."""
        if self._asked:
            raise Refused(Fault("another scan is being laid; ask again when that is done"))
        what = (mark.scans, *self._to_lay(mark))
        self._thread = Thread(target=self._run, args=what, name="two scans", daemon=True)
        self._thread.start()

    def _to_lay(self, mark: _Mark) -> tuple[list[SeriesPair], Side, list[Any], list[Any]]:
        """Return what is laid: series of both scans, the side, and points on the cuff in each."""
        session = self._session
        case = session.case
        if case is None or case.side is None:
            raise Refused(Fault("the side of this shoulder is not known"))
        pairs = list(_pairs(session, mark.scans[1]))
        heads = [each["points"][0] for each in session.value(mark.question)["implants"]]
        return pairs, case.side, [mark.before.point], heads

    def _run(
        self,
        scans: Key,
        pairs: Sequence[SeriesPair],
        side: Side,
        near_first: list[Any],
        near_follow: list[Any],
    ) -> None:
        try:
            found: Laid = self._register(
                pairs, side, near_first=near_first, near_follow=near_follow, watch=self._watch
            )
        except ImgtrackError as error:
            found = error
        except Exception:  # noqa: BLE001 - the window must hear of any end
            found = Refused(Fault("laying the scans on each other failed"))
        self._found.put((scans, found))

    def _watch(self) -> None:
        """End the search once the window is closed."""
        if self._ended.is_set():
            raise Refused(Fault("the window is closed"))

    def take(self) -> None:
        """Show what was found, once the reader's hand is free; drop what is of another case."""
        self._collect()
        session = self._session
        code = session.case.code if session.case is not None else ""
        self._waiting = [each for each in self._waiting if each[0].case == code]
        is_free = session.hand.tool is None and session.hand.proposal is None
        if self._waiting and is_free and session.may_change:
            mark, found = self._waiting.pop(0)
            self._show(mark, found)

    def _collect(self) -> None:
        while True:
            try:
                scans, found = self._found.get_nowait()
            except Empty:
                return
            self._waiting += [(mark, found) for mark in self._asked.pop(scans)]
            if not isinstance(found, ImgtrackError):
                self._laid[scans] = found

    def _show(self, mark: _Mark, found: Laid) -> None:
        session = self._session
        after = _head(session, mark.question, mark.label)
        if isinstance(found, ImgtrackError):
            session.say("Nothing proposed: " + "; ".join(fault.what for fault in found.faults))
        elif after is not None:
            session.hand.offer(_proposal(session, mark, after, found))
        session.tell(Event.TOOL)


def _head(session: Session, name: str, label: str) -> Placed | None:
    """Return where the head of an implant is on the scan that is read."""
    implants = session.value(name).get("implants", ())
    drawn = next((each for each in implants if each["label"] == label), None)
    return None if drawn is None else placed_of(session, drawn)[0]


def _proposal(session: Session, mark: _Mark, after: Placed, laid: Registration) -> MoveProposal:
    series = [session.images.series(each.image) for each in (mark.before, after)]
    moved = migration(
        mark.before.point,
        after.point,
        axis=UP,
        to_first=laid.to_first,
        residual_mm=laid.residual_mm,
        slice_pitch_mm=max(each.spacing_mm or 0.0 for each in series),
    )
    value = {
        "mm": moved.distance_mm,
        "residual_mm": moved.residual_mm,
        "origin": Origin.ACCEPTED.value,
    }
    words = f"Implant {mark.label}{_words(moved)}; residual {moved.residual_mm:.1f} mm."
    return MoveProposal({}, words, mark.question, mark.label, tuple(value.items()))


def _words(moved: Migration) -> str:
    if moved.is_detectable:
        return f" moved {moved.distance_mm:.1f} mm"
    least = f"{moved.detectable_from_mm:.1f} mm, half the slice spacing with the residual"
    return f": {moved.distance_mm:.1f} mm, not detectable below {least}"


def _pairs(session: Session, earlier: int) -> Iterator[SeriesPair]:
    """Yield series of one plane, of the same weighting where both scans have one."""
    case = session.case
    stacks = [each for each in case.series if len(each.images) > 1] if case else []
    for plane in PANES:
        first = [each for each in stacks if each.earlier == earlier and each.plane is plane]
        follow = [each for each in stacks if not each.earlier and each.plane is plane]
        both = [(one, other) for one in first for other in follow]
        same = [pair for pair in both if pair[0].weighting is pair[1].weighting]
        for one, other in (same or both)[:1]:
            yield SeriesPair(_volume(session, one), _volume(session, other))


def _volume(session: Session, series: ShownSeries) -> Volume:
    planes = tuple(image.plane for image in series.images if image.plane is not None)
    return Volume(session.images.pixels(series.alias).values, Stack(planes))
