"""Laying the scans of a course on the first one after surgery, away from the window."""

from __future__ import annotations

from queue import Empty, SimpleQueue
from threading import Event, Thread
from typing import TYPE_CHECKING

from imgtrack.desk.course.implants import implant_moves
from imgtrack.domain.errors import Fault, ImgtrackError, Refused
from imgtrack.measure.registration.align import register_humerus
from imgtrack.measure.registration.likeness import SeriesPair
from imgtrack_napari.hanging import PANES

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from imgtrack.desk.course.implants import ImplantMove
    from imgtrack.desk.course.visits import Stack
    from imgtrack.domain.protocol import Plane
    from imgtrack.measure.registration.align import Registration
    from imgtrack_napari.course.lane import Lane
    from imgtrack_napari.course.model import CourseModel

    Register = Callable[..., Registration]


class Laying:
    """Lays every scan on the first one after surgery, one after the other, in a thread.

    The thread touches no window: `take` gives what it has found, and only then the model changes.
    The results stay with the lanes as long as the window is open.

    Parameters
    ----------
    model
        Whose scans.
    register
        Lays one scan on another, with the signature of `register_humerus`.
    """

    def __init__(self, model: CourseModel, *, register: Register = register_humerus) -> None:
        self._model = model
        self._register = register
        self._found: SimpleQueue[tuple[Lane, Registration | ImgtrackError | None]] = SimpleQueue()
        self._ended = Event()
        self._thread = Thread(target=self._run, name="laying")

    @property
    def lanes(self) -> tuple[Lane, ...]:
        """The lanes that are to be laid on the first scan after surgery; none without one."""
        first, lanes = self._model.first, self._model.lanes
        if first is None:
            return ()
        return tuple(each for each in lanes if each is not first and each.visit.stacks)

    @property
    def is_done(self) -> bool:
        """Whether every lane is laid, or is known not to be."""
        return self.done == len(self.lanes)

    @property
    def done(self) -> int:
        """How many lanes are laid, or are known not to be."""
        return sum(bool(each.registration or each.fault) for each in self.lanes)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def stop(self) -> None:
        """End the search soon, without waiting for it."""
        self._ended.set()

    def _watch(self) -> None:
        if self._ended.is_set():
            raise Refused(Fault("the window was closed"))

    def _run(self) -> None:
        for lane in self.lanes:
            if self._ended.is_set():
                return
            self._found.put((lane, None))
            try:
                self._found.put((lane, self.lay(lane)))
            except ImgtrackError as error:
                self._found.put((lane, error))

    def take(self) -> bool:
        """Keep in the model what was found since; return whether anything was."""
        changed = False
        while True:
            try:
                lane, found = self._found.get_nowait()
            except Empty:
                return changed
            self._keep(lane, found)
            changed = True

    def _keep(self, lane: Lane, found: Registration | ImgtrackError | None) -> None:
        lane.is_being_laid = found is None
        if isinstance(found, ImgtrackError):
            lane.fault = "; ".join(fault.what for fault in found.faults)
        elif found is not None:
            lane.registration = found
            self._model.linked(lane)

    def lay(self, lane: Lane) -> Registration:
        """Lay the humerus of a lane on that of the first scan; slow, and changes nothing.

        Raises
        ------
        ImgtrackError
            When it failed, or images cannot be read.
        """
        first = self._model.first
        if first is None:
            raise Refused(Fault("there is no scan after surgery to lay others on"))
        return self._register(
            list(_pairs(first, lane)),
            self._model.course.repair.side,
            near_first=first.drawn_points,
            near_follow=lane.drawn_points,
            watch=self._watch,
        )


def _pairs(first: Lane, lane: Lane) -> Iterator[SeriesPair]:
    for plane in PANES:
        pair = alike(first, lane, plane)
        if pair is not None:
            yield SeriesPair(first.volume(pair[0]), lane.volume(pair[1]))


def alike(first: Lane, lane: Lane, plane: Plane) -> tuple[Stack, Stack] | None:
    """Return series of one plane, of the same weighting where both scans have one."""
    pairs = [
        (onto, follow)
        for onto in first.stacks(plane)
        for follow in lane.stacks(plane)
        if len(onto.shown.images) > 1 and len(follow.shown.images) > 1
    ]
    same = [pair for pair in pairs if pair[0].shown.weighting == pair[1].shown.weighting]
    return next(iter(same or pairs), None)


def moves_of(model: CourseModel, lane: Lane) -> tuple[ImplantMove, ...]:
    """Return how far the implants of a lane moved since the first scan after surgery."""
    first = model.first
    if first is None or lane.registration is None or not lane.visit.is_follow_up:
        return ()
    pitches = [
        stack.shown.spacing_mm
        for each in (first, lane)
        for stack in each.visit.stacks
        if stack.shown.spacing_mm is not None
    ]
    return implant_moves(
        first.visit, lane.visit, lane.registration, slice_pitch_mm=max(pitches, default=0.0)
    )
