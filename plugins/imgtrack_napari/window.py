"""The reading window: three linked panes and the dock."""

from __future__ import annotations

from typing import TYPE_CHECKING

from qtpy.QtCore import Qt
from qtpy.QtGui import QKeySequence, QShortcut
from qtpy.QtWidgets import QDockWidget, QGridLayout, QMainWindow, QWidget

from imgtrack_napari.dock import Dock
from imgtrack_napari.events import Event
from imgtrack_napari.grey import GreyMemory
from imgtrack_napari.hanging import PANES
from imgtrack_napari.keys import BY_ACT, Act
from imgtrack_napari.look import style_sheet
from imgtrack_napari.pane import PaneView
from imgtrack_napari.sheet import ZOOM_STEP

if TYPE_CHECKING:
    from collections.abc import Callable

    from qtpy.QtGui import QCloseEvent

    from imgtrack.domain.protocol import Plane
    from imgtrack_napari.session import Session

GREY_STEP = 0.05
WIDER_STEP = 1.15
SEPARATOR = """
QMainWindow {{ background: {ground}; }}
QMainWindow::separator {{ background: {edge}; width: 4px; }}
"""

SPAN = (3, 2)
"""Shares of the width of the large pane and of the column of the two others."""


class ReadingWindow(QMainWindow):
    """The reading window.

    Parameters
    ----------
    session
        Whose cases are read; closed with the window.
    """

    def __init__(self, session: Session) -> None:
        super().__init__()
        self.session = session
        self.greys = GreyMemory()
        self.panes = {plane: PaneView(session, plane, self.greys) for plane in PANES}
        for plane, pane in self.panes.items():
            pane.linked = [each for other, each in self.panes.items() if other is not plane]
        self._grid = QGridLayout()
        self._large = PANES[0]
        self._place_panes()
        self.dock = Dock(session)
        self.dock.worn.connect(self._wear)
        self._wear()
        self._add_dock()
        self._offs = [
            session.watch(Event.CASE, self._show_case),
            session.watch(Event.VIEW, self.refresh),
            session.watch(Event.ANSWERS, self.refresh),
            session.watch(Event.TOOL, self._show_tool),
        ]
        self._take_keys()
        self._show_case()

    def _wear(self) -> None:
        """Put on the look of the dock; images keep their black ground in either."""
        look = self.dock.look
        frame = SEPARATOR.format(ground=look.ground, edge=look.edge)
        self.setStyleSheet(style_sheet(look) + frame)

    def _place_panes(self) -> None:
        middle = QWidget()
        middle.setObjectName("window")
        self._grid.setContentsMargins(2, 2, 2, 2)
        self._grid.setSpacing(3)
        for column, share in enumerate(SPAN):
            self._grid.setColumnStretch(column, share)
        middle.setLayout(self._grid)
        for row in range(2):
            self._grid.setRowStretch(row, 1)
        self.setCentralWidget(middle)
        self.enlarge(self._large)

    def _add_dock(self) -> None:
        frame = QDockWidget("Reading", self)
        frame.setObjectName("reading")
        frame.setTitleBarWidget(QWidget())
        frame.setFeatures(QDockWidget.DockWidgetFeature.NoDockWidgetFeatures)
        frame.setWidget(self.dock)
        self.addDockWidget(Qt.DockWidgetArea.RightDockWidgetArea, frame)

    # ---------------------------------------------------------------- panes

    def enlarge(self, plane: Plane) -> None:
        """Make a pane the large one; the others stand beside it in their order.

        Panes without a series are not shown.
        """
        self._large = plane
        filled = self._filled
        large = plane if plane in filled else filled[0]
        others = [each for each in filled if each is not large]
        for each, pane in self.panes.items():
            self._grid.removeWidget(pane)
            pane.setVisible(each in filled)
        self._grid.addWidget(self.panes[large], 0, 0, 2, 1 if others else 2)
        for row, other in enumerate(others):
            self._grid.addWidget(self.panes[other], row, 1, 2 if len(others) == 1 else 1, 1)

    @property
    def _filled(self) -> list[Plane]:
        """The panes that have a series, from left to right; all of them without a case."""
        panes = self.session.viewing.panes
        return [each for each in PANES if panes[each].choices] or list(PANES)

    def refresh(self) -> None:
        """Show in every pane what the session says."""
        for pane in self.panes.values():
            pane.refresh()

    def _show_case(self) -> None:
        case = self.session.case
        self.setWindowTitle("imgtrack: reading" + (f" {case.code}" if case else ""))
        self.enlarge(self._large)
        self._show_drawing(shown=True)

    def _show_tool(self) -> None:
        """Show what is drawn where a line is begun or proposed, though it was hidden before."""
        hand = self.session.hand
        if hand.tool is not None or hand.proposal is not None:
            self._show_drawing(shown=True)
        else:
            self.refresh()

    @property
    def _active(self) -> PaneView:
        return self.panes[self.session.viewing.active]

    # ---------------------------------------------------------------- keys

    def _take_keys(self) -> None:
        acts: dict[Act, Callable[[], object]] = {
            Act.SLICE_UP: lambda: self._scroll(-1),
            Act.SLICE_DOWN: lambda: self._scroll(1),
            Act.PANE_LEFT: lambda: self._step_pane(-1),
            Act.PANE_RIGHT: lambda: self._step_pane(1),
            Act.ENLARGE: lambda: self.enlarge(self.session.viewing.active),
            Act.NEXT_SERIES: lambda: self._series(1),
            Act.SERIES_BEFORE: lambda: self._series(-1),
            Act.BRIGHTER: lambda: self._active.change_grey(brighter=GREY_STEP),
            Act.DARKER: lambda: self._active.change_grey(brighter=-GREY_STEP),
            Act.NARROWER: lambda: self._active.change_grey(wider=1 / WIDER_STEP),
            Act.WIDER: lambda: self._active.change_grey(wider=WIDER_STEP),
            Act.GREY_AGAIN: self._grey_again,
            Act.ZOOM_IN: lambda: self._active.zoom_by(ZOOM_STEP),
            Act.ZOOM_OUT: lambda: self._active.zoom_by(1 / ZOOM_STEP),
            Act.LINK_ZOOM: self._link_zoom,
            Act.FIT: self._fit,
            Act.HIDE: self._hide_drawing,
        }
        for act, call in acts.items():
            for stroke in BY_ACT[act].strokes:
                shortcut = QShortcut(QKeySequence(stroke), self)
                shortcut.activated.connect(call)

    def _scroll(self, steps: int) -> None:
        viewing = self.session.viewing
        if viewing.scroll(viewing.active, steps):
            self.session.tell(Event.VIEW)

    def _step_pane(self, step: int) -> None:
        viewing, filled = self.session.viewing, self._filled
        viewing.active = filled[(filled.index(viewing.active) + step) % len(filled)]
        self.session.tell(Event.VIEW)

    def _series(self, step: int) -> None:
        viewing = self.session.viewing
        if viewing.next_series(viewing.active, step):
            self.session.tell(Event.VIEW)
        else:
            self.session.say("This pane has no other series.")

    def _link_zoom(self) -> None:
        viewing = self.session.viewing
        viewing.zoom_linked = not viewing.zoom_linked
        linked = "together" if viewing.zoom_linked else "each alone"
        self.session.say(f"The panes zoom {linked}.")

    def _fit(self) -> None:
        for pane in self.panes.values():
            pane.fit()

    def _grey_again(self) -> None:
        self._active.grey_again()

    def _hide_drawing(self) -> None:
        shown = not self._active.shows_drawing
        self._show_drawing(shown=shown)
        self.session.say("Drawings are shown." if shown else "Drawings are hidden; X shows them.")

    def _show_drawing(self, *, shown: bool) -> None:
        for pane in self.panes.values():
            pane.shows_drawing = shown
        self.refresh()

    def closeEvent(self, event: QCloseEvent) -> None:  # noqa: N802 - Qt's name
        """Leave the case with its draft kept."""
        self.dock.close()
        for off in self._offs:
            off()
        self._offs = []
        for pane in self.panes.values():
            pane.close_canvas()
        self.session.close()
        super().closeEvent(event)
