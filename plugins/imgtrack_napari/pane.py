"""One pane: an image with everything painted over it, and the mouse."""

from __future__ import annotations

from typing import TYPE_CHECKING

from qtpy.QtCore import QPointF, Qt
from qtpy.QtGui import QPainter
from qtpy.QtWidgets import QVBoxLayout, QWidget

from imgtrack.domain.errors import ImgtrackError
from imgtrack_napari.canvas import Canvas
from imgtrack_napari.conversion import placed_at
from imgtrack_napari.events import Event
from imgtrack_napari.figures import figures_of, handle_near
from imgtrack_napari.grey import Window, window_of
from imgtrack_napari.overlay import paint

if TYPE_CHECKING:
    from qtpy.QtGui import QMouseEvent, QPaintEvent, QResizeEvent, QWheelEvent

    from imgtrack.desk.cases.images import ShownImage
    from imgtrack.domain.protocol import Plane
    from imgtrack_napari.figures import Figure, Handle
    from imgtrack_napari.grey import GreyMemory
    from imgtrack_napari.measuring import Placed
    from imgtrack_napari.session import Session

REACH_PX = 9.0
"""How near to a point the pointer must be to take hold of it."""

ZOOM_STEP = 1.2
GREY_PER_PX = 1 / 400
"""Share of the data's span that dragging by one screen pixel changes the grey window."""

TIP = (
    "Click: the other panes follow. Wheel: slices. Ctrl and wheel: zoom. "
    "Drag right: grey window. Drag middle: move. Drag a point to move it."
)


class PaneView(QWidget):
    """One pane.

    Parameters
    ----------
    session
        Whose case is shown.
    plane
        Which of its panes.
    greys
        Grey windows the reader set.
    """

    def __init__(self, session: Session, plane: Plane, greys: GreyMemory) -> None:
        super().__init__()
        self.session, self.plane = session, plane
        self._greys = greys
        self.canvas = Canvas()
        self.setMinimumSize(180, 180)
        self._box = QVBoxLayout(self)
        self._box.setContentsMargins(0, 0, 0, 0)
        self._box.addWidget(self.canvas.widget)
        self.sheet = Sheet(self)
        self.shows_drawing = True
        self.linked: list[PaneView] = []
        self._series = ""
        self._suggested = self._grey = Window(0.0, 1.0)

    @property
    def image(self) -> ShownImage | None:
        """The image shown."""
        return self.session.viewing.panes[self.plane].image

    def refresh(self) -> None:
        """Show what the session says this pane shows."""
        pane = self.session.viewing.panes[self.plane]
        if pane.series is None or self.session.case is None:
            self.canvas.clear()
            self._series = ""
        else:
            key = f"{self.session.case.session} {pane.series.alias}"
            if key != self._series:
                self._try_to_load(key)
            self.canvas.go_to(pane.place)
        self.sheet.update()

    def _try_to_load(self, key: str) -> None:
        """Load a series; one that cannot be read leaves the pane dark, and the reader is told."""
        try:
            self._load(key)
        except ImgtrackError as error:
            self._series = key
            self.canvas.clear()
            self.session.say("; ".join(map(str, error.faults)))

    def _load(self, key: str) -> None:
        series = self.session.viewing.panes[self.plane].series
        if series is None:
            return
        pixels = self.session.images.pixels(series.alias)
        self._suggested = window_of(pixels.values)
        self._grey = self._greys.recall(series, self._suggested)
        same_case = self._series.partition(" ")[0] == key.partition(" ")[0]
        self.canvas.show(series, pixels, self._grey)
        self._series = key
        if not same_case or self.canvas.is_fitted:
            self.canvas.fit()

    # ---------------------------------------------------------------- grey window

    def change_grey(self, *, brighter: float = 0.0, wider: float = 1.0) -> None:
        """Make the picture brighter by a share of its span, or the window wider by a factor."""
        span = self._suggested.high - self._suggested.low
        self._set_grey(self._grey.brighter(brighter, span).wider(wider, span))

    def _set_grey(self, grey: Window) -> None:
        series = self.session.viewing.panes[self.plane].series
        if series is None:
            return
        self._grey = grey
        self._greys.keep(series, grey, self._suggested)
        self.canvas.set_grey(grey)

    def grey_again(self) -> None:
        """Go back to the grey window the data suggest."""
        series = self.session.viewing.panes[self.plane].series
        if series is not None:
            self._set_grey(self._suggested)
            self._greys.forget(series)

    # ---------------------------------------------------------------- zoom

    def zoom_by(self, factor: float, around: QPointF | None = None) -> None:
        """Zoom this pane, and the others where zoom is linked."""
        self.canvas.zoom_by(factor, around)
        self.sheet.update()
        for other in self.linked if self.session.viewing.zoom_linked else ():
            other.canvas.zoom_by(factor)
            other.sheet.update()

    def fit(self) -> None:
        """Show the whole image."""
        self.canvas.fit()
        self.sheet.update()

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802 - Qt's name
        """Keep the painting on the image, and a fitted image fitted."""
        super().resizeEvent(event)
        self.sheet.resize(self.size())
        self.sheet.raise_()
        if self.canvas.is_fitted:
            self._box.activate()
            self.canvas.fit()

    @property
    def figures(self) -> tuple[Figure, ...]:
        """What can be taken hold of: the proposal, else what was drawn."""
        form, proposal = self.session.form, self.session.hand.proposal
        if form is None:
            return ()
        proposed = figures_of(form, proposal.answers, proposed=True) if proposal else ()
        names = {figure.question for figure in proposed}
        drawn = figures_of(form, self.session.answers)
        return (*proposed, *(each for each in drawn if each.question not in names))

    def close_canvas(self) -> None:
        """Let the canvas go."""
        self.canvas.close()


