"""Laying the scans of a course on the first one in the background, one after the other."""

from __future__ import annotations

from typing import TYPE_CHECKING

from qtpy.QtCore import QThread, Signal

from imgtrack.domain.errors import ImgtrackError

if TYPE_CHECKING:
    from imgtrack_napari.course.model import CourseModel


class Laying(QThread):
    """Lays every scan; tells the window of each one when it is done.

    Parameters
    ----------
    model
        Whose scans; only the window's own thread changes it.
    """

    done = Signal(object, object)
    """The lane, and its registration or the error that says why there is none."""

    def __init__(self, model: CourseModel) -> None:
        super().__init__()
        self._model = model

    def run(self) -> None:
        """Lay one scan after the other until all are laid or the window closes."""
        for lane in self._model.to_lay:
            if self.isInterruptionRequested():
                return
            try:
                self.done.emit(lane, self._model.lay(lane))
            except ImgtrackError as error:
                self.done.emit(lane, error)

    def stop(self) -> None:
        """Ask it to end after the scan it is at, and wait for that."""
        self.requestInterruption()
        self.wait()
