"""Opening the course window: what the command line calls."""

from __future__ import annotations

from typing import TYPE_CHECKING

from napari.qt import get_qapp

from imgtrack.desk.course import open_course
from imgtrack_napari.course_model import CourseModel
from imgtrack_napari.course_window import CourseWindow

if TYPE_CHECKING:
    from imgtrack.desk.images import Shelf
    from imgtrack.desk.study import Study


def course_window(study: Study, repair: str, *, shelf: Shelf | None = None) -> CourseWindow:
    """Return the course window of a repair.

    Parameters
    ----------
    study
        Open, with a surgeon, analyst or coordinator at the desk.
    repair
        Code of the repair.
    shelf
        Where the images lie; the study's folder when ``None``.

    Raises
    ------
    Refused, InvalidInput
        As `imgtrack.desk.course.open_course`.
    """
    course = open_course(study, repair, shelf=shelf)
    get_qapp()
    window = CourseWindow(CourseModel(course))
    window.resize(1600, 1000)
    return window


def course(study: Study, repair: str) -> None:
    """Open the course window and stay until it is closed."""
    app = get_qapp()
    window = course_window(study, repair)
    window.showMaximized()
    window.start_laying()
    app.exec()
    window.deleteLater()