class Sheet(QWidget):
    """The transparent sheet over an image: paints, and takes the mouse."""

    def __init__(self, pane: PaneView) -> None:
        super().__init__(pane)
        self._pane = pane
        self.hover: Placed | None = None
        self._held: Handle | None = None
        self._last: QPointF | None = None
        self.setMouseTracking(True)
        self.setCursor(Qt.CursorShape.CrossCursor)
        self.setAccessibleName(f"{pane.plane.value} images. {TIP}")

    def paintEvent(self, _event: QPaintEvent) -> None:  # noqa: N802 - Qt's name
        """Paint everything over the image."""
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        paint(painter, self._pane, self.hover)
        painter.end()

    def placed(self, at: QPointF) -> Placed | None:
        """Return the point of the image under the pointer; ``None`` beside it."""
        image = self._pane.image
        return None if image is None else placed_at(image, self._pane.canvas.pane_point(at))

    def mousePressEvent(self, event: QMouseEvent) -> None:  # noqa: N802 - Qt's name
        """Begin what the button does."""
        session, at = self._pane.session, event.position()
        self._last = at
        if session.viewing.active is not self._pane.plane:
            session.viewing.active = self._pane.plane
            session.tell(Event.VIEW)
        placed = self.placed(at)
        if event.button() != Qt.MouseButton.LeftButton or placed is None:
            return
        if session.hand.tool is not None:
            session.hand.click(placed)
            return
        self._held = self._handle_at(placed)
        if self._held is None:
            self._look_at(placed)

    def mouseMoveEvent(self, event: QMouseEvent) -> None:  # noqa: N802 - Qt's name
        """Go on with what the pressed button does."""
        at, buttons = event.position(), event.buttons()
        step = at - self._last if self._last is not None else QPointF()
        self.hover = self.placed(at)
        if buttons & Qt.MouseButton.RightButton:
            self._pane.change_grey(
                brighter=-step.y() * GREY_PER_PX, wider=1 + step.x() * 2 * GREY_PER_PX
            )
        elif buttons & Qt.MouseButton.MiddleButton:
            self._pane.canvas.pan(step)
        elif buttons & Qt.MouseButton.LeftButton and self.hover is not None:
            self._drag(self.hover)
        self._last = at
        self.update()

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:  # noqa: N802 - Qt's name
        """Put a point down where it was dragged to."""
        placed = self.placed(event.position())
        is_left = event.button() == Qt.MouseButton.LeftButton
        if self._held is not None and placed is not None and is_left:
            self._pane.session.hand.move(self._held, placed)
        self._held = None
        self.update()

    def mouseDoubleClickEvent(self, event: QMouseEvent) -> None:  # noqa: N802 - Qt's name
        """End an outline; the second click of the pair adds no point."""
        if event.button() == Qt.MouseButton.LeftButton and not self._pane.session.hand.end():
            self.mousePressEvent(event)

    def wheelEvent(self, event: QWheelEvent) -> None:  # noqa: N802 - Qt's name
        """Go through the slices; with Ctrl, zoom."""
        turns = event.angleDelta().y() / 120
        if event.modifiers() & Qt.KeyboardModifier.ControlModifier:
            self._pane.zoom_by(ZOOM_STEP**turns, event.position())
        elif turns:
            session = self._pane.session
            session.viewing.active = self._pane.plane
            session.viewing.scroll(self._pane.plane, -round(turns) or (-1 if turns > 0 else 1))
            session.tell(Event.VIEW)
        event.accept()

    def leaveEvent(self, _event: object) -> None:  # noqa: N802 - Qt's name
        """Forget where the pointer was."""
        self.hover = None
        self.update()

    @property
    def held(self) -> Handle | None:
        """The point being dragged."""
        return self._held

    def _handle_at(self, placed: Placed) -> Handle | None:
        reach = REACH_PX / self._pane.canvas.zoom
        if not self._pane.shows_drawing:
            return None
        return handle_near(self._pane.figures, placed.image, placed.point, reach)

    def _drag(self, placed: Placed) -> None:
        session = self._pane.session
        if self._held is None and session.hand.tool is None:
            self._look_at(placed)

    def _look_at(self, placed: Placed) -> None:
        session, image = self._pane.session, self._pane.image
        if image is None or image.plane is None:
            return
        session.viewing.look_at(placed.point, but=self._pane.plane)
        session.tell(Event.VIEW)
