"""The course window without a window: which series and slices are shown, and the linked cursor."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from imgtrack.domain.form import form_for, is_answered
from imgtrack.domain.protocol import Plane
from imgtrack_napari.conversion import placed_at
from imgtrack_napari.course.lane import Lane
from imgtrack_napari.figures import figures_of
from imgtrack_napari.hanging import FAT, FLUID, PANES

if TYPE_CHECKING:
    from collections.abc import Sequence

    from imgtrack.desk.course.visits import Course, Stack
    from imgtrack.domain.form import Form
    from imgtrack.domain.protocol import Weighting
    from imgtrack.measure.points import Vector
    from imgtrack_napari.conversion import PanePoint
    from imgtrack_napari.figures import Figure

FLUID_FAT_DARK = tuple(each for each in FLUID if each not in FAT)


class CourseModel:
    """What the course window shows.

    Parameters
    ----------
    course
        Opened at the desk.

    Attributes
    ----------
    lanes
        The visits from left to right.
    first
        The first scan after surgery, which others are laid on; ``None`` where there is none.
    planes
        Those that any scan has.
    rows
        Planes shown, from top to bottom.
    lane, plane
        The marked picture, which keys act on; ``lane`` is ``None`` without visits.
    weightings
        What is wanted in the row of each plane.
    cursor
        The place looked at, patient LPS mm of the first scan.
    blinking
        The lane that blinks with the first one.
    shows_drawing, is_alone
        Whether measurements are drawn; whether the marked lane and the first stand alone.
    """

    def __init__(self, course: Course) -> None:
        self.course = course
        self.lanes = tuple(Lane(visit, number) for number, visit in enumerate(course.visits))
        self.planes = tuple(p for p in PANES if any(lane.stacks(p) for lane in self.lanes))
        self.rows = self.planes[:1]
        follow_ups = [each for each in self.lanes if each.visit.is_follow_up and each.visit.stacks]
        self.first: Lane | None = follow_ups[0] if follow_ups else None
        self.lane = self.first or next(iter(self.lanes), None)
        self.plane = self.planes[0] if self.planes else Plane.CORONAL_OBLIQUE
        self.cursor: Vector | None = None
        self.blinking: Lane | None = None
        self.shows_drawing, self.is_alone = True, False
        self._figures: dict[Lane, tuple[Figure, ...]] = {}
        self.weightings = {plane: self._commonest(plane) for plane in self.planes}
        for plane, weighting in self.weightings.items():
            for lane in self.lanes:
                lane.best(plane, weighting, _alike(weighting))
        self.show_measured()

    # ---------------------------------------------------------------- what is shown

    @property
    def shown_lanes(self) -> tuple[Lane, ...]:
        """The lanes in sight."""
        if not self.is_alone:
            return self.lanes
        return tuple(each for each in self.lanes if each in {self.first, self.lane})

    def show_rows(self, rows: Sequence[Plane]) -> None:
        """Show other planes; one that was in sight stays marked."""
        self.rows = tuple(each for each in self.planes if each in rows)
        if self.plane not in self.rows and self.rows:
            self.plane = self.rows[0]

    def mark(self, lane: Lane, plane: Plane) -> None:
        """Mark a picture: keys act on it."""
        self.lane, self.plane = lane, plane

    def step_lane(self, step: int) -> None:
        """Mark the lane to the left or right, round about."""
        if self.lane is not None:
            self.lane = self.lanes[(self.lane.number + step) % len(self.lanes)]

    def weightings_of(self, plane: Plane) -> tuple[Weighting, ...]:
        """Return the weightings that the scans have in a plane; fluid bright ones first."""
        found = {each.shown.weighting for lane in self.lanes for each in lane.stacks(plane)}
        return tuple(each for each in dict.fromkeys((*FLUID, *FAT)) if each in found)

    def show_weighting(self, plane: Plane, weighting: Weighting) -> None:
        """Show a weighting in the row of a plane, in every lane that has it."""
        self.weightings[plane] = weighting
        for lane in self.lanes:
            before = lane.stack(plane)
            lane.best(plane, weighting, _alike(weighting))
            self._arrive(lane, plane, before)

    def next_weighting(self, plane: Plane) -> bool:
        """Show the next weighting in the row of a plane; return whether there is another."""
        found = self.weightings_of(plane)
        if len(found) < 2:
            return False
        at = found.index(self.weightings[plane]) if self.weightings[plane] in found else -1
        self.show_weighting(plane, found[(at + 1) % len(found)])
        return True

    def choose(self, lane: Lane, plane: Plane, stack: Stack) -> None:
        """Show a series of a lane in the row of a plane, in this lane alone."""
        before = lane.stack(plane)
        lane.chosen[plane] = stack
        self._arrive(lane, plane, before)

    def next_series(self, lane: Lane, plane: Plane, step: int) -> bool:
        """Show the next series of a row's plane in one lane; return whether there is another."""
        mine, now = lane.stacks(plane), lane.stack(plane)
        if len(mine) < 2 and (not mine or now is mine[0]):
            return False
        at = mine.index(now) if now in mine else -1
        self.choose(lane, plane, mine[(at + step) % len(mine)])
        return True

    def _commonest(self, plane: Plane) -> Weighting | None:
        """Return the fluid bright weighting that most scans have in a plane."""
        found = self.weightings_of(plane)
        counts = [
            sum(each in {s.shown.weighting for s in lane.stacks(plane)} for lane in self.lanes)
            for each in found
        ]
        ranked = [(each not in FLUID, -count) for each, count in zip(found, counts, strict=True)]
        return found[ranked.index(min(ranked))] if found else None

    def _arrive(self, lane: Lane, plane: Plane, before: Stack | None) -> None:
        """Go where the series before was, when a lane begins to show another one."""
        stack, here = lane.stack(plane), self.cursor_in(lane)
        if stack is None or stack is before:
            return
        if here is None and before is not None and before.shown.plane is stack.shown.plane:
            image = before.shown.images[lane.place_in(before)]
            here = None if image.plane is None else _middle(image.plane.corners)
        if here is not None:
            lane.go_near(stack, here)

    # ---------------------------------------------------------------- cursor and slices

    def is_linked(self, lane: Lane) -> bool:
        """Whether a lane shows what the cursor of the others points at."""
        return lane is self.first or lane.registration is not None

    def click(self, lane: Lane, plane: Plane, at: PanePoint) -> bool:
        """Set the cursor by a click on a picture; where the lane is linked, the others follow.

        Returns
        -------
        bool
            Whether the click lies on the image.
        """
        image = lane.image(plane)
        placed = placed_at(image, at) if image is not None and image.plane is not None else None
        if placed is None:
            return False
        self._set_cursor(lane, plane, placed.point)
        return True

    def scroll(self, lane: Lane, plane: Plane, steps: int) -> bool:
        """Go to another slice; the cursor, and linked lanes in the same plane, go along.

        Returns
        -------
        bool
            Whether there is such a slice.
        """
        stack = lane.stack(plane)
        place = lane.place_in(stack) + steps if stack else -1
        if stack is None or not 0 <= place < len(stack.shown.images):
            return False
        lane.places[stack.shown.alias] = place
        slab = stack.shown.images[place].plane
        if slab is None:
            return True
        here = self.cursor_in(lane)
        if here is not None:
            onto = np.array(here) - float(slab.distance([here])[0]) * slab.normal
            self._set_cursor(lane, plane, onto.tolist())
        elif self.is_linked(lane):
            self._take_along(lane, plane, _middle(slab.corners))
        return True

    def _set_cursor(self, lane: Lane, plane: Plane, point: Sequence[float]) -> None:
        here = (point[0], point[1], point[2])
        if not self.is_linked(lane):
            lane.own_cursor = here
            self._follow(lane, but=plane)
            return
        self.cursor = self._to_first(lane, here)
        for other in self.lanes:
            if self.is_linked(other):
                self._follow(other, but=plane if other is lane else None)

    def _take_along(self, lane: Lane, plane: Plane, point: Vector) -> None:
        place = self._to_first(lane, point)
        for other in self.lanes:
            stack = other.stack(plane)
            if other is not lane and stack is not None and self.is_linked(other):
                other.go_near(stack, self._from_first(other, place))

    def cursor_in(self, lane: Lane) -> Vector | None:
        """Return the cursor in the patient of a lane's scan; ``None`` where there is none."""
        if not self.is_linked(lane):
            return lane.own_cursor
        return None if self.cursor is None else self._from_first(lane, self.cursor)

    def linked(self, lane: Lane) -> None:
        """Go where the others are, once a lane has been laid on the first scan."""
        lane.own_cursor = None
        self._follow(lane)

    def _follow(self, lane: Lane, *, but: Plane | None = None) -> None:
        """Go to the slices of a lane that hold the cursor, or lie nearest to it."""
        here = self.cursor_in(lane)
        for plane in self.planes:
            stack = lane.stack(plane)
            if here is not None and stack is not None and plane is not but:
                lane.go_near(stack, here)

    @staticmethod
    def _to_first(lane: Lane, point: Vector) -> Vector:
        if lane.registration is None:
            return point
        x, y, z = lane.registration.to_first.apply([point])[0].tolist()
        return x, y, z

    @staticmethod
    def _from_first(lane: Lane, point: Vector) -> Vector:
        if lane.registration is None:
            return point
        x, y, z = lane.registration.to_first.inverse.apply([point])[0].tolist()
        return x, y, z

    # ---------------------------------------------------------------- drawing

    def form(self, lane: Lane) -> Form:
        """Return what was asked about a scan."""
        before = not lane.visit.is_follow_up
        protocol = self.course.protocol
        return form_for(protocol, lane.visit.scan.modality, before_repair=before)

    def figures(self, lane: Lane, plane: Plane) -> tuple[Figure, ...]:
        """Return what the verdict drew on the image shown in the row of a plane."""
        image = lane.image(plane)
        if not self.shows_drawing or image is None:
            return ()
        return tuple(each for each in self._drawn(lane) if image.alias in each.images)

    def _drawn(self, lane: Lane) -> tuple[Figure, ...]:
        """Return all that the verdict drew; what was not asked or not assessable draws nothing."""
        if lane not in self._figures:
            answers = lane.drawn
            answered = {name: each for name, each in answers.items() if is_answered(answers, name)}
            self._figures[lane] = figures_of(self.form(lane), answered)
        return self._figures[lane]

    def show_measured(self) -> None:
        """Go to the first slice of every series that something was drawn on; no cursor then."""
        self.cursor = None
        for lane in self.lanes:
            lane.own_cursor = None
            firsts: dict[str, int] = {}
            for figure in self._drawn(lane):
                for alias in figure.images[:1]:
                    series, _, number = alias.rpartition(".")
                    firsts.setdefault(series, int(number) - 1)
            lane.places |= firsts


def _alike(weighting: Weighting | None) -> tuple[Weighting, ...]:
    """Return what may stand in for a weighting: another one that shows fluid bright, fat dark."""
    return FLUID if weighting in FLUID_FAT_DARK else ()


def _middle(corners: object) -> Vector:
    x, y, z = np.asarray(corners).mean(axis=0).tolist()
    return x, y, z
