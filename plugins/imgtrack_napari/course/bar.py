"""The buttons above the scans of the course window; each has a key and a tooltip."""

from __future__ import annotations

from typing import TYPE_CHECKING

from qtpy.QtCore import Qt
from qtpy.QtWidgets import QPushButton, QSizePolicy, QWidget

from imgtrack_napari.course.keys import BY_ACT, PLANE_ACTS, Act

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from qtpy.QtGui import QResizeEvent

    from imgtrack_napari.course.grey import CourseGreys
    from imgtrack_napari.course.model import CourseModel

NAMES = {
    Act.TWO_PLANES: "Two planes",
    Act.WEIGHTING: "Weighting",
    Act.HIDE: "Measurements",
    Act.MEASURED: "Measured slices",
    Act.ALONE: "Two scans",
    Act.GREY_ALIKE: "Grey alike",
    Act.LINK_ZOOM: "Zoom alike",
    Act.FIT: "Whole images",
    Act.PLOTS: "Plots",
    Act.HELP: "Help",
}
"""Words on the buttons, in their order; the planes come first."""

SPACE = 4
"""Pixels between buttons."""

CHECKED = {Act.TWO_PLANES, Act.HIDE, Act.ALONE, Act.GREY_ALIKE, Act.LINK_ZOOM, Act.PLOTS}


class Bar(QWidget):
    """The buttons, in as many rows as they need.

    Parameters
    ----------
    model, greys
        What they tell of.
    acts
        What they do.
    """

    def __init__(
        self, model: CourseModel, greys: CourseGreys, acts: Mapping[Act, Callable[[], object]]
    ) -> None:
        super().__init__()
        self._model, self._greys = model, greys
        planes = {act: plane.value for act, plane in zip(PLANE_ACTS, model.planes, strict=False)}
        names = {**planes, **NAMES}
        if len(model.planes) < 2:
            del names[Act.TWO_PLANES]
        self.buttons = {act: _button(act, words, acts[act], self) for act, words in names.items()}
        self.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)

    def refresh(self, *, plots: bool, zoom: bool) -> None:
        """Show which of them are on.

        Parameters
        ----------
        plots, zoom
            Whether the plots are in sight, and whether all scans zoom together.
        """
        model = self._model
        states = {
            Act.TWO_PLANES: len(model.rows) > 1,
            Act.HIDE: model.shows_drawing,
            Act.ALONE: model.is_alone,
            Act.GREY_ALIKE: self._greys.are_alike,
            Act.LINK_ZOOM: zoom,
            Act.PLOTS: plots,
        }
        for act, plane in zip(PLANE_ACTS, model.planes, strict=False):
            states[act] = model.rows == (plane,)
        for act, is_on in states.items():
            if act in self.buttons:
                self.buttons[act].setChecked(is_on)
        weighting = model.weightings.get(model.plane)
        words = weighting.value if weighting else "unknown"
        self.buttons[Act.WEIGHTING].setText(f"Weighting: {words} ({BY_ACT[Act.WEIGHTING].shown})")
        self.buttons[Act.WEIGHTING].setEnabled(len(model.weightings_of(model.plane)) > 1)
        self._break()

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802 - Qt's name
        """Break into two rows where one has no room."""
        super().resizeEvent(event)
        self._break()

    def _break(self) -> None:
        """Put the buttons side by side, and begin another row where one is full."""
        x = y = 0
        for button in self.buttons.values():
            size = button.sizeHint()
            if x and x + size.width() > self.width():
                x, y = 0, y + size.height() + SPACE
            button.setGeometry(x, y, size.width(), size.height())
            x += size.width() + SPACE
        self.setFixedHeight(y + next(iter(self.buttons.values())).sizeHint().height())


def _button(act: Act, words: str, call: Callable[[], object], bar: Bar) -> QPushButton:
    key = BY_ACT[act]
    made = QPushButton(f"{words} ({key.strokes[0]})", bar)
    made.setToolTip(key.tip())
    made.setCheckable(act in CHECKED or act in PLANE_ACTS)
    made.setFocusPolicy(Qt.FocusPolicy.NoFocus)
    made.clicked.connect(lambda _checked=False: call())
    return made
