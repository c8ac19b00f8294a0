"""Opening the course window: what the command line calls."""

from __future__ import annotations

from typing import TYPE_CHECKING

from napari.qt import get_qapp
from qtpy.QtCore import QTimer

from imgtrack_napari.course.model import CourseModel
from imgtrack_napari.course.window import CourseWindow

if TYPE_CHECKING:
    from imgtrack.desk.course.visits import Course


def course(opened: Course) -> None:
    """Show the course of a repair and stay until the window is closed.

    Parameters
    ----------
    opened
        As `imgtrack.desk.course.visits.open_course` gives it; its study stays open meanwhile.
    """
    app = get_qapp()
    window = CourseWindow(CourseModel(opened))
    window.resize(1600, 1000)
    window.showMaximized()
    QTimer.singleShot(0, window.begin)
    app.exec()
    window.deleteLater()
