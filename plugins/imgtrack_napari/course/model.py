"""The course window without a window: which slices are shown, the linked cursor, what blinks."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from imgtrack.desk.cases.images import ShownPixels
from imgtrack.desk.course.implants import implant_moves
from imgtrack.domain.errors import Fault, ImgtrackError, Refused
from imgtrack.domain.form import form_for, is_answered
from imgtrack.domain.protocol import Plane
from imgtrack.measure.registration.align import register_humerus
from imgtrack.measure.registration.laid import laid_on
from imgtrack.measure.registration.likeness import SeriesPair
from imgtrack.measure.stack import Stack as Slices
from imgtrack.measure.suggest.volume import Volume
from imgtrack_napari.conversion import placed_at
from imgtrack_napari.figures import figures_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from imgtrack.desk.cases.images import ShownImage
    from imgtrack.desk.course.implants import ImplantMove
    from imgtrack.desk.course.visits import Course, Stack, Visit
    from imgtrack.domain.form import Form
    from imgtrack.measure.points import Vector
    from imgtrack.measure.registration.align import Registration
    from imgtrack_napari.conversion import PanePoint
    from imgtrack_napari.figures import Figure

    Register = Callable[..., Registration]

ORDER = (Plane.CORONAL_OBLIQUE, Plane.SAGITTAL_OBLIQUE, Plane.AXIAL)
WAITING, AS_IT_IS = "not laid on the first scan yet", "shown as it is"


@dataclass(slots=True)
class Lane:
    """One visit as it is shown.

    Attributes
    ----------
    visit
        The visit.
    number
        Its place from the left, from 0.
    registration
        Of its humerus on that of the first scan after surgery; ``None`` until there is one.
    fault
        Why there is none; empty while it is waited for.
    places
        Slice shown, by plane.
    """

    visit: Visit
    number: int
    registration: Registration | None = None
    fault: str = ""
    places: dict[Plane, int] = field(default_factory=dict)
    _volumes: dict[str, Volume] = field(default_factory=dict)
    _pixels: dict[str, ShownPixels] = field(default_factory=dict)

    def stack(self, plane: Plane) -> Stack | None:
        """Return the series of a plane: of the weighting that comes first by name."""
        return next((s for s in self.visit.stacks if s.shown.plane is plane), None)

    def place(self, plane: Plane) -> int:
        """Return the slice shown, from 0; the middle one at first."""
        stack = self.stack(plane)
        middle = len(stack.shown.images) // 2 if stack else 0
        return self.places.get(plane, middle)

    def image(self, plane: Plane) -> ShownImage | None:
        """Return the image shown."""
        stack = self.stack(plane)
        return stack.shown.images[self.place(plane)] if stack else None

    def pixels(self, stack: Stack) -> ShownPixels:
        """Return the pixels of a series, read once."""
        alias = stack.shown.alias
        if alias not in self._pixels:
            self._pixels[alias] = stack.pixels()
        return self._pixels[alias]

    def volume(self, stack: Stack) -> Volume:
        """Return a series as pixels with their place in the patient."""
        alias = stack.shown.alias
        if alias not in self._volumes:
            slices = Slices(stack.shelved.planes)
            self._volumes[alias] = Volume(self.pixels(stack).values, slices)
        return self._volumes[alias]

    @property
    def drawn_points(self) -> tuple[Vector, ...]:
        """Points of the verdict's lengths, which lie on the cuff above the head."""
        answers = self.visit.verdict.answers if self.visit.verdict else {}
        lengths = ("straight retraction", "tendon thickness", "tear width")
        found = [answers.get(name, {}).get("points") or [] for name in lengths]
        return tuple((p[0], p[1], p[2]) for points in found for p in points)


