"""The dock beside a stand-in for the images, with a hand on mouse and keyboard."""

from __future__ import annotations


class Window:
    """The dock beside a stand-in for the images, and a hand on mouse and keyboard."""

    def __init__(self, session) -> None:
        from qtpy.QtCore import Qt
        from qtpy.QtTest import QTest
        from qtpy.QtWidgets import QHBoxLayout, QWidget

        from imgtrack_napari.dock import Dock

        self.session, self.test, self.qt = session, QTest, Qt
        self.dock = Dock(session)
        self.whole = QWidget()
        self.images = QWidget(self.whole)
        self.images.setFocusPolicy(Qt.FocusPolicy.ClickFocus)
        self.images.setMinimumSize(100, 100)
        layout = QHBoxLayout(self.whole)
        layout.addWidget(self.images)
        layout.addWidget(self.dock)
        self.whole.resize(560, 1000)
        self.whole.show()
        assert QTest.qWaitForWindowExposed(self.whole)
        self.whole.activateWindow()
        QTest.qWaitForWindowActive(self.whole)
        self.settle()
        self.strokes = self.clicks = 0

    def settle(self) -> None:
        for _ in range(2):
            self.test.qWait(1)

    def press(self, *keys) -> None:
        """Press keys one after the other, each a letter, a digit or a sequence of Qt's."""
        from qtpy.QtGui import QKeySequence
        from qtpy.QtWidgets import QApplication

        for key in keys:
            combination = QKeySequence(key)[0]
            target = QApplication.focusWidget() or self.whole
            self.test.keyClick(target, combination.key(), combination.keyboardModifiers())
            self.strokes += 1
            self.settle()

    def type(self, text: str) -> None:
        from qtpy.QtWidgets import QApplication

        self.test.keyClicks(QApplication.focusWidget(), text)
        self.strokes += len(text)
        self.settle()

    def find(self, name: str):
        from qtpy.QtWidgets import QWidget

        found = [each for each in self.dock.findChildren(QWidget, name) if each.isVisible()]
        assert len(found) == 1, f"{name}: {len(found)} on the screen"
        return found[0]

    def click(self, name: str) -> None:
        found = self.find(name)
        self.dock.area.ensureWidgetVisible(found)
        self.settle()
        self.test.mouseClick(found, self.qt.MouseButton.LeftButton)
        self.clicks += 1
        self.settle()

    def words(self) -> str:
        """Return every word on the screen, as a person sees it."""
        from qtpy.QtWidgets import QAbstractButton, QLabel

        kinds = (QLabel, QAbstractButton)
        shown = [each for kind in kinds for each in self.dock.findChildren(kind)]
        return "\n".join(each.text() for each in shown if each.isVisible())

    def answer(self, name: str):
        return self.session.answers.get(name)


def set_points(session, *points, alias: str) -> None:
    """Click in a pane; the panes' own tests do it with the mouse."""
    from imgtrack_napari.measuring import Placed

    for point in points:
        assert session.hand.click(Placed(tuple(map(float, point)), alias))


def read_by_keys(window: Window, *, sugaya: str) -> None:
    """Read a torn case without the mouse but for points on images."""
    from imgtrack.domain.protocol import Plane
    from imgtrack_napari.events import Event

    session = window.session
    window.press("1", "1", "1")  # the images serve
    window.press("2")  # full-thickness defect
    for plane, places in ((Plane.CORONAL_OBLIQUE, (2, 3)), (Plane.SAGITTAL_OBLIQUE, (1,))):
        session.viewing.active = plane
        for place in places:
            session.viewing.panes[plane].place = place
            session.tell(Event.VIEW)
            window.press("G")
    window.press("Return", "D")
    set_points(session, (15.6, 0, 40), (15.6, 9, 52), alias="0.2.2")
    window.press("Return", "D")
    set_points(session, (-30, -11.2, 40), (-18, -11.2, 45), alias="0.1.3")
    window.press("Return", "D")
    corners = [(-30, -11.2, 40), (-15, -11.2, 55), (0, -11.2, 40), (-18, -11.2, 45)]
    set_points(session, *corners, alias="0.1.3")
    window.press("Return", "1")  # Patte
    window.press("1", "2", "N", "3")  # Goutallier of three muscles, the last not covered
    window.press(sugaya, "1")


def top_of(at: Window, name: str) -> int:
    card = at.dock.cards[name]
    return card.mapTo(at.dock, card.rect().topLeft()).y()


def controls(at: Window):
    from qtpy.QtWidgets import QAbstractButton, QLineEdit, QPlainTextEdit

    return [
        each
        for kind in (QAbstractButton, QLineEdit, QPlainTextEdit)
        for each in at.dock.findChildren(kind)
        if not each.objectName().startswith("qt_")
    ]
