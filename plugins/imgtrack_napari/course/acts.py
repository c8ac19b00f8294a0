"""What the keys and buttons of the course window do."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from imgtrack.domain.errors import ImgtrackError
from imgtrack_napari.course.keys import PLANE_ACTS, Act

if TYPE_CHECKING:
    from collections.abc import Callable

    from qtpy.QtCore import QPointF

    from imgtrack_napari.course.lane import Lane
    from imgtrack_napari.course.picture import Picture
    from imgtrack_napari.course.window import CourseWindow

GREY_STEP, WIDER_STEP, ZOOM_STEP = 0.05, 1.15, 1.2

NOT_LAID = "Only a scan that is laid on the first one, in a plane both have, can blink with it."
NOT_THE_FIRST = "This is the first scan: mark the one that is to blink with it, then press C."


class CourseActs:
    """The acts of one window.

    Parameters
    ----------
    window
        Whose.

    Attributes
    ----------
    calls
        What is called, by act.
    """

    def __init__(self, window: CourseWindow) -> None:
        self._window, self._model = window, window.model
        self.calls: dict[Act, Callable[[], object]] = {
            **{act: partial(self._plane, place) for place, act in enumerate(PLANE_ACTS)},
            Act.TWO_PLANES: self._two_planes,
            Act.WEIGHTING: self._weighting,
            Act.NEXT_SERIES: partial(self._series, 1),
            Act.SERIES_BEFORE: partial(self._series, -1),
            Act.SLICE_UP: partial(self._scroll, -1),
            Act.SLICE_DOWN: partial(self._scroll, 1),
            Act.LEFT: partial(self._step, -1),
            Act.RIGHT: partial(self._step, 1),
            Act.OTHER_ROW: self._other_row,
            Act.ALONE: self._alone,
            Act.BLINK: self._blink_marked,
            Act.TURN: self._turn_by_hand,
            Act.HIDE: self._hide,
            Act.MEASURED: self._measured,
            Act.BRIGHTER: partial(self._grey_marked, brighter=GREY_STEP),
            Act.DARKER: partial(self._grey_marked, brighter=-GREY_STEP),
            Act.NARROWER: partial(self._grey_marked, wider=1 / WIDER_STEP),
            Act.WIDER: partial(self._grey_marked, wider=WIDER_STEP),
            Act.GREY_AGAIN: self._grey_again,
            Act.GREY_ALIKE: self._grey_alike,
            Act.ZOOM_IN: partial(self.zoom, ZOOM_STEP),
            Act.ZOOM_OUT: partial(self.zoom, 1 / ZOOM_STEP),
            Act.LINK_ZOOM: self._link_zoom,
            Act.FIT: self._fit,
            Act.PLOTS: self._show_plots,
            Act.LIGHT: window.restyle,
            Act.HELP: window.help.toggle,
        }

    # ---------------------------------------------------------------- what is shown

    def _plane(self, place: int) -> None:
        if place < len(self._model.planes):
            self._rows(place, place + 1)

    def _two_planes(self) -> None:
        if len(self._model.rows) > 1:
            self._rows(0, 1)
        else:
            self._rows(0, 2)

    def _rows(self, begin: int, end: int) -> None:
        self._model.show_rows(self._model.planes[begin:end])
        self._window.refresh()

    def _weighting(self) -> None:
        changed = self._model.next_weighting(self._model.plane)
        self._window.refresh()
        if not changed:
            self._window.say("The scans have no other weighting in this plane.")

    def _series(self, step: int) -> None:
        model = self._model
        changed = model.lane is not None and model.next_series(model.lane, model.plane, step)
        self._window.refresh()
        if not changed:
            self._window.say("This scan has no other series of this plane.")

    def _scroll(self, steps: int) -> None:
        picture = self._window.marked
        if picture is not None:
            picture.go(steps)

    def _step(self, step: int) -> None:
        self._model.step_lane(step)
        self._window.refresh()

    def _other_row(self) -> None:
        rows = self._model.rows
        if self._model.lane is not None and self._model.plane in rows:
            other = rows[(rows.index(self._model.plane) + 1) % len(rows)]
            self._model.mark(self._model.lane, other)
            self._window.refresh()

    def _alone(self) -> None:
        self._model.is_alone = not self._model.is_alone
        self._window.refresh()

    def _hide(self) -> None:
        self._model.shows_drawing = not self._model.shows_drawing
        self._window.refresh()

    def _measured(self) -> None:
        self._model.show_measured()
        self._window.refresh()

    def _show_plots(self) -> None:
        self._window.plots.setVisible(self._window.plots.isHidden())
        self._window.refresh()

    # ---------------------------------------------------------------- blinking

    def _blink_marked(self) -> None:
        if self._model.lane is not None:
            self.blink(self._model.blinking or self._model.lane)

    def blink(self, lane: Lane) -> None:
        """Begin to blink a scan with the first one, or end it."""
        was = self._model.blinking
        self._stop_blinking()
        if was is lane:
            self._window.refresh()
        elif self._window.blinker.may(lane):
            self._model.blinking = lane
            self._window.clock.start()
            self._window.refresh()
        else:
            self._window.refresh()
            is_first = lane is self._model.first
            self._window.say(NOT_THE_FIRST if is_first else NOT_LAID)

    def _stop_blinking(self) -> None:
        self._window.clock.stop()
        self._model.blinking = None
        for picture in self._pictures_of_first:
            picture.show_other(None, None)

    def turn(self) -> None:
        """Show the blinking scan in the first one's place, or the first one again."""
        shown = [each for each in self._pictures_of_first if each.plane in self._model.rows]
        over = not any(picture.is_turned for picture in shown)
        for picture in shown:
            picture.turn(over=over)

    def _turn_by_hand(self) -> None:
        if self._model.blinking is None:
            self._window.say("Nothing blinks: C begins.")
            return
        self._window.clock.stop()
        self.turn()

    @property
    def _pictures_of_first(self) -> tuple[Picture, ...]:
        """The pictures of the first scan after surgery, those out of sight too."""
        view = self._window.first_view
        return tuple(view.pictures.values()) if view is not None else ()

    def hold_other(self) -> None:
        """Keep the slices of the blinking scan those of the first one's pictures."""
        lane = self._model.blinking
        if lane is None:
            return
        if not self._window.blinker.may(lane):
            self._stop_blinking()
            return
        for picture in self._pictures_of_first:
            if picture.plane in self._model.rows:
                self._hold(picture, lane)
            else:
                picture.show_other(None, None)

    def _hold(self, picture: Picture, lane: Lane) -> None:
        stack = lane.stack(picture.plane)
        if stack is None:
            picture.show_other(None, None)
            return
        try:
            found = self._window.blinker.slice(lane, picture.plane)
            grey = self._window.greys.window(lane, stack)
        except ImgtrackError as error:
            self._stop_blinking()
            self._window.say("; ".join(fault.what for fault in error.faults))
        else:
            picture.show_other(found, grey)

    # ---------------------------------------------------------------- grey window and zoom

    def _grey_marked(self, *, brighter: float = 0.0, wider: float = 1.0) -> None:
        picture = self._window.marked
        if picture is not None:
            self.grey(picture, brighter=brighter, wider=wider)

    def grey(self, picture: Picture, *, brighter: float, wider: float) -> None:
        """Change the grey window of a picture's series, and of others where they are alike."""
        stack = picture.lane.stack(picture.plane)
        if stack is not None and not picture.trouble:
            self._window.greys.change(picture.lane, stack, brighter=brighter, wider=wider)
            self._window.refresh()

    def _grey_again(self) -> None:
        picture = self._window.marked
        stack = picture.lane.stack(picture.plane) if picture is not None else None
        if picture is not None and stack is not None:
            self._window.greys.again(picture.lane, stack)
            self._window.refresh()

    def _grey_alike(self) -> None:
        self._window.greys.are_alike = not self._window.greys.are_alike
        self._window.refresh()

    def zoom(
        self, factor: float, picture: Picture | None = None, at: QPointF | None = None
    ) -> None:
        """Zoom all scans around what they look at, or one alone around the pointer.

        Parameters
        ----------
        factor
            Above 1 to see more closely.
        picture, at
            The picture under the pointer, and where; the marked one when not given.
        """
        picture = picture or self._window.marked
        for each in self._window.pictures:
            if self._window.zooms_alike or each is picture:
                each.zoom_by(factor, at if each is picture else None)

    def _link_zoom(self) -> None:
        self._window.zooms_alike = not self._window.zooms_alike
        self._window.refresh()

    def _fit(self) -> None:
        for picture in self._window.pictures:
            picture.fit()
