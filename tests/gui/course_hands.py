"""Hands and eyes for the course window: real events, and what is painted and on the screen."""

from __future__ import annotations

import numpy as np
from qtpy.QtCore import QPoint, QPointF, QRect, Qt
from qtpy.QtGui import QColor, QMouseEvent, QWheelEvent
from qtpy.QtTest import QTest
from qtpy.QtWidgets import QApplication

from imgtrack_napari.conversion import to_pane

LEFT, RIGHT, MIDDLE = (
    Qt.MouseButton.LeftButton,
    Qt.MouseButton.RightButton,
    Qt.MouseButton.MiddleButton,
)


def press(window, key, modifier=Qt.KeyboardModifier.NoModifier):
    QTest.keyClick(window, key, modifier)
    QApplication.processEvents()


def click(button):
    QTest.mouseClick(button, LEFT)
    QApplication.processEvents()


def place_on(picture, point) -> QPoint:
    """Return where a place of the patient is on a picture."""
    return picture.canvas.screen_point(to_pane(picture.image, list(point))).toPoint()


def turn_wheel(picture, at, turns, modifiers=Qt.KeyboardModifier.NoModifier):
    event = QWheelEvent(
        QPointF(at),
        QPointF(picture.sheet.mapToGlobal(at)),
        QPoint(),
        QPoint(0, round(120 * turns)),
        Qt.MouseButton.NoButton,
        modifiers,
        Qt.ScrollPhase.NoScrollPhase,
        False,
    )
    QApplication.sendEvent(picture.sheet, event)
    QApplication.processEvents()


def drag(picture, button, begin, end):
    sheet = picture.sheet
    QTest.mousePress(sheet, button, pos=begin)
    move = QMouseEvent(
        QMouseEvent.Type.MouseMove,
        QPointF(end),
        QPointF(sheet.mapToGlobal(end)),
        Qt.MouseButton.NoButton,
        button,
        Qt.KeyboardModifier.NoModifier,
    )
    QApplication.sendEvent(sheet, move)
    QTest.mouseRelease(sheet, button, pos=end)
    QApplication.processEvents()


def has_colour(picture, at: QPoint, wanted: str, *, around=4) -> bool:
    """Whether a colour is painted at a place of a picture's sheet."""
    seen = picture.sheet.grab(QRect(at - QPoint(around, around), at + QPoint(around, around)))
    image, colour = seen.toImage(), QColor(wanted)
    found = [image.pixelColor(x, y) for x in range(image.width()) for y in range(image.height())]
    return any(
        max(
            abs(getattr(one, part)() - getattr(colour, part)()) for part in ("red", "green", "blue")
        )
        < 40
        for one in found
    )


def brightness(window, picture) -> float:
    """Return how bright the middle of a picture is on the screen, 0 to 255."""
    QTest.qWait(60)
    middle = picture.sheet.mapTo(window, picture.sheet.rect().center())
    shot = window.screen().grabWindow(window.winId(), middle.x() - 60, middle.y() - 60, 120, 120)
    image = shot.toImage()
    values = [
        image.pixelColor(x, y).lightness()
        for x in range(0, image.width(), 4)
        for y in range(0, image.height(), 4)
    ]
    return float(np.mean(values))


def pictures(window, row=0):
    """Return the pictures of a row, from left to right."""
    return [view.shown[row] for view in window.views if view.shown]
