"""Grey windows of the course: for all scans alike, or for each alone, by weighting."""

from __future__ import annotations

from typing import TYPE_CHECKING

from imgtrack_napari.grey import GreyMemory, window_of

if TYPE_CHECKING:
    from imgtrack.desk.course.visits import Stack
    from imgtrack_napari.course.lane import Lane
    from imgtrack_napari.grey import Window


class CourseGreys:
    """What is black and what is white in every series.

    A window is a share of what the data of a series suggest, so that scans of different scanners
    look alike under one setting.

    Attributes
    ----------
    are_alike
        Whether a change in one scan holds for that weighting in all scans.
    """

    def __init__(self) -> None:
        self.are_alike = True
        self._shared = GreyMemory()
        self._own: dict[int, GreyMemory] = {}
        self._suggested: dict[tuple[int, str], Window] = {}

    def window(self, lane: Lane, stack: Stack) -> Window:
        """Return the grey window of a series of a lane.

        Raises
        ------
        ImgtrackError
            When its pixels cannot be read.
        """
        shared = self._shared.recall(stack.shown, self.suggested(lane, stack))
        if self.are_alike or lane.number not in self._own:
            return shared
        return self._own[lane.number].recall(stack.shown, shared)

    def suggested(self, lane: Lane, stack: Stack) -> Window:
        """Return what the data of a series suggest."""
        key = lane.number, stack.shown.alias
        if key not in self._suggested:
            self._suggested[key] = window_of(lane.pixels(stack).values)
        return self._suggested[key]

    def change(
        self, lane: Lane, stack: Stack, *, brighter: float = 0.0, wider: float = 1.0
    ) -> None:
        """Make a series brighter by a share of its span, or its window wider by a factor."""
        suggested = self.suggested(lane, stack)
        span = suggested.high - suggested.low
        changed = self.window(lane, stack).brighter(brighter, span).wider(wider, span)
        if self.are_alike:
            self._shared.keep(stack.shown, changed, suggested)
        else:
            shared = self._shared.recall(stack.shown, suggested)
            self._own.setdefault(lane.number, GreyMemory()).keep(stack.shown, changed, shared)

    def again(self, lane: Lane, stack: Stack) -> None:
        """Go back to what the data suggest; for a lane alone, to what holds for all."""
        if self.are_alike:
            self._shared.forget(stack.shown)
        elif lane.number in self._own:
            self._own[lane.number].forget(stack.shown)
