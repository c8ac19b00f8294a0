"""A reader's hands on a whole window: mouse and keys go in where the window system delivers them.

Nothing is sent to a widget: events go to the window, and Qt finds what lies under the pointer and
what has the focus, as it does for a person.
"""

from __future__ import annotations

from collections.abc import Sequence

from qtpy.QtCore import QPoint, QPointF, Qt
from qtpy.QtGui import QKeySequence, QWheelEvent
from qtpy.QtTest import QTest
from qtpy.QtWidgets import QApplication, QWidget

from imgtrack_napari.conversion import to_pane, to_patient

NONE = Qt.KeyboardModifier.NoModifier
LEFT = Qt.MouseButton.LeftButton


class Hands:
    """Mouse and keyboard of the person at a reading window; counts both.

    Parameters
    ----------
    window
        Shown and active.
    """

    def __init__(self, window) -> None:
        self.window, self.session = window, window.session
        self.clicks = self.keys = 0

    # ---------------------------------------------------------------- keys

    def key(self, *strokes: str, modifiers: Qt.KeyboardModifier = NONE) -> None:
        """Press keys, written as Qt writes them."""
        for stroke in strokes:
            pressed = QKeySequence(stroke)[0]
            held = pressed.keyboardModifiers() | modifiers
            QTest.keyClick(self.window.windowHandle(), pressed.key(), held)
            QApplication.processEvents()
            self.keys += 1

    def type(self, words: str) -> None:
        """Type letters, wherever they go."""
        for letter in words:
            QTest.keyClick(self.window.windowHandle(), letter)
            self.keys += 1
        QApplication.processEvents()

    # ---------------------------------------------------------------- mouse on the images

    def at(self, plane, point: Sequence[float]) -> QPoint:
        """Return the place in the window under which a point of the patient lies."""
        pane = self.window.panes[plane]
        spot = pane.canvas.screen_point(to_pane(pane.image, point)).toPoint()
        assert pane.sheet.rect().contains(spot), "outside the pane"
        return pane.sheet.mapTo(self.window, spot)

    def under(self, plane, spot: QPoint) -> tuple[float, ...]:
        """Return the point of the patient under a place in the window."""
        pane = self.window.panes[plane]
        inside = QPointF(pane.sheet.mapFrom(self.window, spot))
        return to_patient(pane.image, pane.canvas.pane_point(inside))

    def click(self, plane, point: Sequence[float]) -> None:
        """Click on a point of the patient."""
        self.click_at(self.at(plane, point))

    def double(self, plane, point: Sequence[float]) -> None:
        """Click twice in quick succession on a point of the patient."""
        QTest.mouseDClick(self.window.windowHandle(), LEFT, NONE, self.at(plane, point))
        QApplication.processEvents()
        self.clicks += 2

    def click_at(self, spot: QPoint) -> None:
        """Click on a place in the window."""
        QTest.mouseMove(self.window.windowHandle(), spot)
        QTest.mouseClick(self.window.windowHandle(), LEFT, NONE, spot)
        QApplication.processEvents()
        self.clicks += 1

    def drag(self, plane, start: Sequence[float], end: Sequence[float]) -> None:
        """Drag from one point of the patient to another in a pane."""
        handle, begin, goal = self.window.windowHandle(), self.at(plane, start), self.at(plane, end)
        QTest.mousePress(handle, LEFT, NONE, begin)
        QTest.mouseMove(handle, (begin + goal) / 2)
        QTest.mouseMove(handle, goal)
        QTest.mouseRelease(handle, LEFT, NONE, goal)
        QApplication.processEvents()
        self.clicks += 1

    def zoom(self, plane, point: Sequence[float], notches: int) -> None:
        """Zoom in on a point of the patient with the wheel."""
        self._wheel(self.at(plane, point), [1] * notches, Qt.KeyboardModifier.ControlModifier)

    def wheel(self, plane, *turns: float, modifiers: Qt.KeyboardModifier = NONE) -> None:
        """Turn the wheel over the middle of a pane, by notches; a part of one is a touchpad's."""
        pane = self.window.panes[plane]
        self._wheel(pane.sheet.mapTo(self.window, pane.sheet.rect().center()), turns, modifiers)

    def _wheel(self, spot: QPoint, turns: Sequence[float], modifiers) -> None:
        for turn in turns:
            event = QWheelEvent(
                QPointF(spot),
                QPointF(self.window.mapToGlobal(spot)),
                QPoint(),
                QPoint(0, round(120 * turn)),
                Qt.MouseButton.NoButton,
                modifiers,
                Qt.ScrollPhase.NoScrollPhase,
                False,
            )
            QApplication.sendEvent(self.window.windowHandle(), event)
            QApplication.processEvents()

    # ---------------------------------------------------------------- mouse on the dock

    def control(self, name: str) -> QWidget:
        """Return a control of the dock by its name, scrolled into view."""
        dock = self.window.dock
        found = [each for each in dock.findChildren(QWidget, name) if each.isVisible()]
        assert len(found) == 1, f"{name}: {len(found)} on the screen"
        dock.area.ensureWidgetVisible(found[0])
        QApplication.processEvents()
        return found[0]

    def press(self, name: str) -> None:
        """Click on the middle of a control of the dock."""
        found = self.control(name)
        self.click_at(found.mapTo(self.window, found.rect().center()))

    # ---------------------------------------------------------------- finding places

    def slice(self, plane, number: int) -> None:
        """Go to a pane and a slice of it, from 0, by keys."""
        for _ in self.window.panes:
            if self.session.viewing.active is plane:
                break
            self.key("Right")
        assert self.session.viewing.active is plane
        for _ in range(abs(number - self.session.viewing.panes[plane].place)):
            self.key("Down" if number > self.session.viewing.panes[plane].place else "Up")

    def sign(self, phrase: str) -> None:
        """Type the pass phrase where it belongs, and Enter."""
        self.key("Ctrl+Return")
        self.type(phrase)
        self.key("Return")
