"""One visit in the course window: its words, its pictures, and how it lies on the first scan."""

from __future__ import annotations

from typing import TYPE_CHECKING

from qtpy.QtCore import QPointF, QRect, Qt, Signal
from qtpy.QtWidgets import (
    QHBoxLayout,
    QLabel,
    QPushButton,
    QScrollArea,
    QVBoxLayout,
    QWidget,
)

from imgtrack_napari.course.keys import BY_ACT, Act
from imgtrack_napari.course.laying import moves_of
from imgtrack_napari.course.picture import Picture
from imgtrack_napari.course.words import lane_words, sensitivity_words, visit_words

if TYPE_CHECKING:
    from collections.abc import Sequence

    from qtpy.QtGui import QResizeEvent

    from imgtrack.domain.protocol import Plane
    from imgtrack_napari.course.blink import Blink
    from imgtrack_napari.course.grey import CourseGreys
    from imgtrack_napari.course.lane import Lane
    from imgtrack_napari.course.model import CourseModel

LEAST_WIDTH, LEAST_HEIGHT = 200, 220


class LaneView(QWidget):
    """One visit.

    Parameters
    ----------
    model, lane
        What is shown.
    greys, blinker
        Grey windows; and what may blink.
    """

    changed = Signal()
    blink = Signal(object)
    zoomed = Signal(object, float, QPointF)
    panned = Signal(object, QPointF)
    greyed = Signal(object, float, float)

    def __init__(self, model: CourseModel, lane: Lane, greys: CourseGreys, blinker: Blink) -> None:
        super().__init__()
        self.model, self.lane = model, lane
        self._greys, self._blinker = greys, blinker
        self.pictures: dict[Plane, Picture] = {}
        self.title = QLabel(visit_words(lane.visit))
        self.status, self.button = self._status(), self._button()
        self.box, self._rows = QVBoxLayout(self), QVBoxLayout()
        self._lay_out()
        self.setMinimumWidth(LEAST_WIDTH)

    def _status(self) -> QLabel:
        made = QLabel()
        made.setWordWrap(True)
        made.setProperty("weight", "quiet")
        made.setAlignment(Qt.AlignmentFlag.AlignTop)
        return made

    def _button(self) -> QPushButton:
        made = QPushButton("Blink")
        made.setCheckable(True)
        made.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        made.setToolTip(
            BY_ACT[Act.BLINK].tip("blink with the first scan after surgery, in that one's place")
        )
        made.clicked.connect(lambda: self.blink.emit(self.lane))
        kept = made.sizePolicy()
        kept.setRetainSizeWhenHidden(True)  # so that all pictures are equally high
        made.setSizePolicy(kept)
        return made

    def _lay_out(self) -> None:
        box = self.box
        box.setContentsMargins(3, 3, 3, 3)
        box.setSpacing(3)
        self.title.setWordWrap(True)
        self.title.setProperty("weight", "strong")
        self.title.setAlignment(Qt.AlignmentFlag.AlignBottom)
        box.addWidget(self.title)
        if self.lane.visit.stacks:
            box.addLayout(self._rows, 1)
        else:
            missing = QLabel(self.lane.visit.trouble)
            missing.setWordWrap(True)
            missing.setAlignment(Qt.AlignmentFlag.AlignCenter)
            box.addWidget(missing, 1)
        foot = QHBoxLayout()
        foot.addWidget(self.status, 1)
        foot.addWidget(self.button, 0, Qt.AlignmentFlag.AlignTop)
        box.addLayout(foot)

    # ---------------------------------------------------------------- what is shown

    @property
    def shown(self) -> tuple[Picture, ...]:
        """The pictures in sight, from top to bottom."""
        return tuple(self.pictures[row] for row in self.model.rows if row in self.pictures)

    def refresh(self) -> None:
        """Show what the model says."""
        if self.lane.visit.stacks:
            self._show_rows()
        self._say()

    def _show_rows(self) -> None:
        for row in self.model.rows:
            if row not in self.pictures:
                self._add(row)
        for row, picture in self.pictures.items():
            picture.setVisible(row in self.model.rows)
        for picture in self.shown:
            picture.refresh()

    def _add(self, row: Plane) -> None:
        picture = Picture(self.model, self.lane, row, self._greys)
        picture.changed.connect(self.changed)
        picture.zoomed.connect(lambda factor, at: self.zoomed.emit(picture, factor, at))
        picture.panned.connect(lambda step: self.panned.emit(picture, step))
        picture.greyed.connect(lambda up, wider: self.greyed.emit(picture, up, wider))
        self.pictures[row] = picture
        ordered = [each for each in self.model.planes if each in self.pictures]
        self._rows.insertWidget(ordered.index(row), picture, 1)

    def _say(self) -> None:
        moves = [move.words for move in moves_of(self.model, self.lane)]
        lines = [sensitivity_words(self.lane.visit), lane_words(self.model, self.lane), *moves]
        words = "\n".join(line for line in lines if line)
        self.status.setText(words)
        self.status.setToolTip(words)
        has_pair = self.lane is not self.model.first and bool(self.lane.visit.stacks)
        self.button.setVisible(has_pair and self.model.first is not None)
        self.button.setEnabled(self._blinker.may(self.lane))
        self.button.setChecked(self.model.blinking is self.lane)

    def close_canvases(self) -> None:
        """Let the canvases go."""
        for picture in self.pictures.values():
            picture.close_canvases()


class Lanes(QScrollArea):
    """The visits side by side: as high as there is room; they scroll where they are many.

    Parameters
    ----------
    views
        The visits.
    """

    def __init__(self, views: Sequence[LaneView]) -> None:
        super().__init__()
        self._views, self._inner = views, QWidget()
        self._inner.setObjectName("window")
        self._row = QHBoxLayout(self._inner)
        self._row.setContentsMargins(0, 0, 0, 0)
        for view in views:
            self._row.addWidget(view, 1)
        if not views:
            self._row.addWidget(QLabel("No MR scan of this repair is in the study."))
        self.setWidget(self._inner)
        self.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self.setVerticalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.setMinimumHeight(LEAST_HEIGHT)

    def fit(self) -> None:
        """Give the visits the room there is: all of its height, and no less than their width."""
        least = self._inner.minimumSizeHint().width()
        self._inner.resize(max(self.viewport().width(), least), self.viewport().height())
        self._row.activate()
        shown = [view for view in self._views if not view.isHidden()]
        for view in shown:
            view.box.activate()
        for labels in ([view.title for view in shown], [view.status for view in shown]):
            high = max(map(_height_of, labels), default=0)
            for each in labels:
                each.setFixedHeight(high)  # so that all pictures are equally high

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802 - Qt's name
        """Fit them again."""
        super().resizeEvent(event)
        self.fit()


def _height_of(label: QLabel) -> int:
    """Return how high the words of a label are, broken at its width."""
    room = QRect(0, 0, label.width(), 10_000)
    metrics = label.fontMetrics()
    words = metrics.boundingRect(room, Qt.TextFlag.TextWordWrap.value, label.text())
    return int(max(words.height(), metrics.height())) + 1
