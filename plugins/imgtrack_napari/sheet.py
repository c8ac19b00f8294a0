"""The transparent sheet over the image of a pane: paints, and takes the mouse."""

from __future__ import annotations

from typing import TYPE_CHECKING

from qtpy.QtCore import QPointF, Qt
from qtpy.QtGui import QPainter
from qtpy.QtWidgets import QWidget

from imgtrack_napari.conversion import placed_at
from imgtrack_napari.events import Event
from imgtrack_napari.figures import handle_near
from imgtrack_napari.overlay import paint

if TYPE_CHECKING:
    from qtpy.QtGui import QMouseEvent, QPaintEvent, QWheelEvent

    from imgtrack_napari.figures import Handle
    from imgtrack_napari.measuring import Placed
    from imgtrack_napari.pane import PaneView

REACH_PX = 9.0
"""How near to a point the pointer must be to take hold of it."""

CLICK_PX = 3.0
"""A press that moves the pointer less than this is a click and moves no point."""

NOTCH = 120
"""What Qt gives for one notch of a wheel; a touchpad gives parts of it."""

ZOOM_STEP = 1.2
GREY_PER_PX = 1 / 400
"""Share of the data's span that dragging by one screen pixel changes the grey window."""

TIP = (
    "Click: the other panes follow. Wheel: slices. Ctrl and wheel: zoom. "
    "Drag right: grey window. Drag middle: move. Drag a point to move it."
)


class Sheet(QWidget):
    """The transparent sheet over an image: paints, and takes the mouse."""

    def __init__(self, pane: PaneView) -> None:
        super().__init__(pane)
        self._pane = pane
        self.hover: Placed | None = None
        self._held: tuple[Handle, str] | None = None
        self._pressed = QPointF()
        self._is_dragged = False
        self._last: QPointF | None = None
        self._turned = 0
        self.setMouseTracking(True)
        self.setFocusPolicy(Qt.FocusPolicy.ClickFocus)  # so that a click leaves a field of words
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
        self._last = self._pressed = at
        self._is_dragged = False
        if session.viewing.active is not self._pane.plane:
            session.viewing.active = self._pane.plane
            session.tell(Event.VIEW)
        placed = self.placed(at)
        if event.button() != Qt.MouseButton.LeftButton or placed is None:
            return
        if session.hand.tool is not None:
            session.hand.click(placed)
            return
        handle = self._handle_at(placed)
        self._held = None if handle is None else (handle, placed.image)
        if handle is None:
            self._look_at(placed)

    def mouseMoveEvent(self, event: QMouseEvent) -> None:  # noqa: N802 - Qt's name
        """Go on with what the pressed button does."""
        at, buttons = event.position(), event.buttons()
        step = at - self._last if self._last is not None else QPointF()
        self.hover = self.placed(at)
        self._is_dragged = self._is_dragged or self._is_away(at)
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
        """Put a point down where it was dragged to; a mere click on it looks at the place."""
        placed = self.placed(event.position())
        if event.button() == Qt.MouseButton.LeftButton:
            held, self._held = self._held, None
            if held is not None and placed is not None:
                self._put_down(*held, placed)
        self.update()

    def _put_down(self, handle: Handle, image: str, placed: Placed) -> None:
        session = self._pane.session
        if not self._is_dragged:
            self._look_at(placed)
        elif placed.image != image:
            session.say("The point stays: another slice came up while it was dragged.")
        else:
            session.hand.move(handle, placed)

    def _is_away(self, at: QPointF) -> bool:
        """Whether the pointer has left the place where the button was pressed."""
        return (at - self._pressed).manhattanLength() >= CLICK_PX

    def mouseDoubleClickEvent(self, event: QMouseEvent) -> None:  # noqa: N802 - Qt's name
        """End an outline or open line; the second click of a pair sets no point there again."""
        hand = self._pane.session.hand
        if event.button() == Qt.MouseButton.LeftButton and hand.end():
            return
        if hand.tool is None or self._is_away(event.position()):
            self.mousePressEvent(event)

    def wheelEvent(self, event: QWheelEvent) -> None:  # noqa: N802 - Qt's name
        """Go through the slices; with Ctrl, zoom."""
        turned = event.angleDelta().y()
        if event.modifiers() & Qt.KeyboardModifier.ControlModifier:
            self._pane.zoom_by(ZOOM_STEP ** (turned / NOTCH), event.position())
        elif self._held is None:
            self._turn(turned)
        event.accept()

    def _turn(self, turned: int) -> None:
        """Scroll by whole notches; what is left of one waits for the next turn the same way."""
        left = self._turned if self._turned * turned > 0 else 0
        notches = int((left + turned) / NOTCH)
        self._turned = left + turned - notches * NOTCH
        if notches:
            session = self._pane.session
            session.viewing.active = self._pane.plane
            session.viewing.scroll(self._pane.plane, -notches)
            session.tell(Event.VIEW)

    def leaveEvent(self, _event: object) -> None:  # noqa: N802 - Qt's name
        """Forget where the pointer was."""
        self.hover = None
        self.update()

    @property
    def held(self) -> Handle | None:
        """The point being dragged."""
        return self._held[0] if self._held is not None and self._is_dragged else None

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
