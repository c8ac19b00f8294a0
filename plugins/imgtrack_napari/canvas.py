"""One napari canvas: shows one slice of one series, and tells where its millimetres are."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from napari.components import ViewerModel
from napari.qt import QtViewer
from qtpy.QtCore import QPointF, Qt
from qtpy.QtGui import QOpenGLContext

from imgtrack_napari.conversion import layer_kwargs, spacing_of

if TYPE_CHECKING:
    from napari.layers import Image
    from qtpy.QtWidgets import QWidget

    from imgtrack.desk.cases.images import ShownPixels, ShownSeries
    from imgtrack_napari.conversion import PanePoint
    from imgtrack_napari.grey import Window

MARGIN = 0.97
"""Share of a pane that a fitted image fills."""

ZOOMS = (0.2, 200.0)
"""Screen pixels per mm, least and most."""


class Canvas:
    """One napari canvas.

    Attributes
    ----------
    widget
        To be put into a layout; it takes no keys and no mouse of its own.
    """

    def __init__(self) -> None:
        self._viewer = ViewerModel(title="imgtrack")
        self._qt = QtViewer(self._viewer)
        self.widget: QWidget = self._qt.canvas.native
        self.widget.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self._layer: Image | None = None
        self._size = (1.0, 1.0)
        self.is_fitted = True

    @property
    def layer_names(self) -> tuple[str, ...]:
        """Names of the layers, which nobody sees; they tell nothing."""
        return tuple(layer.name for layer in self._viewer.layers)

    def show(self, series: ShownSeries, pixels: ShownPixels, grey: Window) -> None:
        """Show a series in place of the one before.

        The layer stays and takes other pixels: napari collects garbage whenever one goes.
        """
        wanted = layer_kwargs(series, pixels, grey)
        if self._layer is None:
            self._layer = self._viewer.add_image(**wanted)
        else:
            limits = wanted.pop("contrast_limits")
            for name, value in wanted.items():
                setattr(self._layer, name, value)
            self._layer.contrast_limits_range = limits
            self._layer.contrast_limits = limits
            self._layer.visible = True
        rows, columns = spacing_of(series.images[0])
        self._size = (series.images[0].rows * rows, series.images[0].columns * columns)

    def clear(self) -> None:
        """Show nothing, and let the pixels go."""
        if self._layer is not None and self._layer.visible:
            self._layer.visible = False
            self._layer.data = np.zeros((1, 2, 2), self._layer.data.dtype)

    def go_to(self, place: int) -> None:
        """Show a slice, from 0."""
        if self._layer is not None and self._viewer.dims.current_step[0] != place:
            self._viewer.dims.set_current_step(0, place)

    def set_grey(self, grey: Window) -> None:
        """Set what is black and what is white."""
        if self._layer is not None:
            low, high = self._layer.contrast_limits_range
            self._layer.contrast_limits_range = (min(low, grey.low), max(high, grey.high))
            self._layer.contrast_limits = (grey.low, grey.high)

    # ---------------------------------------------------------------- where things are

    @property
    def zoom(self) -> float:
        """Screen pixels per mm."""
        return float(self._viewer.camera.zoom)

    def fit(self) -> None:
        """Show the whole image."""
        width, height = max(self.widget.width(), 1), max(self.widget.height(), 1)
        self._viewer.camera.zoom = MARGIN * min(height / self._size[0], width / self._size[1])
        self._viewer.camera.center = (0.0, self._size[0] / 2, self._size[1] / 2)
        self.is_fitted = True

    def zoom_by(self, factor: float, around: QPointF | None = None) -> None:
        """Zoom, keeping a place of the pane where it is; its middle when there is none."""
        place = around or QPointF(self.widget.width() / 2, self.widget.height() / 2)
        before = self.pane_point(place)
        least, most = ZOOMS
        self._viewer.camera.zoom = min(max(self.zoom * factor, least), most)
        after = self.pane_point(place)
        self._move_centre(before[0] - after[0], before[1] - after[1])

    def pan(self, step: QPointF) -> None:
        """Move the image by screen pixels."""
        self._move_centre(-step.y() / self.zoom, -step.x() / self.zoom)

    def _move_centre(self, y: float, x: float) -> None:
        _, centre_y, centre_x = self._viewer.camera.center
        self._viewer.camera.center = (0.0, centre_y + y, centre_x + x)
        self.is_fitted = False

    def follow(self, other: Canvas) -> None:
        """Show the same place at the same zoom as another canvas."""
        self._viewer.camera.zoom = other.zoom
        self._viewer.camera.center = other._viewer.camera.center
        self.is_fitted = other.is_fitted

    def screen_point(self, at: PanePoint) -> QPointF:
        """Return where a place of the image's plane is on the widget."""
        _, centre_y, centre_x = self._viewer.camera.center
        x = (at[1] - centre_x) * self.zoom + self.widget.width() / 2
        y = (at[0] - centre_y) * self.zoom + self.widget.height() / 2
        return QPointF(x, y)

    def pane_point(self, point: QPointF) -> PanePoint:
        """Return the place of the image's plane under a point of the widget."""
        _, centre_y, centre_x = self._viewer.camera.center
        x = (point.x() - self.widget.width() / 2) / self.zoom + centre_x
        y = (point.y() - self.widget.height() / 2) / self.zoom + centre_y
        return float(y), float(x)

    def close(self) -> None:
        """Let the canvas go.

        A graphics context that is still current when its surface goes away takes the process with
        it as soon as the next one is made: none is left current.
        """
        self._viewer.layers.clear()
        self._layer = None
        self._qt.close()
        if (current := QOpenGLContext.currentContext()) is not None:
            current.doneCurrent()

    @property
    def shown(self) -> Any:
        """The pixels on screen now; shape (rows, columns)."""
        return None if self._layer is None else self._layer.data[self._viewer.dims.current_step[0]]