class CourseModel:
    """What the course window shows.

    Parameters
    ----------
    course
        Opened at the desk.
    register
        Lays one scan on another, with the signature of `register_humerus`.
    """

    def __init__(self, course: Course, *, register: Register = register_humerus) -> None:
        self.course = course
        self._register = register
        self.lanes = tuple(Lane(visit, number) for number, visit in enumerate(course.visits))
        self.cursor: Vector | None = None
        self.shows_drawing = True
        self.blinking: Lane | None = None
        self.planes = tuple(p for p in ORDER if any(lane.stack(p) for lane in self.lanes))
        self.plane = self.planes[0] if self.planes else Plane.CORONAL_OBLIQUE
        follow_ups = [each for each in self.lanes if each.visit.is_follow_up and each.visit.stacks]
        self.first: Lane | None = follow_ups[0] if follow_ups else None
        self._show_measured()

    # ---------------------------------------------------------------- registration

    @property
    def to_lay(self) -> tuple[Lane, ...]:
        """The lanes that are to be laid on the first scan after surgery."""
        return tuple(each for each in self.lanes if each is not self.first and each.visit.stacks)

    def lay(self, lane: Lane) -> Registration:
        """Lay the humerus of a lane on that of the first scan; slow, and changes nothing.

        Raises
        ------
        ImgtrackError
            When it failed, or images cannot be read.
        """
        if self.first is None:
            raise Refused(Fault("there is no scan after surgery to lay others on"))
        return self._register(
            list(self._pairs(self.first, lane)),
            self.course.repair.side,
            near_first=self.first.drawn_points,
            near_follow=lane.drawn_points,
        )

    def laid(self, lane: Lane, found: Registration | ImgtrackError) -> None:
        """Keep what laying gave: a registration, or why there is none."""
        if isinstance(found, ImgtrackError):
            lane.fault = "; ".join(fault.what for fault in found.faults)
            return
        lane.registration = found
        self._follow(lane)

    def _pairs(self, first: Lane, lane: Lane) -> Iterator[SeriesPair]:
        for plane in ORDER:
            pair = _alike(first, lane, plane)
            if pair is not None:
                yield SeriesPair(first.volume(pair[0]), lane.volume(pair[1]))

    def status(self, lane: Lane) -> str:
        """Say how a lane lies on the first scan."""
        if lane is self.first:
            return "first scan after surgery: the others are laid on its humerus"
        if lane.registration is not None:
            residual = f"residual {lane.registration.residual_mm:.2f} mm"
            return f"laid on the humerus of the first scan; {residual}"
        return f"{AS_IT_IS}: {lane.fault}" if lane.fault else WAITING

    def moves(self, lane: Lane) -> tuple[ImplantMove, ...]:
        """Return how far the implants of a lane moved since the first scan after surgery."""
        first = self.first
        if first is None or lane.registration is None or not lane.visit.is_follow_up:
            return ()
        pitches = [
            stack.shown.spacing_mm
            for each in (first, lane)
            for stack in each.visit.stacks
            if stack.shown.spacing_mm is not None
        ]
        pitch = max(pitches)
        return implant_moves(first.visit, lane.visit, lane.registration, slice_pitch_mm=pitch)

    # ---------------------------------------------------------------- cursor and slices

    def show_plane(self, plane: Plane) -> None:
        """Show another plane everywhere."""
        self.plane = plane
        self.blinking = None
        for lane in self.lanes:
            self._follow(lane)

    def click(self, lane: Lane, at: PanePoint) -> bool:
        """Set the cursor by a click in a lane; every laid lane follows.

        Returns
        -------
        bool
            Whether the cursor is set: not beside the image, nor in a lane that is not laid.
        """
        image = lane.image(self.plane)
        placed = placed_at(image, at) if image is not None else None
        if placed is None or not self._is_linked(lane):
            return False
        self._set_cursor(lane, placed.point)
        return True

    def scroll(self, lane: Lane, steps: int) -> bool:
        """Go to another slice of a lane; where it is laid, the cursor and the others go along.

        Returns
        -------
        bool
            Whether there is such a slice.
        """
        stack, place = lane.stack(self.plane), lane.place(self.plane) + steps
        if stack is None or not 0 <= place < len(stack.shown.images):
            return False
        lane.places[self.plane] = place
        plane = stack.shown.images[place].plane
        if plane is not None and self._is_linked(lane):
            here = np.array(self.cursor_in(lane) or plane.corners.mean(axis=0))
            onto = here - float(plane.distance([here])[0]) * plane.normal
            self._set_cursor(lane, onto.tolist())
        return True

    def _is_linked(self, lane: Lane) -> bool:
        return lane is self.first or lane.registration is not None

    def _set_cursor(self, lane: Lane, point: Sequence[float]) -> None:
        if lane.registration is not None:
            point = lane.registration.to_first.apply([point])[0].tolist()
        self.cursor = (point[0], point[1], point[2])
        for other in self.lanes:
            if other is not lane:
                self._follow(other)

    def cursor_in(self, lane: Lane) -> Vector | None:
        """Return the cursor in the patient of a lane's scan; ``None`` where it is not known."""
        if self.cursor is None or not self._is_linked(lane):
            return None
        if lane.registration is None:
            return self.cursor
        x, y, z = lane.registration.to_first.inverse.apply([self.cursor])[0].tolist()
        return x, y, z

    def _follow(self, lane: Lane) -> None:
        """Go to the slice of a lane that holds the cursor, or lies nearest to it."""
        here, stack = self.cursor_in(lane), lane.stack(self.plane)
        if here is None or stack is None or not stack.shelved.planes:
            return
        away = [abs(float(plane.distance([here])[0])) for plane in stack.shelved.planes]
        lane.places[self.plane] = int(np.argmin(away))

    # ---------------------------------------------------------------- drawing

    def form(self, lane: Lane) -> Form:
        """Return what was asked about a scan."""
        before = not lane.visit.is_follow_up
        protocol = self.course.protocol
        return form_for(protocol, lane.visit.scan.modality, before_repair=before)

    def figures(self, lane: Lane) -> tuple[Figure, ...]:
        """Return what the verdict drew on the slice shown."""
        stack = lane.stack(self.plane)
        if not self.shows_drawing or lane.visit.verdict is None or stack is None:
            return ()
        place = lane.place(self.plane)
        return tuple(
            each
            for each in self._drawn(lane)
            if place in {stack.number_of(uid) for uid in each.images}
        )

    def _drawn(self, lane: Lane) -> tuple[Figure, ...]:
        """Return all that the verdict drew; what was not asked or not assessable draws nothing."""
        answers = lane.visit.verdict.answers if lane.visit.verdict else {}
        answered = {name: each for name, each in answers.items() if is_answered(answers, name)}
        return figures_of(self.form(lane), answered)

    def _show_measured(self) -> None:
        """Begin every lane at the slice of each plane that a length was drawn on."""
        for lane in self.lanes:
            for figure in self._drawn(lane):
                for stack in lane.visit.stacks:
                    plane = stack.shown.plane
                    place = stack.number_of(figure.images[0]) if figure.images else None
                    if plane is not None and place is not None and stack is lane.stack(plane):
                        lane.places.setdefault(plane, place)

    # ---------------------------------------------------------------- blinking

    def may_blink(self, lane: Lane) -> bool:
        """Whether a lane can blink with the first scan."""
        return (
            lane.registration is not None
            and self.first is not None
            and lane.stack(self.plane) is not None
            and self.first.stack(self.plane) is not None
        )

    def laid_pixels(self, lane: Lane) -> ShownPixels | None:
        """Return a lane's series as seen in the slices of the first scan, to blink with it."""
        if self.first is None or lane.registration is None:
            return None
        pair = _alike(self.first, lane, self.plane)
        if pair is None:
            return None
        onto, follow = pair[0], lane.volume(pair[1])
        to_first = lane.registration.to_first
        values = np.stack([laid_on(plane, follow, to_first) for plane in onto.shelved.planes])
        return ShownPixels(values.astype(np.float32), lane.pixels(pair[1]).inverted)


def _alike(first: Lane, lane: Lane, plane: Plane) -> tuple[Stack, Stack] | None:
    """Return series of one plane, of the same weighting where both scans have one."""
    mine = [s for s in lane.visit.stacks if s.shown.plane is plane and len(s.shown.images) > 1]
    theirs = [s for s in first.visit.stacks if s.shown.plane is plane and len(s.shown.images) > 1]
    pairs = [(a, b) for a in theirs for b in mine]
    same = [pair for pair in pairs if pair[0].shown.weighting == pair[1].shown.weighting]
    return next(iter(same or pairs), None)
